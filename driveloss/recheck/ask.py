"""Has the machine changed? New readings of some rungs against a saved calibration.

Every new reading less what the calibration predicts is worked out draw by draw, with the same draw's meter errors
and motor constants on both sides: what both share cancels. The draws, with the new readings' own scatter added, say
how large a change chance alone makes. The largest of all contrasts is judged against the largest that chance makes,
so that the stated rate of false alarms holds for the whole table (single-step max-t; Westfall & Young,
Resampling-Based Multiple Testing (1993), ch. 2; from memory). Whether the calibration is still valid is another
question: what the change does to the net power (`net`).
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
from driveloss.recheck.net import INVALID, MOST_READINGS, OPEN, TWO_SIDED, NetChange, at_net, net_changes
from driveloss.recheck.rungs import Judged, new_rungs, part_rows
from driveloss.say.answer import Answer
from driveloss.say.csv_form import spread

FALSE_ALARM = 0.05
MOST_NEW = 1000  # readings: each takes part in every draw
WORTH = 0.05  # smallest change of interest unless stated, as a fraction of the rung's power
POWER = 0.8  # chance with which the smallest change of interest has to be found
NORMAL_POWER = 0.8416  # standard normal quantile of POWER


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
    net: Estimate  # [W] what that does to the net power
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
    nets: tuple[NetChange, ...]
    false_alarm: float
    notes: tuple[str, ...]
    coverage: float = COVERAGE
    told_by: ClassVar[str] = "driveloss.recheck.tell:recheck"
    lists: ClassVar[tuple[str, ...]] = ("rungs", "parts", "nets")
    columns: ClassVar[tuple[str, ...]] = (
        *("table", "stage", "part", "cylinder", "mean_pressure_Pa", "readings", "frequency_Hz", "rung_power_W"),
        *spread("change_W", "net_change_W", "proportional_change_W"),
        *("p_value", "worth_W", "smallest_seen_W", "readings_needed", "tolerance_W", "more_readings"),
        *("verdict", "matters"),
    )

    def __repr__(self) -> str:
        return f"Recheck({len(self.rungs)} rungs, still_valid={self.still_valid})"

    @property
    def changes(self) -> tuple[Change, ...]:
        """Rungs, then parts."""
        return self.rungs + self.parts

    @property
    def still_valid(self) -> bool | None:
        """Whether net power may go on being reckoned by the calibration; None where the readings cannot tell."""
        verdicts = {net.verdict for net in self.nets}
        return False if INVALID in verdicts else None if OPEN in verdicts else True


def recheck(
    calibration: Calibration,
    sweeps: Sequence[Sweep],
    false_alarm: float = FALSE_ALARM,
    worth: float | None = None,
    tolerance: float | None = None,
) -> Recheck:
    """Compare new sweeps with a calibration.

    false_alarm: chance that anything at all is called changed although nothing is. worth: smallest change of
    interest [W]; 5 % of each rung's power unless given. tolerance: by how much net power may be off for the calibration
    to be called valid [W]; unless given what it, and the scatter of one reading, leave open there (95 % half-width).
    The same meters are assumed.
    Raises InputError where the calibration has nothing to compare a sweep with.
    """
    if not 0.001 <= false_alarm <= 0.5:
        raise InputError(f"false alarm rate: read {false_alarm:g}, expected a chance between 0.001 and 0.5")
    if worth is not None:
        positive(worth, "W", "smallest change of interest", "power")
    if tolerance is not None:
        positive(tolerance, "W", "tolerance", "power")
    count = sum(len(sweep) for sweep in sweeps)
    if count > MOST_NEW:
        raise InputError(f"recheck: expected a few new readings, no more than {MOST_NEW}, read {count}")
    rungs, notes = new_rungs(calibration, sweeps)
    parts, carried = part_rows(rungs, has_motor=calibration.curves.has_motor)
    whole = [Judged(rung.stage, rung, rung.contrasts()) for rung in rungs]
    rows = [*whole, *parts]
    chance = Chance(_largest(rows), false_alarm)
    changes = tuple(_change(calibration, row, chance, worth) for row in rows)
    nets = net_changes(calibration, rungs, chance.limit, tolerance)
    return Recheck(calibration, changes[: len(whole)], changes[len(whole) :], nets, false_alarm, (*notes, *carried))


def check_program(calibration: Calibration, running: str, where: str) -> None:
    """Raises InputError for a calibration by another major version of the program; `where`: the file."""
    if calibration.program.split(".")[0] != running.split(".")[0]:
        raise InputError(
            f"{where}, key 'program': made by driveloss {calibration.program}, expected one made by version "
            f"{running.split('.')[0]} as this is driveloss {running}; calibrate the bench again"
        )


@dataclass(frozen=True)
class Chance:
    """What chance alone makes of the whole table: the largest deviation among all contrasts in each draw, (draws,)."""

    largest: FloatArray  # in standard deviations
    false_alarm: float

    @property
    def limit(self) -> float:
        """What the largest deviation stays below but for false alarms."""
        return float(np.quantile(self.largest, 1 - self.false_alarm))

    def p_value(self, found: float) -> float:
        """Chance of so large a deviation anywhere in the table."""
        return float((1 + np.count_nonzero(self.largest >= found)) / (1 + len(self.largest)))


def _largest(rows: Sequence[Judged]) -> FloatArray:
    """The largest deviation of each draw among all contrasts, (draws,), in standard deviations."""
    return np.asarray(np.max([np.abs(_standardised(c.draws))[1:] for row in rows for c in row.contrasts], axis=0))


def _standardised(draws: FloatArray) -> FloatArray:
    """Draws in units of their spread: the first as it stands, the others about their mean; shape (1 + draws,)."""
    spread = draws[1:].std(ddof=1)
    return np.concatenate([draws[:1], draws[1:] - draws[1:].mean()]) / (spread if spread > 0 else 1e-300)


def _change(calibration: Calibration, row: Judged, chance: Chance, worth: float | None) -> Change:
    rung, draws = row.rung, [contrast.draws for contrast in row.contrasts]
    found = max(abs(float(_standardised(d)[0])) for d in draws)
    mean, shape = estimate(draws[0]), estimate(draws[1]) if len(draws) > 1 else None
    net = estimate(at_net(calibration, rung, draws[0]))
    if mean is None or net is None:
        raise InputError(f"{rung.rung}: the change is not determinable")
    p_value, limit = chance.p_value(found), chance.limit
    matters = WORTH * abs(rung.power) if worth is None else worth
    inside = max(abs(mean.low), abs(mean.high)) <= matters
    verdict = "changed" if p_value < chance.false_alarm else "unchanged" if inside else "undecided"
    return Change(
        name=row.name,
        cylinder=rung.rung.cylinder,
        mean_pressure=rung.rung.mean_pressure,
        readings=len(rung.readings),
        frequency=rung.frequency,
        power=rung.power,
        change=mean,
        net=net,
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
