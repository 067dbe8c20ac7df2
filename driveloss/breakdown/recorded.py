"""Net power by recordings of pressure through the cycle: what the indicator diagram says, with its own errors."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray, Recording
from driveloss.breakdown.ways import Way
from driveloss.fit.calibration import Calibration
from driveloss.fit.indicated import indicated, runs_at
from driveloss.fit.readings import Readings

ALIKE = 15.0  # [deg] within which the phase in other runs of a cylinder is taken to lie about the recorded one
PHASES = (5.0, 175.0)  # [deg] beyond them the gas takes next to no work


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

    @property
    def amplitude(self) -> float:
        """Of the pressure's fundamental. [Pa]"""
        return float(np.hypot(*self.turns.mean(axis=0)[0]))

    def way(self, net: FloatArray) -> Way:
        """Its net power beside what the ladder says of the same runs on average, net (1 + draws,). [W]"""
        return Way(
            witness=f"recording {self.recording.file}",
            part="pneumatic",
            cylinder=self.recording.cylinder,
            frequency=self.frequency,
            mean_pressure=self.mean_pressure,
            by_ladder=net,
            by_witness=self.power,
            phase=float(self.phase[0]),
        )


def recorded_work(
    calibration: Calibration, readings: Readings, recordings: Iterable[Recording]
) -> tuple[Recorded, ...]:
    """The work that each recording tells. Raises InputError for one that belongs to no loaded run."""
    return tuple(_recorded(calibration, readings, one) for one in recordings if one.stage == "loaded")


def with_waves(
    calibration: Calibration, readings: Readings, recorded: Iterable[Recorded]
) -> tuple[Calibration, Readings]:
    """Both with what recordings tell of the pressure's wave.

    The amplitude of the runs that they were made at, where not read; the phase, nearly, in others of their cylinders.
    """
    amplitude, phases, meters = readings.pressure_amplitude.copy(), {}, calibration.meters
    about = meters.phase - (meters.phase.max() + meters.phase.min()) / 2
    spread = ALIKE * about / (np.abs(about).max() or 1.0)  # as far as the assumption it replaces lies in each draw
    spread[0] = 0.0
    for one in recorded:
        unread = one.runs[np.isnan(amplitude[one.runs])]
        amplitude[unread] = one.amplitude
        told = np.degrees(np.abs(one.phase))
        phases[one.recording.cylinder] = np.clip(told + spread, *PHASES)
    meters = replace(meters, phases=phases)
    return replace(calibration, meters=meters), replace(readings, pressure_amplitude=amplitude)


def _recorded(calibration: Calibration, readings: Readings, recording: Recording) -> Recorded:
    found = indicated(calibration, recording)
    runs = runs_at(readings, recording, found.frequency)
    return Recorded(
        recording=recording,
        runs=runs,
        frequency=float(readings.frequency[runs].mean()),
        mean_pressure=float(readings.mean_pressure[runs].mean()),
        work=found.work,
        phase=found.phase,
        turns=found.turns,
        volume=found.volume,
    )
