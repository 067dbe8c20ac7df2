"""The ends of loaded runs at the temperature where they settle, as far as readings in time tell; which had not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.meters import stream
from driveloss.fit.readings import Readings
from driveloss.physics.settling import three_readings

READ = 0.1  # [K] standard uncertainty of one reading beside errors common to all: common practice
STEADY = 0.05 / 60  # [K/s] slower is not told from the room's own changes: common practice
SAME_SETTING = 0.01  # readings whose frequency differs by no more belong to one setting
EQUAL = 0.05  # of a step of time by which two may differ
ENDS = ("cold_end", "hot_end")


@dataclass(frozen=True)
class Ends:
    """Each end (n, 1 + draws) [K] without the errors common to all readings, and where one had not settled (n,)."""

    cold_end: FloatArray
    hot_end: FloatArray
    unsettled: NDArray[np.bool_]


def settled_ends(calibration: Calibration, readings: Readings, number: int = 0) -> Ends:
    """Ends of loaded runs: by three readings at equal steps of a setting where there are, else as read.

    number: of the block of readings. Raises InputError for steps of time that differ.
    """
    size, rng = calibration.draws + 1, stream(calibration.seed, "settling", number)
    found = {name: np.tile(getattr(readings, name)[:, None], size) for name in ENDS}
    unsettled = np.zeros(len(readings), dtype=bool)
    for name in ENDS:
        drift = getattr(readings, f"{name}_drift")
        unsettled |= np.isfinite(getattr(readings, name)) & (np.nan_to_num(drift) > STEADY)
    for places in _settings(readings):
        _check(readings, places)
        for name, ends in found.items():
            told = _carried_on(readings, places, name, size, rng)
            if told is not None:
                ends[places] = told
            elif np.isfinite(getattr(readings, name)[places]).any():
                unsettled[places] = True
    return Ends(found["cold_end"], found["hot_end"], unsettled)


def same_setting(readings: Readings) -> NDArray[np.bool_]:
    """Whether each reading's setting goes on with the next one, (n,)."""
    found = np.zeros(len(readings), dtype=bool)
    for places in _settings(readings):
        found[places[0] : places[-1]] = True
    return found


def _settings(readings: Readings) -> Iterator[NDArray[np.int64]]:
    """Places of the readings of one setting at several times, setting by setting."""
    timed = np.flatnonzero(np.isfinite(readings.settling_time))
    if len(timed) == 0:
        return
    frequency, time = readings.frequency[timed], readings.settling_time[timed]
    steps = np.abs(np.diff(frequency)) > SAME_SETTING * frequency[:-1]
    begins = steps | (readings.file[timed][1:] != readings.file[timed][:-1]) | (np.diff(time) < 0)
    yield from np.split(timed, np.flatnonzero(begins) + 1)


def _check(readings: Readings, places: NDArray[np.int64]) -> None:
    """Three readings need equal steps of time."""
    time = readings.settling_time[places]
    steps = np.diff(time[-3:])
    if np.any(steps <= 0) or (len(steps) == 2 and abs(steps[1] / steps[0] - 1) > EQUAL):
        read = ", ".join(f"{t / 60:.4g}" for t in time)
        raise InputError(
            f"{readings.where(int(places[-1]))}, column 'settling time': read {read} min at one setting, expected "
            "equal steps of time, as 5, 10, 15 min"
        )


def _carried_on(
    readings: Readings, places: NDArray[np.int64], name: str, size: int, rng: np.random.Generator
) -> FloatArray | None:
    """Where an end settles by its last three readings, (1 + draws,) [K]; None where they do not tell."""
    read = getattr(readings, name)[places][-3:]
    if len(read) < 3 or not np.isfinite(read).all():
        return None
    each = read[:, None] + READ * rng.standard_normal((3, size))
    each[:, 0] = read
    if abs(read[2] - read[1]) <= 2 * READ:  # no more than two readings scatter: it stands
        return np.asarray(each[2])
    told = three_readings(*each)
    if not np.isfinite(told[0]):
        return None
    missing = np.isfinite(told)
    return np.where(missing, told, np.resize(told[missing], size))
