"""Runs whose reading the others of their sweep contradict: how far that leaves them open."""

from __future__ import annotations

from driveloss.bench.records import FloatArray
from driveloss.fit.calibration import Calibration
from driveloss.fit.meters import stream
from driveloss.fit.readings import Readings
from driveloss.fit.suspects import LADDER_DOF, loaded_course


def doubt(calibration: Calibration, readings: Readings) -> FloatArray:
    """What the input of each run deviates by in each draw, (n, 1 + draws): zero for runs beyond suspicion. [W]

    A suspect is as it was read in one half of the draws and a slip in the other: then it is where the others put it.
    """
    course, shape = loaded_course(calibration, readings), (len(readings), calibration.draws + 1)
    rng = stream(calibration.seed, "suspect runs")
    is_slip = rng.random(shape) < 0.5
    is_slip[:, 0] = False
    return is_slip * (course.spread[:, None] * rng.standard_t(LADDER_DOF, shape) - course.off[:, None])


def flagged_suspects(
    calibration: Calibration, readings: Readings, flags: tuple[tuple[str, ...], ...]
) -> tuple[tuple[str, ...], ...]:
    """The flags of the runs, those of suspects with one more."""
    suspects = set(loaded_course(calibration, readings).suspects.tolist())
    return tuple((*own, "suspect-reading") if i in suspects else own for i, own in enumerate(flags))
