"""Has the machine changed? New readings of some rungs against a saved calibration.

Every new reading less what the calibration predicts is worked out draw by draw, with the same draw's meter errors
and motor constants on both sides: what both share cancels. The draws, with the new readings' own scatter added, say
how large a change chance alone makes. The largest of all contrasts is judged against the largest that chance makes,
so that the stated rate of false alarms holds for the whole table (single-step max-t; Westfall & Young,
Resampling-Based Multiple Testing (1993), ch. 2; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from driveloss.bench.records import FloatArray, Sweep
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.checks import positive
from driveloss.fit.estimate import COVERAGE, Estimate, estimate
from driveloss.recheck.rungs import Judged, new_rungs, part_rows
from driveloss.say.answer import Answer

FALSE_ALARM = 0.05
WORTH = 0.05  # smallest change of interest unless stated, as a fraction of the rung's power
POWER = 0.8  # chance with which the smallest change of interest has to be found
NORMAL_POWER = 0.8416  # standard normal quantile of POWER
TWO_SIDED = 1.96  # standard normal quantile of the 95 % interval
MOST_READINGS = 10_000


@dataclass(frozen=True)
class Change:
    """Verdict on one rung, or on the part of the machine that lies between two rungs."""

    name: str  # the stage, or what the part holds: 'motor', 'linkage', 'seal', 'seal or drive', ...
    cylinder: str | None
    mean_pressure: float | None  # [Pa]
    readings: int
    frequency: float  # [Hz] at which the change is given
    power: float  # [W] of the rung, shaft side, by the calibration
    change: Estimate  # [W] mean over the readings
    proportional: Estimate | None  # [W] at `frequency`, of a change proportional to frequency
    p_value: float  # chance of so large a change anywhere in the table if nothing changed
    worth: float  # [W] smallest change of interest
    smallest_seen: float  # [W] change that is found four times out of five
    readings_needed: int | None  # for a verdict; None where no number would do, or none is needed
    verdict: str  # 'unchanged', 'changed', 'undecided'

    @property
    def matters(self) -> bool:
        """Whether the change may be as large as the smallest of interest."""
        return max(abs(self.change.low), abs(self.change.high)) > self.worth


@dataclass(frozen=True, repr=False)
class Recheck(Answer):
    """Verdicts on every rung measured anew and on the parts that they tell apart."""

    calibration: Calibration
    rungs: tuple[Change, ...]
    parts: tuple[Change, ...]
    false_alarm: float
    notes: tuple[str, ...]
    coverage: float = COVERAGE
    told_by: ClassVar[str] = "driveloss.recheck.tell:recheck"
    lists: ClassVar[tuple[str, ...]] = ("rungs", "parts")

    def __repr__(self) -> str:
        return f"Recheck({len(self.rungs)} rungs, still_valid={self.still_valid})"

    @property
    def changes(self) -> tuple[Change, ...]:
        """Rungs, then parts."""
        return self.rungs + self.parts

    @property
    def still_valid(self) -> bool | None:
        """Whether the calibration may go on being used; None where the readings cannot tell."""
        if any(c.verdict == "changed" and c.matters for c in self.changes):
            return False
        return None if any(c.verdict == "undecided" for c in self.rungs) else True


def recheck(
    calibration: Calibration, sweeps: Sequence[Sweep], false_alarm: float = FALSE_ALARM, worth: float | None = None
) -> Recheck:
    """Compare new sweeps with a calibration.

    false_alarm: chance that anything at all is called changed although nothing is. worth: smallest change of
    interest [W]; 5 % of each rung's power unless given. The same meters are assumed.
    Raises InputError where the calibration has nothing to compare a sweep with.
    """
    if not 0.001 <= false_alarm <= 0.5:
        raise InputError(f"false alarm rate: read {false_alarm:g}, expected a chance between 0.001 and 0.5")
    if worth is not None:
        positive(worth, "W", "smallest change of interest", "power")
    rungs, notes = new_rungs(calibration, sweeps)
    parts, carried = part_rows(rungs, has_motor=calibration.curves.has_motor)
    whole = [Judged(rung.stage, rung, rung.contrasts()) for rung in rungs]
    changes = _judge([*whole, *parts], false_alarm, worth)
    return Recheck(calibration, changes[: len(whole)], changes[len(whole) :], false_alarm, (*notes, *carried))


def check_program(calibration: Calibration, running: str, where: str) -> None:
    """Raises InputError for a calibration by another major version of the program; `where`: the file."""
    if calibration.program.split(".")[0] != running.split(".")[0]:
        raise InputError(
            f"{where}, key 'program': made by driveloss {calibration.program}, expected one made by version "
            f"{running.split('.')[0]} as this is driveloss {running}; calibrate the bench again"
        )


def _judge(rows: Sequence[Judged], false_alarm: float, worth: float | None) -> tuple[Change, ...]:
    """Estimates and verdicts; the largest deviation of each draw sets the limit for all."""
    scaled = [np.abs(_standardised(contrast.draws)) for row in rows for contrast in row.contrasts]
    largest = np.max([deviation[1:] for deviation in scaled], axis=0)
    limit = float(np.quantile(largest, 1 - false_alarm))
    return tuple(_change(row, largest, limit, false_alarm, worth) for row in rows)


def _standardised(draws: FloatArray) -> FloatArray:
    """Draws in units of their spread: the first as it stands, the others about their mean; shape (1 + draws,)."""
    spread = draws[1:].std(ddof=1)
    return np.concatenate([draws[:1], draws[1:] - draws[1:].mean()]) / (spread if spread > 0 else 1e-300)


def _change(row: Judged, largest: FloatArray, limit: float, false_alarm: float, worth: float | None) -> Change:
    rung, draws = row.rung, [contrast.draws for contrast in row.contrasts]
    found = max(abs(float(_standardised(d)[0])) for d in draws)
    mean, shape = estimate(draws[0]), estimate(draws[1]) if len(draws) > 1 else None
    if mean is None:
        raise InputError(f"{rung.rung}: the change is not determinable")
    p_value = float((1 + np.count_nonzero(largest >= found)) / (1 + len(largest)))
    matters = WORTH * abs(rung.power) if worth is None else worth
    inside = max(abs(mean.low), abs(mean.high)) <= matters
    verdict = "changed" if p_value < false_alarm else "unchanged" if inside else "undecided"
    return Change(
        name=row.name,
        cylinder=rung.rung.cylinder,
        mean_pressure=rung.rung.mean_pressure,
        readings=len(rung.readings),
        frequency=rung.frequency,
        power=rung.power,
        change=mean,
        proportional=shape,
        p_value=p_value,
        worth=matters,
        smallest_seen=(limit + NORMAL_POWER) * mean.u,
        readings_needed=_needed(row, mean, limit, matters) if verdict == "undecided" else None,
        verdict=verdict,
    )


def _needed(row: Judged, mean: Estimate, limit: float, worth: float) -> int | None:
    """Readings on the rung (and as many times more on the one below) that would settle it; None if none would.

    Enough to find the smallest change of interest with the stated power. Where there are so many already, yet the
    estimate lies between: enough for a change of this size to be significant or surely below `worth`.
    """
    count, contrast = len(row.rung.readings), row.contrasts[0]
    half = worth / (limit + NORMAL_POWER)
    if mean.u <= half:
        size = abs(mean.value)
        half = max(size / limit, (worth - size) / TWO_SIDED)
    room = half**2 - float(contrast.change[1:].var(ddof=1))
    if room <= 0:
        return None
    needed = int(np.ceil(count * float(contrast.noise[1:].var(ddof=1)) / room))
    return max(needed, count + 1) if needed <= MOST_READINGS else None
