"""Gas pumped through an open port: what a no-load sweep pays for breathing."""

import numpy as np

from driveloss.physics.crank import mean_cubed_speed, peak_piston_speed


def orifice_mass_flow(pressure_drop, port_diameter, discharge_coefficient, density):
    """Mass flow through a small round hole [kg/s], in the direction of the pressure drop.

    m = C_d A_p sqrt(2 rho dp), incompressible and without velocity of approach (ISO 5167-1 with expansibility
    and approach factors set to one). Trusted for drops below a tenth of the absolute pressure and holes below
    half the bore, where each neglect is below 4 %. Any shapes that broadcast; a negative drop gives a
    negative flow.
    pressure_drop: across the hole [Pa].
    port_diameter: of the hole [m].
    discharge_coefficient: of the hole, about 0.6 for a sharp edge [1].
    density: of the gas [kg/m^3].

    >>> round(float(orifice_mass_flow(402.2, 0.075, 0.6, 1.2256)), 5)
    0.08323
    """
    flow_area = discharge_coefficient * _disc_area(port_diameter)
    return np.sign(pressure_drop) * flow_area * np.sqrt(2 * density * np.abs(pressure_drop))


def port_power(frequency, bore, stroke, rod_ratio, port_diameter, discharge_coefficient, density):
    """Cycle-mean power spent on pumping gas through the open port [W].

    mean(1/2 rho (A |v|/(C_d A_p))^2 A |v|): the incompressible orifice law both ways, with the piston's whole
    volume flow through the hole; grows with frequency cubed. Trusted where `peak_port_drop` stays below a
    tenth of the ambient pressure. Any shapes that broadcast. Raises ValueError unless 0 <= rod_ratio < 1.
    frequency: of the crank [Hz].
    bore: diameter of the cylinder [m].
    stroke: of the piston [m].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    port_diameter: of the breathing hole [m].
    discharge_coefficient: of the hole, about 0.6 for a sharp edge [1].
    density: of the gas that breathes [kg/m^3].

    >>> round(float(port_power(10.0, 0.030, 0.036, 0.25, 0.008, 0.62, 1.2)), 4)
    0.1392
    """
    resistance = _drop_per_square_speed(bore, port_diameter, discharge_coefficient, density)
    return resistance * _disc_area(bore) * mean_cubed_speed(frequency, stroke, rod_ratio)


def peak_port_drop(frequency, bore, stroke, rod_ratio, port_diameter, discharge_coefficient, density):
    """Largest pressure drop across the open port during the cycle [Pa].

    1/2 rho (A v_peak/(C_d A_p))^2, the incompressible orifice law at the peak piston speed. Shows whether
    `port_power` can be trusted: below a tenth of the ambient pressure. Any shapes that broadcast. Raises
    ValueError unless 0 <= rod_ratio < 1.
    frequency: of the crank [Hz].
    bore: diameter of the cylinder [m].
    stroke: of the piston [m].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    port_diameter: of the breathing hole [m].
    discharge_coefficient: of the hole, about 0.6 for a sharp edge [1].
    density: of the gas that breathes [kg/m^3].

    >>> round(float(peak_port_drop(10.0, 0.030, 0.036, 0.25, 0.008, 0.62, 1.2)), 1)
    419.6
    """
    resistance = _drop_per_square_speed(bore, port_diameter, discharge_coefficient, density)
    return resistance * peak_piston_speed(frequency, stroke, rod_ratio) ** 2


def _drop_per_square_speed(bore, port_diameter, discharge_coefficient, density):
    """Pressure drop over squared piston speed [Pa s^2/m^2]."""
    return density / 2 * (_disc_area(bore) / (discharge_coefficient * _disc_area(port_diameter))) ** 2


def _disc_area(diameter):
    return np.pi * diameter**2 / 4
