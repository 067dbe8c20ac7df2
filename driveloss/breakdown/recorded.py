"""Net power by recordings of pressure through the cycle: what the indicator diagram says, with its own errors."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.recordings import Turn, turns
from driveloss.bench.records import FloatArray, Recording
from driveloss.breakdown.ways import Way
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
class Recorded:
    """One recording: the runs that it was made at, its work a cycle [J] and its phase [rad], (1 + draws,) each.

    turns, volume: best estimates of the harmonics of each turn's pressure, (turns, count, 2) [Pa], and of the volume,
    (count, 2) [m^3].
    """

    recording: Recording
    runs: NDArray[np.int64]  # places among the loaded readings
    frequency: float  # [Hz] of those
    mean_pressure: float  # [Pa]
    work: FloatArray
    phase: FloatArray  # by which the pressure peaks before top dead centre
    turns: FloatArray
    volume: FloatArray

    @property
    def power(self) -> FloatArray:
        """What the gas takes up, (1 + draws,). [W]"""
        return self.work * self.frequency

    def way(self, net: FloatArray) -> Way:
        """Its net power beside what the ladder says of the same runs, net (n, 1 + draws). [W]"""
        return Way(
            witness=f"recording {self.recording.file}",
            part="pneumatic",
            cylinder=self.recording.cylinder,
            frequency=self.frequency,
            mean_pressure=self.mean_pressure,
            by_ladder=np.asarray(net[self.runs].mean(axis=0)),
            by_witness=self.power,
            phase=float(self.phase[0]),
        )


def recorded_work(
    calibration: Calibration, readings: Readings, recordings: Iterable[Recording]
) -> tuple[Recorded, ...]:
    """The work that each recording tells. Raises InputError for one that belongs to no loaded run."""
    return tuple(_recorded(calibration, readings, recording) for recording in recordings)


def _recorded(calibration: Calibration, readings: Readings, recording: Recording) -> Recorded:
    found = list(turns(recording))
    frequency = _frequency(recording, found)
    runs = _runs(readings, recording, frequency)
    meters = calibration.meters
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
    work = indicator.loop_work(pressure, volume)
    return Recorded(
        recording=recording,
        runs=runs,
        frequency=float(readings.frequency[runs].mean()),
        mean_pressure=float(readings.mean_pressure[runs].mean()),
        work=np.asarray(work * scatter),
        phase=indicator.phase_angle(pressure, volume),
        turns=indicator.late(indicator.unlagged(each, delay[0], frequency), late[0]),
        volume=volume[0],
    )


def _frequency(recording: Recording, found: list[Turn]) -> float:
    if recording.frequency is not None:
        return recording.frequency.value
    return float(1 / np.mean([1 / turn.frequency for turn in found]))


def _runs(readings: Readings, recording: Recording, frequency: float) -> NDArray[np.int64]:
    """Places of the loaded readings at which it was made."""
    mine = readings.cylinder == recording.cylinder
    near = np.abs(readings.frequency - frequency) <= SAME_RUN * frequency
    alike = np.abs(readings.mean_pressure - recording.mean_pressure) <= SAME_PRESSURE * recording.mean_pressure
    found = np.flatnonzero(mine & near & alike)
    if len(found) == 0:
        raise InputError(
            f"{recording.file}: recorded at {frequency:.4g} Hz and {recording.mean_pressure / 1e5:.4g} bar with "
            f"cylinder '{recording.cylinder}', expected a loaded reading within 2 % of that frequency at that pressure"
        )
    return found


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
