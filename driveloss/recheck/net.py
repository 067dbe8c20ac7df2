"""What a change of the losses does to the net power, and whether the calibration is still good enough for it.

A run's net power is what reaches the shaft less drive and seal by the calibration, after the transmission: where a
rung takes a watt more than it did, the calibration makes net power too high by that watt times the efficiency.
Calling it valid while it is not is judged rung by rung, since all rungs have to be; calling it invalid by the limit
that holds for all rungs together (Berger & Hsu, Statistical Science 11 (1996) 283, intersection-union tests; from
memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.estimate import Estimate, estimate
from driveloss.fit.readings import Rung
from driveloss.recheck.rungs import Contrast, Remeasured

VALID, INVALID, OPEN = "still valid", "no longer valid", "cannot be told"
TWO_SIDED = 1.96  # standard normal quantile of the 95 % interval
MOST_READINGS = 10_000


@dataclass(frozen=True)
class NetChange:
    """What the change of a rung, and of all below it, does to the net power of runs at its frequencies."""

    rung: Rung
    frequency: float  # [Hz] mean of the new readings
    change: Estimate  # [W] of net power from what the calibration makes of it, negative where losses grew
    tolerance: float  # [W]
    verdict: str  # 'still valid', 'no longer valid', 'cannot be told'
    more_readings: int | None  # of this rung, for a verdict; None where no number would do, or none is needed


def at_net(calibration: Calibration, rung: Remeasured, change: FloatArray) -> FloatArray:
    """What a change at the rung's meter or shaft, any shape (…, 1 + draws), does to net power. [W]

    Idle power at the meter passes the controller too; what the motor loses of it on the way is left in: the most it
    can do.
    """
    passed = calibration.meters.controller_efficiency if rung.stage == "standby" else 1.0
    return -calibration.meters.efficiency * passed * change


def net_changes(
    calibration: Calibration, rungs: Sequence[Remeasured], limit: float, tolerance: float | None
) -> tuple[NetChange, ...]:
    """A verdict for each rung whose net power no other rung measured anew tells better.

    limit: of the largest deviation among all contrasts, in standard deviations. tolerance: [W], else each rung's own.
    """
    return tuple(_net_change(calibration, rung, limit, tolerance) for rung in _telling(calibration, rungs))


def _telling(calibration: Calibration, rungs: Sequence[Remeasured]) -> list[Remeasured]:
    """Rungs with a piston, and of those below the highest, unless every piston was measured anew."""
    with_piston = [rung for rung in rungs if rung.rung.cylinder]
    below = [rung for rung in rungs if not rung.rung.cylinder]
    is_all = not unmeasured(calibration, (rung.rung for rung in with_piston)) and bool(with_piston)
    return [*([] if is_all else below[-1:]), *with_piston]


def unmeasured(calibration: Calibration, rungs: Iterable[Rung]) -> list[str]:
    """Cylinders that were calibrated and are not among the rungs."""
    measured = {rung.cylinder for rung in rungs}
    return [name for name in calibration.ranges if name not in measured]


def _net_change(calibration: Calibration, rung: Remeasured, limit: float, tolerance: float | None) -> NetChange:
    found = rung.contrasts()[0]
    net = Contrast(*(at_net(calibration, rung, part) for part in (found.change, found.noise)))
    change = estimate(net.draws)
    if change is None:
        raise InputError(f"{rung.rung}: the change of net power is not determinable")
    allowed = _own_tolerance(calibration, rung) if tolerance is None else tolerance
    verdict = _verdict(change, limit, allowed)
    more = _more_readings(change, net, limit, allowed, len(rung.readings)) if verdict == OPEN else None
    return NetChange(rung.rung, rung.frequency, change, allowed, verdict, more)


def _own_tolerance(calibration: Calibration, rung: Remeasured) -> float:
    """Half-width that the calibration's losses have there, with the scatter that it expects of one reading. [W]"""
    scatter = np.full_like(rung.predicted, np.sqrt(np.mean(rung.scatter**2)))
    own = estimate(at_net(calibration, rung, rung.predicted))
    return float(np.hypot(own.half_width if own else 0.0, TWO_SIDED * at_net(calibration, rung, scatter)[0]))


def _verdict(change: Estimate, limit: float, tolerance: float) -> str:
    if max(abs(change.low), abs(change.high)) < tolerance:
        return VALID
    return INVALID if abs(change.value) - limit * change.u > tolerance else OPEN


def _more_readings(change: Estimate, net: Contrast, limit: float, tolerance: float, count: int) -> int | None:
    """Readings beyond those at hand that would settle it, if the change is what it looks like; None if none would."""
    away = tolerance - abs(change.value)
    room = (away / (TWO_SIDED if away > 0 else limit)) ** 2 - float(net.change[1:].var(ddof=1))
    if room <= 0:
        return None
    needed = int(np.ceil(count * float(net.noise[1:].var(ddof=1)) / room))
    return max(needed - count, 1) if needed <= MOST_READINGS else None
