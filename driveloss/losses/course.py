"""No-load losses at one place over any number of frequencies.

Few frequencies have draws of their own. For many the draws are taken at nodes, evenly in ln f, and what they come to is
read between four of those by a cubic (Lagrange). For a loss that grows as f^n that errs by 3/128 (n STEP)^4 of the
loss, 1e-9 for n = 3. The ends of an interval are kinked wherever one draw overtakes another: there it errs by less
than some hundredth of the half-width, and another seed would change more. No cubic reaches across the edge of what was
measured.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.calibration import Calibration
from driveloss.losses.no_load import in_blocks, summarised

STEP = 0.005  # of ln f, from node to node
LEAST_NODES = 4  # of a cubic


@dataclass(frozen=True)
class Place:
    """What is asked: the drive alone, or a cylinder at a mean pressure. [Pa]"""

    cylinder: str | None = None
    mean_pressure: float | None = None


@dataclass(frozen=True)
class Course:
    """Value, standard uncertainty and ends of the interval of each part over `ln` of frequency, evenly: (k, 4)."""

    ln: FloatArray  # (k,)
    parts: dict[str, FloatArray]

    def at(self, frequency: FloatArray) -> dict[str, FloatArray]:
        """At frequency (m,), by part (m, 4)."""
        steps = (np.log(frequency) - self.ln[0]) / (self.ln[1] - self.ln[0])
        first = np.clip(steps.astype(np.int64) - 1, 0, len(self.ln) - LEAST_NODES)
        weights = _cubic(steps - first)
        return {
            name: np.asarray(sum(weight[:, None] * nodes[first + i] for i, weight in enumerate(weights)))
            for name, nodes in self.parts.items()
        }


def _cubic(t: FloatArray) -> tuple[FloatArray, ...]:
    """Lagrange's weights of nodes at 0, 1, 2 and 3, for t (m,)."""
    a, b, c = t - 1, t - 2, t - 3
    return -a * b * c / 6, t * b * c / 2, -t * a * c / 2, t * a * b / 6


@dataclass(frozen=True)
class Courses:
    """Losses at a place between two frequencies [Hz], in as many courses as there are edges of what was measured."""

    edges: FloatArray  # (courses + 1,) [Hz]
    each: tuple[Course, ...]

    def at(self, frequency: FloatArray) -> dict[str, FloatArray]:
        """At frequency (m,) between the outermost edges, by part (m, 4)."""
        which = np.searchsorted(self.edges[1:-1], frequency)
        found = {name: np.empty((len(frequency), 4)) for name in self.each[0].parts}
        for number in np.unique(which):
            mine = which == number
            for name, numbers in self.each[number].at(frequency[mine]).items():
                found[name][mine] = numbers
        return found


def courses(calibration: Calibration, low: float, high: float, place: Place) -> Courses:
    """Losses at a place from `low` to `high`. [Hz]"""
    high = max(high, low * np.exp(STEP))
    edges = np.array([low, *(edge for edge in _kinks(calibration, place) if low < edge < high), high])
    return Courses(edges, tuple(_course(calibration, *ends, place) for ends in pairwise(edges.tolist())))


def _kinks(calibration: Calibration, place: Place) -> Iterator[float]:
    """Where intervals begin to widen, ascending. [Hz]"""
    spans = [calibration.drive_range, calibration.motor_range, calibration.ranges.get(place.cylinder or "")]
    yield from sorted({end for span in spans if span for end in (span.low, span.high)})


def _course(calibration: Calibration, low: float, high: float, place: Place) -> Course:
    count = max(int(np.ceil(np.log(high / low) / STEP)) + 1, LEAST_NODES)
    nodes = np.geomspace(low, high, count)
    return Course(np.log(nodes), summarised(in_blocks(calibration, nodes), place.cylinder, place.mean_pressure))
