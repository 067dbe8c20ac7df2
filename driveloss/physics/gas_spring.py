"""A gas spring: gas closed in behind a moving piston, which gives back all of its work but heat's and a leak's share.

The gas is taken as a plane layer between walls that keep their temperature, heat as conducted; swings are small against
the mean pressure. What the linear solution says of a swing of 30 % is good to a few per cent.
"""

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, as_floats

ANGLES = (np.arange(12) + 0.5) * np.pi / 12  # [rad] of half a turn: the other half is its mirror image
PASSES = 8  # from a swing to its volume, each some three times closer
LEAST_CLEARANCE = 1.05  # of half the swept volume: a piston leaves some room at its top


def half_gap(volume: Values, area: Values, bore: Values) -> FloatArray:
    """Half-width of the plane layer that has as much wall for its gas as a cylinder [m].

    s = V/(2 A + 4 V/B): the volume over its walls, piston, head and barrel.
    volume: of the gas, mean over the cycle [m^3]. area: of the piston [m^2]. bore: of the cylinder [m].
    Source: hydraulic diameter 4 V/A_wall, as Kornhauser & Smith, J. Energy Resources Technology 115 (1993) 70, take it
    (from memory); between planes it is 4 s.

    >>> round(float(half_gap(5e-5, 1.2566e-3, 0.04)) * 1e3, 3)
    6.655
    """
    return as_floats(volume) / (2 * as_floats(area) + 4 * as_floats(volume) / bore)


def _filled(gap: Values, diffusivity: Values, frequency: Values) -> FloatArray:
    """tanh(z)/z with z = (1 + i) s sqrt(omega/(2 a)), complex [1]: one where heat fills the gap, 0 where it cannot."""
    z = (1 + 1j) * as_floats(gap) * np.sqrt(np.pi * as_floats(frequency) / diffusivity)
    return np.asarray(np.tanh(z) / z)


def exponent(gap: Values, diffusivity: Values, frequency: Values, heat_capacity_ratio: Values) -> FloatArray:
    """Complex polytropic exponent of a gas spring [1].

    -(dp/p)/(dV/V) = 1/(1 - (g - 1)/g (1 - tanh(z)/z)): g without heat exchange, one where all is exchanged; its
    imaginary part, not negative, is the work lost.
    gap: half-width of the layer of gas [m]. diffusivity: of heat in the gas [m^2/s]. frequency: of the crank [Hz].
    heat_capacity_ratio: of the gas [1].
    Source: Lee, A Simplistic Model of Cyclic Heat Transfer Phenomena in Closed Spaces, IECEC (1983); Kornhauser &
    Smith, J. Energy Resources Technology 115 (1993) 70 (from memory). With t the swing of temperature over the layer,
    i omega t = a t'' + i omega T (g - 1)/g dp/p, zero at both walls.

    >>> complex(exponent(6.7e-3, 2.1e-5, 10.0, 1.4).round(4))
    (1.3659+0.0325j)
    """
    share = 1 - 1 / as_floats(heat_capacity_ratio)
    return np.asarray(1 / (1 - share * (1 - _filled(gap, diffusivity, frequency))))


def closed_swing(mean_pressure: Values, volume: Values, swept: Values, power: Values) -> FloatArray:
    """Half of the peak to peak of the pressure behind a piston that moves as a sine on a closed volume [Pa].

    p V^n = constant between the dead centres, over the mean of V^-n: |n| p0 (V_s/2)/V_0 while that is small.
    mean_pressure: absolute [Pa]. volume: of the gas, mean over the cycle [m^3]. swept: by the piston [m^3].
    power: the polytropic exponent n [1].
    Source: polytropic change of state, any textbook of thermodynamics (from memory).

    >>> round(float(closed_swing(1e5, 7e-5, 4e-5, 1.4)))
    41811
    """
    half = as_floats(swept) / (2 * as_floats(volume))
    mean = sum((1 + half * np.cos(angle)) ** -as_floats(power) for angle in ANGLES) / len(ANGLES)
    ends = (1 - half) ** -as_floats(power) - (1 + half) ** -as_floats(power)
    return np.asarray(as_floats(mean_pressure) * ends / (2 * mean))


def closed_volume(mean_pressure: Values, amplitude: Values, swept: Values, power: Values) -> FloatArray:
    """Mean volume of the gas behind a piston whose pressure swings by an amplitude [m^3].

    The inverse of `closed_swing`, from its limit for small swings in a few steps.
    mean_pressure: absolute [Pa]. amplitude: of the pressure, half of peak to peak [Pa]. swept: by the piston [m^3].
    power: the polytropic exponent n [1].
    Source: as that of `closed_swing` (from memory).

    >>> round(float(closed_volume(1e5, 41811.0, 4e-5, 1.4)) * 1e6, 2)
    70.0
    """
    least = LEAST_CLEARANCE * as_floats(swept) / 2
    volume = np.maximum(power * as_floats(mean_pressure) * swept / (2 * as_floats(amplitude)), least)
    for _ in range(PASSES):
        volume = np.maximum(volume * closed_swing(mean_pressure, volume, swept, power) / amplitude, least)
    return np.asarray(volume)


def hysteresis_power(
    amplitude: Values,
    mean_pressure: Values,
    volume: Values,
    gap: Values,
    diffusivity: Values,
    frequency: Values,
    heat_capacity_ratio: Values,
) -> FloatArray:
    """Power that a gas spring loses as heat goes to the walls and comes back too late [W].

    f pi V_0 p_a^2/p_0 (g - 1)/g |Im(tanh(z)/z)|, z = (1 + i) s sqrt(omega/(2 a)).
    amplitude: of the pressure, half of peak to peak [Pa]. mean_pressure: absolute [Pa].
    volume: of the gas, mean over the cycle [m^3]. gap: half-width of the layer of gas [m].
    diffusivity: of heat in the gas [m^2/s]. frequency: of the crank [Hz]. heat_capacity_ratio: of the gas [1].
    Source: Lee (1983) and Kornhauser & Smith (1993), as `exponent` (from memory); minus the closed integral of p dV.

    >>> round(float(hysteresis_power(4e4, 1e5, 7e-5, 6.7e-3, 2.1e-5, 10.0, 1.4)), 4)
    0.6134
    """
    lost = np.abs(_filled(gap, diffusivity, frequency).imag) * (1 - 1 / as_floats(heat_capacity_ratio))
    return as_floats(frequency) * np.pi * volume * as_floats(amplitude) ** 2 / mean_pressure * lost


def leak_power(amplitude: Values, mean_pressure: Values, volume: Values, rate: Values) -> FloatArray:
    """Power that a small leak out of a gas spring and back takes [W].

    V_0 r p_a^2/(2 p_0): half the product of the pressure and the volume flow in phase with it, r V_0 dp/p_0.
    amplitude: of the pressure, half of peak to peak [Pa]. mean_pressure: absolute [Pa].
    volume: of the gas, mean over the cycle [m^3].
    rate: at which a pressure over that outside dies away in the closed volume, one over its time constant [1/s].
    Source: a first-order leak, Doebelin, Measurement Systems, ch. 3 (from memory).

    >>> round(float(leak_power(4e4, 1e5, 7e-5, 0.5)), 3)
    0.28
    """
    return as_floats(rate) * volume * as_floats(amplitude) ** 2 / (2 * as_floats(mean_pressure))
