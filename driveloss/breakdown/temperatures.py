"""The ends of a run: the ceiling that their temperatures allow, and what the aftercooler's heat does to them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.settled import Ends
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
    ends: Ends,
) -> dict[str, FloatArray]:
    """Cooling (or heating) ceiling [W], hot end that follows [K], thermal resistance by measured hot ends [K/W].

    pneumatic, heat: (n, 1 + draws) [W]. Rows that lack a temperature are nan.
    """
    meters = calibration.meters
    cold, hot = ends.cold_end + meters.cold_end_zero, ends.hot_end + meters.hot_end_zero
    read = np.isfinite(readings.coolant)
    coolant = meters.temperature("coolant", np.where(read, readings.coolant, calibration.rig.ambient_temperature.value))
    follows = aftercooler.hot_end_temperature(coolant, meters.thermal_resistance, heat)
    measured = np.isfinite(readings.hot_end)[:, None]
    known = np.isfinite(meters.thermal_resistance)
    warm = np.where(measured, hot, np.where(known, follows, coolant))
    ceiling = CEILINGS.get(calibration.rig.cycle)
    lift = warm > cold  # without it no ceiling means anything, the pulse tube's included
    limit = {} if ceiling is None else {"cooling_ceiling": np.where(lift, ceiling(pneumatic, cold, warm), np.nan)}
    return limit | {
        "hot_end": follows,
        "thermal_resistance": aftercooler.thermal_resistance(hot, coolant, heat),
        "below_ambient": meters.ambient_temperature - cold,
        "hot_to_cold": warm - cold,
    }
