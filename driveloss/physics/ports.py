"""Gas pumped through an open port: what a no-load sweep pays for breathing."""

from driveloss.physics.arrays import FloatArray, Values
from driveloss.physics.crank import mean_cubed_speed, peak_piston_speed
from driveloss.physics.cylinder import disc_area


def port_power(
    frequency: Values,
    bore: Values,
    stroke: Values,
    rod_ratio: Values,
    port_diameter: Values,
    discharge_coefficient: Values,
    density: Values,
) -> FloatArray:
    """Cycle-mean power spent on pumping gas through the open port [W].

    mean(1/2 rho (A |v|/(C_d A_p))^2 A |v|): the incompressible orifice law both ways, with expansibility and
    approach factors set to one and the piston's whole volume flow through the hole; grows with frequency cubed.
    Trusted where `peak_port_drop` stays below 3 % of the ambient pressure and the hole below half the bore: there each
    neglect is below 4 %. Beyond, `breathing.breathing_power`. Raises ValueError unless 0 <= rod_ratio < 1.
    frequency: of the crank [Hz]. bore: diameter of the cylinder [m]. stroke: of the piston [m].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1]. port_diameter: of the breathing hole [m].
    discharge_coefficient: of the hole, about 0.6 for a sharp edge [1]. density: of the gas that breathes [kg/m^3].
    Source: ISO 5167-1:2003, clause 5.1, eq. (1) (from memory); Mathur & Sharma, Internal Combustion Engine, Ex.
    18.1 (seen).

    >>> round(float(port_power(10.0, 0.030, 0.036, 0.25, 0.008, 0.62, 1.2)), 4)
    0.1392
    """
    resistance = _drop_per_square_speed(bore, port_diameter, discharge_coefficient, density)
    return resistance * disc_area(bore) * mean_cubed_speed(frequency, stroke, rod_ratio)


def peak_port_drop(
    frequency: Values,
    bore: Values,
    stroke: Values,
    rod_ratio: Values,
    port_diameter: Values,
    discharge_coefficient: Values,
    density: Values,
) -> FloatArray:
    """Largest pressure drop across the open port during the cycle [Pa].

    1/2 rho (A v_peak/(C_d A_p))^2, the incompressible orifice law at the peak piston speed. Shows whether
    `port_power` can be trusted: below 3 % of the ambient pressure. Raises ValueError unless 0 <= rod_ratio < 1.
    frequency: of the crank [Hz]. bore: diameter of the cylinder [m]. stroke: of the piston [m].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1]. port_diameter: of the breathing hole [m].
    discharge_coefficient: of the hole, about 0.6 for a sharp edge [1]. density: of the gas that breathes [kg/m^3].
    Source: ISO 5167-1:2003, clause 5.1, eq. (1) (from memory).

    >>> round(float(peak_port_drop(10.0, 0.030, 0.036, 0.25, 0.008, 0.62, 1.2)), 1)
    419.6
    """
    resistance = _drop_per_square_speed(bore, port_diameter, discharge_coefficient, density)
    return resistance * peak_piston_speed(frequency, stroke, rod_ratio) ** 2


def _drop_per_square_speed(
    bore: Values, port_diameter: Values, discharge_coefficient: Values, density: Values
) -> FloatArray:
    """Pressure drop over squared piston speed [Pa s^2/m^2]."""
    return density / 2 * (disc_area(bore) / (discharge_coefficient * disc_area(port_diameter))) ** 2
