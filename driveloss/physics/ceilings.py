"""What the net pneumatic power could give at the very best."""

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, ratio_or_nan


def efficiency_ceiling(pneumatic_power: Values, input_power: Values) -> FloatArray:
    """Share of the input power that reaches the gas, which no efficiency of the machine can exceed [1].

    eta = P_pv/P_in, energy balance as in an engine's mechanical efficiency, turned round. nan where the input power
    is not positive.
    pneumatic_power: net p-V power given to the gas [W]. input_power: read on the supply [W].
    Source: Gupta, Fundamentals of Internal Combustion Engines, Ex. 16.5 (seen).

    >>> round(float(efficiency_ceiling(12.0, 48.0)), 4)
    0.25
    """
    return ratio_or_nan(pneumatic_power, input_power)


def carnot_cooling(pneumatic_power: Values, cold: Values, hot: Values) -> FloatArray:
    """Largest cooling power that any cycle can make of the pneumatic power [W].

    P_pv T_c/(T_h - T_c), the second law. nan where the hot end is not hotter than the cold end.
    pneumatic_power: net p-V power given to the gas [W]. cold: temperature of the cold end [K].
    hot: temperature of the hot end [K].
    Source: Moran & Shapiro, Fundamentals of Engineering Thermodynamics, ch. 5, refrigeration cycles (from memory).

    >>> round(float(carnot_cooling(12.0, 240.0, 300.0)), 4)
    48.0
    """
    return pneumatic_power * ratio_or_nan(cold, hot - cold)


def pulse_tube_cooling(pneumatic_power: Values, cold: Values, hot: Values) -> FloatArray:
    """Largest cooling power of an orifice pulse tube, which throws its expansion work away [W].

    P_pv T_c/T_h.
    pneumatic_power: net p-V power given to the gas [W]. cold: temperature of the cold end [K].
    hot: temperature of the hot end [K].
    Source: de Waele, J. Low Temp. Phys. 164 (2011) 179 (expression from memory).

    >>> round(float(pulse_tube_cooling(12.0, 240.0, 300.0)), 4)
    9.6
    """
    return pneumatic_power * ratio_or_nan(cold, hot)


def carnot_heating(pneumatic_power: Values, cold: Values, hot: Values) -> FloatArray:
    """Largest heating power that any heat pump can make of the pneumatic power [W].

    P_pv T_h/(T_h - T_c), the second law: Carnot cooling plus the work. nan where the hot end is not hotter than the
    cold end.
    pneumatic_power: net p-V power given to the gas [W]. cold: temperature of the cold end [K].
    hot: temperature of the hot end [K].
    Source: Moran & Shapiro, Fundamentals of Engineering Thermodynamics, ch. 5, heat pump cycles (from memory).

    >>> round(float(carnot_heating(12.0, 240.0, 300.0)), 4)
    60.0
    """
    return pneumatic_power * ratio_or_nan(hot, hot - cold)


def cycle_work_ratio(
    pneumatic_power: Values, frequency: Values, mean_pressure: Values, bore: Values, stroke: Values
) -> FloatArray:
    """Work per cycle over mean pressure times swept volume [1].

    P_pv/(f p A S), A = pi B^2/4: the indicated mean effective pressure over the mean pressure. nan at standstill.
    pneumatic_power: net p-V power given to the gas [W]. frequency: of the crank, one cycle a revolution [Hz].
    mean_pressure: absolute mean pressure of the cycle [Pa]. bore: diameter of the cylinder [m].
    stroke: of the piston [m].
    Source: Onkar Singh, Engineering Thermodynamics, Ex. 10.2 (seen).

    >>> round(float(cycle_work_ratio(12.0, 10.0, 300e3, 0.030, 0.036)), 4)
    0.1572
    """
    return ratio_or_nan(pneumatic_power, frequency * mean_pressure * np.pi * bore**2 / 4 * stroke)
