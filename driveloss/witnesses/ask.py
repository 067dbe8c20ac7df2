"""Every way to the same watt, with its interval, whether the ways agree, and what would reconcile them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown
from driveloss.breakdown.joint import Verdict, judge, reconcilers
from driveloss.breakdown.ways import Way
from driveloss.errors import InputError
from driveloss.fit.assumptions import DEAD_CENTRE
from driveloss.fit.estimate import COVERAGE, Estimate, estimate
from driveloss.fit.meters import Meters
from driveloss.physics.indicator import work_moved
from driveloss.say.answer import Answer
from driveloss.say.csv_form import spread

BY_LADDER = {"pneumatic": "subtraction"}  # what the ladder's own way to a part is called, if not by its name
LADDER = "ladder"
JOINT = "joint"


@dataclass(frozen=True, kw_only=True)
class Testimony:
    """What one witness says of one part of the power at one place."""

    part: str  # its name in say/quantities
    witness: str  # 'subtraction', 'ladder', 'recording FILE', ..., 'joint'
    cylinder: str | None
    frequency: float  # [Hz]
    mean_pressure: float | None  # [Pa]
    power: Estimate  # [W]
    phase: float | None = None  # [rad] of the recorded pressure before top dead centre

    @property
    def place(self) -> tuple[str, str | None, float]:
        """Part, cylinder and frequency, alike for what is to be compared."""
        return self.part, self.cylinder, self.frequency

    @property
    def per_degree(self) -> float | None:
        """Share of the recorded work that a degree of dead centre moves."""
        return None if self.phase is None else float(np.radians(1.0) * work_moved(self.phase))

    def __repr__(self) -> str:
        return f"Testimony({self.witness!r}, {self.frequency:g} Hz: {self.power.value:.3g} W of {self.part})"


@dataclass(frozen=True, repr=False)
class Witnesses(Answer):
    """What each witness says; whether they agree, and by how much what they rest on would have to be wrong."""

    testimonies: tuple[Testimony, ...]
    agree: bool
    chance: float  # of so large a disagreement, were all within their limits
    reconcilers: tuple[tuple[str, float], ...]  # source, and how many times its limit it would have to be
    limits: dict[str, str]  # of sources, in words, where one number or one assumption tells them
    coverage: float = COVERAGE
    told_by: ClassVar[str] = "driveloss.witnesses.tell:witnesses"
    columns: ClassVar[tuple[str, ...]] = (
        *("part", "witness", "cylinder", "frequency_Hz", "mean_pressure_Pa", *spread("power_W")),
        *("phase_deg", "work_percent_per_deg"),
    )

    def __repr__(self) -> str:
        return f"Witnesses({len(self.testimonies)} testimonies, {'agree' if self.agree else 'disagree'})"


def witnesses(answer: Breakdown, constants: Way | None = None) -> Witnesses:
    """Lay what the ladder says, what each other witness says, and their joint answer side by side.

    constants: the motor's, beside the braked sweep that stands in for them, see constants_way.
    Raises InputError where there is no second witness.
    """
    meters = answer.calibration.meters
    if constants is not None:
        verdict = judge([*answer.ways, constants])
    elif answer.verdict is not None:
        verdict = answer.verdict
    else:
        raise InputError(
            "bench.toml: expected at least one table [[recordings]] or [[rundowns]], or motor constants beside a "
            "braked sweep: a second way to a part of the power, read none"
        )
    ways = (*answer.ways, *([] if constants is None else [constants]))
    rows = tuple(row for way in ways for row in _testimonies(way, answer.verdict, meters))
    blame = () if verdict.agree else tuple(reconcilers(verdict, meters))
    limits = _limits(answer)
    return Witnesses(rows, verdict.agree, verdict.chance, blame, limits)


def _limits(answer: Breakdown) -> dict[str, str]:
    """Limits of error by source, in words: as assumed, and the widest dead centre of the recordings."""
    calibration = answer.calibration
    found = {row.name: row.range for _, row in calibration.meters.assumptions(calibration.rig)}
    centres = [one.recording.dead_centre or DEAD_CENTRE for one in answer.recorded]
    if centres:
        found["dead centre"] = f"±{np.degrees(max(centre.limit for centre in centres)):.2g} deg"
    return found


def _testimonies(way: Way, verdict: Verdict | None, meters: Meters) -> list[Testimony]:
    """Of both witnesses, and joint where all that the answer rests on agree."""
    says: dict[str, FloatArray] = {
        BY_LADDER.get(way.part, LADDER): way.by_ladder,
        way.witness: way.by_witness,
    }
    if verdict is not None and verdict.agree:
        says[JOINT] = verdict.moved(way.by_ladder)
    told = {witness: estimate(draws, meters) for witness, draws in says.items()}
    return [
        Testimony(
            part=way.part,
            witness=witness,
            cylinder=way.cylinder,
            frequency=way.frequency,
            mean_pressure=way.mean_pressure,
            power=power,
            phase=way.phase if witness == way.witness else None,
        )
        for witness, power in told.items()
        if power is not None
    ]
