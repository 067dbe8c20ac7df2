"""Every way to the same net power, with its interval, whether the ways agree, and what would reconcile them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown
from driveloss.breakdown.joint import reconcilers
from driveloss.errors import InputError
from driveloss.fit.estimate import COVERAGE, Estimate, estimate
from driveloss.say.answer import Answer
from driveloss.say.quantities import Named


@dataclass(frozen=True, kw_only=True)
class Testimony(Named):
    """One witness of the net power of the runs at one point."""

    witness: str  # 'subtraction', 'recording FILE', 'joint'
    cylinder: str
    frequency: float  # [Hz]
    mean_pressure: float  # [Pa]
    pneumatic: Estimate
    phase: float | None = None  # [rad] of the recorded pressure before top dead centre

    def __repr__(self) -> str:
        return f"Testimony({self.witness!r}, {self.frequency:g} Hz: {self.pneumatic.value:.3g} W)"


@dataclass(frozen=True, repr=False)
class Witnesses(Answer):
    """What each witness says; whether they agree, and by how much what they rest on would have to be wrong."""

    testimonies: tuple[Testimony, ...]
    agree: bool
    chance: float  # of so large a disagreement, were all within their limits
    reconcilers: tuple[tuple[str, float], ...]  # source of error, times its limit; the least first
    coverage: float = COVERAGE
    told_by: ClassVar[str] = "driveloss.witnesses.tell:witnesses"

    def __repr__(self) -> str:
        return f"Witnesses({len(self.testimonies)} testimonies, {'agree' if self.agree else 'disagree'})"


def witnesses(answer: Breakdown) -> Witnesses:
    """Lay the subtraction, each recording and their joint answer side by side.

    Raises InputError where the breakdown had no recordings.
    """
    if not answer.recorded or answer.verdict is None or answer.by_subtraction is None:
        raise InputError(
            "bench.toml: expected at least one table [[recordings]], a second way to the net power, read none"
        )
    rows = tuple(row for number in range(len(answer.recorded)) for row in _testimonies(answer, number))
    verdict = answer.verdict
    blame = () if verdict.agree else tuple(reconcilers(verdict, answer.calibration.meters))
    return Witnesses(rows, verdict.agree, verdict.chance, blame)


def _testimonies(answer: Breakdown, number: int) -> list[Testimony]:
    """At the runs of one recording."""
    one, readings, meters = answer.recorded[number], answer.readings, answer.calibration.meters
    frequency = float(readings.frequency[one.runs].mean())
    says: dict[str, FloatArray] = {
        "subtraction": _mean(answer.by_subtraction, one.runs),
        f"recording {one.recording.file}": one.work * frequency,
    }
    if answer.verdict is not None and answer.verdict.agree:
        says["joint"] = _mean(answer.draws["pneumatic"], one.runs)
    found = []
    for witness, draws in says.items():
        told = estimate(draws, meters)
        if told is not None:
            found.append(
                Testimony(
                    witness=witness,
                    cylinder=one.recording.cylinder,
                    frequency=frequency,
                    mean_pressure=float(readings.mean_pressure[one.runs].mean()),
                    pneumatic=told,
                    phase=float(one.phase[0]) if witness.startswith("recording") else None,
                )
            )
    return found


def _mean(draws: FloatArray | None, runs: np.ndarray) -> FloatArray:
    return np.zeros(0) if draws is None else np.asarray(draws[runs].mean(axis=0))
