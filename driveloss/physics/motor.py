"""The motor's electrical side: winding resistance, copper loss, current, power handed to the shaft."""

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, as_floats

# Copper's resistance extrapolates linearly to zero at -235 degC (IEC 60034-1); here in kelvin.
COPPER_ZERO_TEMPERATURE = 273.15 - 235  # [K]


def winding_resistance(resistance: Values, reference_temperature: Values, temperature: Values) -> FloatArray:
    """Resistance of a copper winding at temperature [ohm].

    R = R_ref (235 + t)/(235 + t_ref), t in degC, here with kelvin. Trusted for copper from -50 to 180 degC.
    resistance: measured at the reference temperature [ohm].
    reference_temperature: of the winding when it was measured [K]. temperature: of the winding now [K].
    Source: IEC 60034-1, Rotating electrical machines: Rating and performance, temperature rise by the resistance
    method (from memory).

    >>> round(float(winding_resistance(0.42, 293.15, 353.15)), 4)
    0.5188
    """
    now, then = temperature - COPPER_ZERO_TEMPERATURE, reference_temperature - COPPER_ZERO_TEMPERATURE
    return as_floats(resistance) * now / then


def copper_loss(current: Values, resistance: Values, form_factor: Values) -> FloatArray:
    """Heat made in the winding [W].

    P = R (k_F I)^2, Joule's law with the rms current k_F I.
    current: mean motor current [A]. resistance: of the winding at its temperature [ohm].
    form_factor: rms over mean of the current, 1 for smooth direct current [1].
    Source: Theraja & Theraja, A Textbook of Electrical Technology, Ex. 31.4 (seen), for direct current; form factor
    after IEC 60050, the International Electrotechnical Vocabulary (from memory).

    >>> round(float(copper_loss(3.0, 0.42, 1.1)), 4)
    4.5738
    """
    return resistance * (as_floats(form_factor) * current) ** 2


def motor_current(
    net_power: Values,
    resistance: Values,
    torque_constant: Values,
    motor_speed: Values,
    form_factor: Values,
    brush_drop: Values = 0.0,
) -> FloatArray:
    """Mean motor current that accounts for the net power [A].

    The root of k_F^2 R I^2 + U_b I + K_t omega_m I = P (Joule's law, the brushes, the back-emf's power) that has the
    sign of P, written 2P/(b + sqrt(b^2 + 4 a P)) with a = k_F^2 R and b = U_b + K_t omega_m, which stays exact where
    R I is small beside the back-emf. A small negative power (meter noise about zero) gives a small negative current;
    below -b^2/(4a) no current fits and the answer is nan, as it is for power without either resistance or speed to
    take it. At standstill without brushes I = sqrt(P/a). Trusted where motor current is smooth within a turn.
    net_power: input power less standby power [W]. resistance: of the winding at its temperature [ohm].
    torque_constant: torque per ampere, equal to the back-emf per rad/s [N m/A].
    motor_speed: of the motor shaft, not negative [rad/s].
    form_factor: rms over mean of the current, 1 for smooth direct current [1]. brush_drop: of both brushes [V].
    Sources: of the balance Theraja & Theraja, A Textbook of Electrical Technology, Ex. 31.4 (seen); of the form of
    its root Press et al., Numerical Recipes, 3rd ed. (2007), sec. 5.6 (from memory).

    >>> round(float(motor_current(19200.0, 0.5, 2.35, 160.0, 1.0)), 6)
    48.0
    """
    square_term = as_floats(form_factor) ** 2 * resistance
    linear_term = as_floats(torque_constant) * motor_speed + brush_drop
    discriminant = linear_term**2 + 4 * square_term * net_power
    divisor = linear_term + np.sqrt(np.where(discriminant >= 0, discriminant, np.nan))
    nothing = (divisor == 0) & (np.asarray(net_power) == 0)
    return as_floats(np.where(nothing, 0.0, 2 * net_power / np.where(divisor == 0, np.nan, divisor)))


def air_gap_power(net_power: Values, copper_loss: Values) -> FloatArray:
    """Power that crosses the air gap to the rotor [W].

    P_em = P_net - P_copper, energy balance of the winding: iron, brush, bearing and fan losses are still inside.
    net_power: input power less standby power [W]. copper_loss: heat made in the winding [W].
    Source: Theraja & Theraja, A Textbook of Electrical Technology, Ex. 31.4 (seen).

    >>> float(air_gap_power(19200.0, 1152.0))
    18048.0
    """
    return as_floats(net_power) - copper_loss


def incremental_shaft_power(net_power: Values, incremental_efficiency: Values) -> FloatArray:
    """Input power expressed at the shaft, for differences at one speed [W].

    P_shaft = eta_i P_net, eta_i the slope of output against input at constant speed (a Willans line). Its offset is
    left out, so only differences between loads at the same speed mean anything.
    net_power: input power less standby power [W].
    incremental_efficiency: slope of shaft output against electrical input [1].
    Source: Heywood, Internal Combustion Engine Fundamentals (1988), ch. 13, Willans line (from memory).

    >>> float(incremental_shaft_power(50.0, 0.8))
    40.0
    """
    return as_floats(incremental_efficiency) * net_power


def motor_speed(frequency: Values, ratio: Values) -> FloatArray:
    """Angular speed of the motor shaft [rad/s].

    omega_m = 2 pi ratio f, without belt slip.
    frequency: of the crank [Hz]. ratio: motor revolutions per crank revolution [1].
    Source: ISO 80000-3:2019, angular frequency (from memory).

    >>> round(float(motor_speed(10.0, 3.0)), 3)
    188.496
    """
    return 2 * np.pi * as_floats(ratio) * frequency
