"""The work of the measured cycles at any frequency and pressure: as measured where it was, straight between.

Arrays of draws have the best estimate in their first column, as everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown
from driveloss.errors import InputError
from driveloss.fit.calibration import EDGE
from driveloss.fit.cycle import pressure_wave
from driveloss.fit.readings import SAME_PRESSURE, Readings, by_rung
from driveloss.physics.cylinder import swept_volume
from driveloss.predict.scaling import Disagreement, blend

PRESSURE_SPREAD = 0.15  # assumed, no published source: of the cycle work ratio for each doubling of the mean pressure
SAME_SETTING = 0.01  # frequencies closer than this fraction are one setting
LINE_READINGS, LINE_SPAN = 3, 0.05  # fewer readings, or a narrower relative span, show no trend


@dataclass(frozen=True)
class WorkLevel:
    """The cycles of one cylinder at one mean pressure."""

    pressure: float  # [Pa]
    frequency: FloatArray  # (n,) [Hz]
    ratio: FloatArray  # (n, 1 + draws) cycle work ratio
    phase: FloatArray  # (n, 1 + draws) by which the pressure peaks before top dead centre [rad]
    phase_is_read: bool  # by the amplitude of every run, not assumed

    def ratio_at(self, frequency: float, doubt: FloatArray) -> FloatArray:
        """The cycle work ratio at a frequency [Hz], (1 + draws,).

        Outside the runs their trend goes on and is doubted: anything from none of it to twice as much. doubt: draws
        between -1 and 1, zero in the first column.
        """
        beyond = frequency - np.clip(frequency, self.frequency.min(), self.frequency.max())
        return np.asarray(self._between(frequency, self.ratio) + (1 + doubt) * self._trend() * beyond)

    def phase_at(self, frequency: float) -> FloatArray:
        """The phase at a frequency [Hz], the nearest run's outside them, (1 + draws,). [rad]"""
        return self._between(frequency, self.phase)

    def _between(self, frequency: float, values: FloatArray) -> FloatArray:
        """Straight between the means of the settings."""
        settings = _settings(self.frequency)
        at = np.array([self.frequency[mine].mean() for mine in settings])
        means = np.array([values[mine].mean(axis=0) for mine in settings])
        return _straight(means, float(np.interp(frequency, at, np.arange(len(at)))))

    def _trend(self) -> FloatArray:
        """Slope of the straight line through the runs. [1/Hz]"""
        middle = self.frequency.mean()
        if len(self.frequency) < LINE_READINGS or np.ptp(self.frequency) < LINE_SPAN * middle:
            return np.zeros(self.ratio.shape[1])
        arm = self.frequency - middle
        return np.asarray(arm @ self.ratio / (arm @ arm))


def _settings(frequency: FloatArray) -> list[NDArray[np.int64]]:
    """Places of the runs at each setting, in ascending order."""
    settings: list[list[int]] = []
    for i in np.argsort(frequency, kind="stable").tolist():
        if settings and frequency[i] <= frequency[settings[-1][0]] * (1 + SAME_SETTING):
            settings[-1].append(i)
        else:
            settings.append([i])
    return [np.array(mine) for mine in settings]


def _straight(rows: FloatArray, place: float) -> FloatArray:
    """Between rows (k, 1 + draws), at a place from 0 to k - 1."""
    lower = min(int(place), max(len(rows) - 2, 0))
    upper = min(lower + 1, len(rows) - 1)
    return np.asarray(rows[lower] + (place - lower) * (rows[upper] - rows[lower]))


Levels = list[WorkLevel]  # of one cylinder, in ascending order of pressure


def work_levels(answer: Breakdown) -> dict[str, Levels]:
    """Loaded runs sorted by cylinder and mean pressure."""
    known = np.isfinite(answer.readings.mean_pressure)
    readings, ratios = answer.readings.only(known), answer.draws["cycle_work_ratio"][known]
    phases = _phases(answer, readings, answer.draws["pneumatic"][known])
    levels: dict[str, Levels] = {}
    for rung, mine in by_rung(readings):
        pressure = float(readings.mean_pressure[mine].mean())
        is_read = bool(np.isfinite(readings.pressure_amplitude[mine]).all())
        level = WorkLevel(pressure, readings.frequency[mine], ratios[mine], phases[mine], is_read)
        levels.setdefault(str(rung.cylinder), []).append(level)
    if not levels:
        raise InputError("loaded sweeps: no mean pressure is known, expected mean_pressure to tell the cycle's work")
    return levels


def _phases(answer: Breakdown, readings: Readings, net: FloatArray) -> FloatArray:
    """Of each run, (n, 1 + draws): as the breakdown had it. [rad]"""
    meters = answer.calibration.meters
    names = readings.cylinder.tolist()
    cylinders, assumed = [meters.cylinders[name] for name in names], np.array([meters.phase_of(n) for n in names])
    volume = np.array([swept_volume(cylinder.bore, cylinder.stroke) for cylinder in cylinders])
    read = readings.pressure_amplitude[:, None] * meters.pressure_gain
    return pressure_wave(net / readings.frequency[:, None], volume, assumed, read)[1]


def ratio_at(levels: Levels, frequency: float, pressure: float, doubt: FloatArray) -> FloatArray:
    """A cylinder's cycle work ratio, (1 + draws,): linear in log pressure between levels, the nearest outside. [1]"""
    return _straight(np.array([level.ratio_at(frequency, doubt) for level in levels]), _place(levels, pressure))


def phase_at(levels: Levels, frequency: float, pressure: float) -> FloatArray:
    """The phase of its pressure in the same manner, (1 + draws,). [rad]"""
    return _straight(np.array([level.phase_at(frequency) for level in levels]), _place(levels, pressure))


def _place(levels: Levels, pressure: float) -> float:
    logs = np.log([level.pressure for level in levels])
    return float(np.interp(np.log(pressure), logs, np.arange(len(levels))))


def octaves_outside(levels: Levels, pressure: float) -> float:
    """How many doublings a pressure [Pa] lies outside the runs' (within 3 % counts as inside). [1]"""
    low, high = levels[0].pressure * (1 - SAME_PRESSURE), levels[-1].pressure * (1 + SAME_PRESSURE)
    return float(abs(np.log2(pressure / np.clip(pressure, low, high))))


def frequency_is_outside(levels: Levels, frequency: float) -> bool:
    """Whether a frequency [Hz] lies outside the loaded runs at some pressure."""
    lows, highs = ([float(end(level.frequency)) for level in levels] for end in (np.min, np.max))
    return not max(lows) * (1 - EDGE) <= frequency <= min(highs) * (1 + EDGE)


def pressure_disagreement(levels: dict[str, Levels], frequency: float) -> Disagreement:
    """Relative change of the cycle work ratio for each doubling of pressure, as far as cylinders show it."""
    slopes = [_relative_slope(own, frequency) for own in levels.values() if len(own) > 1]
    observed = float(np.sqrt(np.mean(np.square(slopes)))) if slopes else None
    return blend(len(slopes), slopes, observed, PRESSURE_SPREAD)


def _relative_slope(own: Levels, frequency: float) -> float:
    low, high = (float(level.ratio_at(frequency, np.zeros(1))[0]) for level in (own[0], own[-1]))
    return (high - low) / max(abs(high + low) / 2, 1e-300) / float(np.log2(own[-1].pressure / own[0].pressure))
