"""Friction of the piston seal: power for each part of the Stribeck form, and the ways of stating it."""

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, as_floats, ratio_or_nan
from driveloss.physics.crank import crank_pin_speed, half_turn_speeds, mean_piston_speed, mean_square_speed
from driveloss.physics.cylinder import swept_volume

AT_A_TIME = 1000  # results, for each of which the quadrature holds 200 values


def coulomb_power(force: Values, frequency: Values, stroke: Values) -> FloatArray:
    """Power of a friction force that does not change with speed [W].

    P = F mean|v| = 2 S f F, Coulomb's law of dry friction. Exact for any rod.
    force: friction force of the whole seal [N]. frequency: of the crank [Hz]. stroke: of the piston [m].
    Source: Armstrong-Helouvry, Dupont & Canudas de Wit, Automatica 30 (1994) 1083 (from memory).

    >>> round(float(coulomb_power(5.0, 10.0, 0.036)), 4)
    3.6
    """
    return force * mean_piston_speed(frequency, stroke)


def viscous_power(drag: Values, frequency: Values, stroke: Values, rod_ratio: Values) -> FloatArray:
    """Power of a friction force proportional to the piston speed [W].

    P = c mean(v^2), a Newtonian film in shear. Trusted at constant film temperature and thickness. Raises
    ValueError unless 0 <= rod_ratio < 1.
    drag: force over speed [N s/m]. frequency: of the crank [Hz]. stroke: of the piston [m].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    Source: Hamrock, Fundamentals of Fluid Film Lubrication (from memory).

    >>> round(float(viscous_power(2.0, 10.0, 0.036, 0.25)), 4)
    1.2997
    """
    return drag * mean_square_speed(frequency, stroke, rod_ratio)


def stribeck_power(
    excess_force: Values, stribeck_speed: Values, frequency: Values, stroke: Values, rod_ratio: Values
) -> FloatArray:
    """Power of the extra friction near standstill, which dies out as a film builds up [W].

    P = (F_S - F_C) mean(|v| exp(-(v/v_s)^2)), the falling branch of the Stribeck curve in its Gaussian form. The
    quadrature is good to 1e-6 for stribeck_speed above 0.007 of the peak piston speed.
    Raises ValueError unless 0 <= rod_ratio < 1.
    excess_force: static less Coulomb friction force, F_S - F_C [N].
    stribeck_speed: speed where the excess has fallen to 1/e, above zero [m/s]. frequency: of the crank [Hz].
    stroke: of the piston [m]. rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    Source: Armstrong-Helouvry, Dupont & Canudas de Wit, Automatica 30 (1994) 1083 (from memory).

    >>> round(float(stribeck_power(3.0, 0.2, 10.0, 0.036, 0.25)), 5)
    0.0363
    """
    pin_speed = crank_pin_speed(frequency, stroke)
    speeds, weights = half_turn_speeds(rod_ratio)
    ratio = np.asarray(pin_speed / stribeck_speed, dtype=float)

    def mean(ratio: FloatArray) -> FloatArray:
        return np.asarray((speeds * np.exp(-((ratio[..., np.newaxis] * speeds) ** 2))) @ weights)

    if ratio.size <= AT_A_TIME or speeds.ndim > 1:
        return as_floats(excess_force * pin_speed * mean(ratio))
    parts = np.array_split(ratio.ravel(), -(-ratio.size // AT_A_TIME))
    return as_floats(excess_force * pin_speed * np.concatenate(list(map(mean, parts))).reshape(ratio.shape))


def pressure_power(
    force_per_pascal: Values, pressure_difference: Values, frequency: Values, stroke: Values
) -> FloatArray:
    """Power of the friction that gas pressure adds by pressing the lip on the bore [W].

    P = 2 S f F_p max(dp, 0), friction proportional to the pressure difference, as measured on pneumatic piston
    seals from 1 to 7 bar. A negative difference lifts the lip no further than its own preload and counts as zero.
    force_per_pascal: friction force per pressure difference [N/Pa].
    pressure_difference: mean cylinder pressure less the pressure behind the seal [Pa].
    frequency: of the crank [Hz]. stroke: of the piston [m].
    Source: Zillen, Delft University of Technology, 2021, open data (seen).

    >>> round(float(pressure_power(7e-6, 100e3, 10.0, 0.036)), 4)
    0.504
    """
    return coulomb_power(force_per_pascal * np.maximum(pressure_difference, 0.0), frequency, stroke)


def mean_friction_force(power: Values, frequency: Values, stroke: Values) -> FloatArray:
    """Constant force that would take the same friction power [N].

    F = P/(2 S f), power over mean piston speed. nan at standstill.
    power: friction power of the seal [W]. frequency: of the crank [Hz]. stroke: of the piston [m].
    Source: Khurmi & Gupta, Theory of Machines, ch. 15: mean piston speed (from memory).

    >>> round(float(mean_friction_force(3.6, 10.0, 0.036)), 4)
    5.0
    """
    return ratio_or_nan(power, mean_piston_speed(frequency, stroke))


def friction_per_lip_length(force: Values, bore: Values) -> FloatArray:
    """Friction force for each metre of seal lip [N/m].

    F/(pi B): compares seals of different bores.
    force: mean friction force [N]. bore: diameter of the cylinder [m].
    Source: Our own definition; seal makers' handbooks use it for O-rings (from memory).

    >>> round(float(friction_per_lip_length(5.0, 0.030)), 3)
    53.052
    """
    return force / (np.pi * as_floats(bore))


def friction_mean_effective_pressure(power: Values, frequency: Values, bore: Values, stroke: Values) -> FloatArray:
    """Power as work per cycle over swept volume: the mean effective pressure, one cycle a revolution [Pa].

    P/(A S f), A = pi B^2/4, the engine trade's definition. nan at standstill.
    power: friction power (or indicated power, for the indicated mean effective pressure) [W].
    frequency: of the crank [Hz]. bore: diameter of the cylinder [m]. stroke: of the piston [m].
    Source: Gupta, Fundamentals of Internal Combustion Engines, Ex. 16.5 (seen).

    >>> round(float(friction_mean_effective_pressure(3.6, 10.0, 0.030, 0.036)), 1)
    14147.1
    """
    return ratio_or_nan(power, swept_volume(bore, stroke) * frequency)
