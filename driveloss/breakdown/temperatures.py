"""The ends of a run: the ceiling that their temperatures allow, and what the aftercooler's heat does to them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.calibration import Calibration
from driveloss.fit.readings import Readings
from driveloss.physics import aftercooler, ceilings

CEILINGS: dict[str, Callable[[FloatArray, FloatArray, FloatArray], FloatArray]] = {
    "pulse-tube": ceilings.pulse_tube_cooling,
    "stirling": ceilings.carnot_cooling,
    "heat-pump": ceilings.carnot_heating,
}


def ceilings_and_ends(
    calibration: Calibration,
    readings: Readings,
    pneumatic: FloatArray,
    heat: FloatArray,
    rng: np.random.Generator,
) -> dict[str, FloatArray | None]:
    """Cooling (or heating) ceiling [W], hot end that follows [K], thermal resistance by measured hot ends [K/W].

    pneumatic, heat: (n, 1 + draws) [W]. Rows that lack a temperature are nan.
    """
    cold, coolant, hot = (_drawn(calibration, column, rng) for column in _columns(calibration, readings))
    follows = aftercooler.hot_end_temperature(coolant, calibration.inputs.thermal_resistance, heat)
    measured = np.isfinite(readings.hot_end)[:, None]
    known = np.isfinite(calibration.inputs.thermal_resistance)
    warm = np.where(measured, hot, np.where(known, follows, coolant))
    ceiling = CEILINGS.get(calibration.rig.cycle)
    lift = warm > cold  # without it no ceiling means anything, the pulse tube's included
    return {
        "cooling_ceiling": None if ceiling is None else np.where(lift, ceiling(pneumatic, cold, warm), np.nan),
        "hot_end": follows,
        "thermal_resistance": aftercooler.thermal_resistance(hot, coolant, heat),
        "below_ambient": calibration.inputs.ambient_temperature - cold,
        "hot_to_cold": warm - cold,
    }


def _columns(calibration: Calibration, readings: Readings) -> tuple[FloatArray, FloatArray, FloatArray]:
    ambient = calibration.rig.ambient_temperature.value
    return (
        readings.cold_end,
        np.where(np.isfinite(readings.coolant), readings.coolant, ambient),
        readings.hot_end,
    )


def _drawn(calibration: Calibration, temperature: FloatArray, rng: np.random.Generator) -> FloatArray:
    """One thermometer's readings (n,) with its error, common to all of them: (n, 1 + draws). [K]"""
    limits = calibration.rig.meter.temperature
    off = np.ptp(calibration.inputs.temperature_shift) == 0
    error = (2 * rng.random(calibration.draws + 1) - 1) * (0.0 if off else limits.zero)
    error[0] = 0.0
    return temperature[:, None] + error
