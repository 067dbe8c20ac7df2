"""A recording of pressure through the cycle: the work that it tells, with its own errors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.recordings import Turn, turns
from driveloss.bench.records import FloatArray, Recording
from driveloss.errors import InputError
from driveloss.fit.assumptions import DEAD_CENTRE, SENSOR_LAG
from driveloss.fit.calibration import Calibration
from driveloss.fit.laws import rod_ratio
from driveloss.fit.meters import stream
from driveloss.fit.readings import SAME_PRESSURE, Readings
from driveloss.physics import cylinder, indicator

SAME_RUN = 0.02  # a recording within this fraction of a run's frequency was made at it
MOST_HARMONICS = 10
BLOCK = 4  # turns in a block of the bootstrap, at most a third of them all


@dataclass(frozen=True)
class Indicated:
    """Its work a cycle [J] and phase [rad], (1 + draws,) each.

    turns, volume: best estimates of the harmonics of each turn's pressure, (turns, count, 2) [Pa], and of the volume,
    (count, 2) [m^3].
    """

    frequency: float  # [Hz]
    work: FloatArray
    phase: FloatArray  # by which the pressure peaks before top dead centre
    turns: FloatArray
    volume: FloatArray


def indicated(calibration: Calibration, recording: Recording) -> Indicated:
    """What a recording tells by itself."""
    found = list(turns(recording))
    frequency, meters = _frequency(recording, found), calibration.meters
    count = min(MOST_HARMONICS, (min(len(turn.angle) for turn in found) - 1) // 3)
    each = np.array([indicator.harmonics(turn.angle, turn.pressure, count) for turn in found])
    centre, lag = recording.dead_centre or DEAD_CENTRE, recording.sensor_lag or SENSOR_LAG
    late = -(centre.value + centre.limit * meters.dead_centre)
    delay = np.maximum(lag.value + lag.limit * meters.sensor_lag, 0.0)
    mean = np.broadcast_to(each.mean(axis=0), (meters.size, *each.shape[1:]))
    pressure = indicator.late(indicator.unlagged(mean, delay, frequency), late) * meters.pressure_gain[:, None, None]
    volume = _volume(calibration, recording, found, count)
    best = indicator.loop_work(each, volume[0])
    scatter = _block_means(best, stream(calibration.seed, f"recording {recording.file}"), meters.size)
    return Indicated(
        frequency=frequency,
        work=np.asarray(indicator.loop_work(pressure, volume) * scatter),
        phase=indicator.phase_angle(pressure, volume),
        turns=indicator.late(indicator.unlagged(each, delay[0], frequency), late[0]),
        volume=volume[0],
    )


def runs_at(readings: Readings, recording: Recording, frequency: float) -> NDArray[np.int64]:
    """Places of the readings at which a recording at a frequency [Hz] was made.

    Raises InputError where there is none.
    """
    mine = readings.cylinder == recording.cylinder
    near = np.abs(readings.frequency - frequency) <= SAME_RUN * frequency
    alike = np.abs(readings.mean_pressure - recording.mean_pressure) <= SAME_PRESSURE * recording.mean_pressure
    found = np.flatnonzero(mine & near & alike)
    if len(found) == 0:
        raise InputError(
            f"{recording.file}: recorded at {frequency:.4g} Hz and {recording.mean_pressure / 1e5:.4g} bar with "
            f"cylinder '{recording.cylinder}', expected a {recording.stage} reading within 2 % of that frequency "
            "at that pressure"
        )
    return found


def _frequency(recording: Recording, found: list[Turn]) -> float:
    if recording.frequency is not None:
        return recording.frequency.value
    return float(1 / np.mean([1 / turn.frequency for turn in found]))


def _volume(calibration: Calibration, recording: Recording, found: list[Turn], count: int) -> FloatArray:
    """Harmonics of the volume: as recorded, else by the crank; (1 + draws, count, 2). [m^3]"""
    geometry, size = calibration.meters.cylinders[recording.cylinder], calibration.draws + 1
    if recording.volume is not None:
        each = [indicator.harmonics(turn.angle, turn.volume, count) for turn in found if turn.volume is not None]
        return np.broadcast_to(np.mean(each, axis=0), (size, count, 2))
    rig = calibration.rig
    lean = rod_ratio(rig, rig.cylinders[recording.cylinder])  # its limits of error change the work by less than 1e-4
    unit = indicator.volume_harmonics(1.0, lean, count)
    return np.asarray((cylinder.disc_area(geometry.bore) * geometry.stroke)[:, None, None] * unit)


def _block_means(work: FloatArray, rng: np.random.Generator, size: int) -> FloatArray:
    """Means of the turns' work (n,) over resampled blocks of turns, over their mean: (size,), one in the first column.

    Neighbouring turns are alike, so s/sqrt(n) would lie; blocks keep their likeness (Kuensch, Ann. Stat. 17 (1989)
    1217; from memory).
    """
    n = len(work)
    length = max(min(BLOCK, n // 3), 1)
    starts = rng.integers(0, n - length + 1, (size, -(-n // length)))
    means = work[starts[..., None] + np.arange(length)].reshape(size, -1)[:, :n].mean(axis=1)
    factors = means / work.mean()
    factors[0] = 1.0
    return np.asarray(factors)
