"""Heat that the aftercooler must reject, and how hot that makes its gas end."""

from driveloss.physics.arrays import FloatArray, Values, as_floats, ratio_or_nan


def aftercooler_heat(pneumatic_power: Values, seal_power: Values, seal_heat_share: Values) -> FloatArray:
    """Heat that ends in the aftercooler [W].

    Q = P_pv + alpha P_seal, energy balance of the warm end: all compression work, and the part of the seal's heat
    that enters the gas.
    pneumatic_power: net p-V power given to the gas [W]. seal_power: friction power of the piston seal [W].
    seal_heat_share: alpha, from 0 to 1, the safe side for sizing [1].
    Source: de Waele, J. Low Temp. Phys. 164 (2011) 179: first law of a cooler's warm end (from memory); the seal's
    share is our own.

    >>> float(aftercooler_heat(12.0, 4.0, 0.5))
    14.0
    """
    return pneumatic_power + as_floats(seal_heat_share) * seal_power


def hot_end_temperature(coolant: Values, thermal_resistance: Values, heat: Values) -> FloatArray:
    """Temperature of the hot end [K].

    T_h = T_coolant + R_th Q, steady conduction and convection with a constant resistance.
    coolant: temperature of the coolant [K]. thermal_resistance: from the hot end to the coolant [K/W].
    heat: rejected in the aftercooler [W].
    Source: Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, sec. 3.1.2 (from memory).

    >>> float(hot_end_temperature(294.0, 0.25, 14.0))
    297.5
    """
    return coolant + as_floats(thermal_resistance) * heat


def thermal_resistance(hot_end: Values, coolant: Values, heat: Values) -> FloatArray:
    """Thermal resistance between hot end and coolant [K/W].

    R_th = (T_h - T_coolant)/Q, the definition. nan where no heat flows to the coolant.
    hot_end: temperature of the hot end [K]. coolant: temperature of the coolant [K].
    heat: rejected in the aftercooler [W].
    Source: Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, sec. 3.1.2 (from memory).

    >>> round(float(thermal_resistance(297.5, 294.0, 14.0)), 4)
    0.25
    """
    return ratio_or_nan(hot_end - coolant, heat)
