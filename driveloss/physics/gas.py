"""Ideal-gas properties of the fills that such machines use."""

from driveloss.physics.arrays import FloatArray, Values, as_floats

MOLAR_GAS_CONSTANT = 8.314462618  # [J/(mol K)] fixed by the SI of 2019 (SI Brochure, 9th ed.)

# [kg/mol] IUPAC standard atomic weights (abridged); dry air: U.S. Standard Atmosphere, 1976.
MOLAR_MASS = {
    "air": 28.9644e-3,
    "argon": 39.95e-3,
    "carbon dioxide": 44.009e-3,
    "helium": 4.0026e-3,
    "hydrogen": 2.016e-3,
    "neon": 20.180e-3,
    "nitrogen": 28.014e-3,
    "oxygen": 31.998e-3,
}

# [1] at 20 degC and one atmosphere, of usual tables of ideal gases (seen in a web copy); nitrogen, oxygen from memory.
HEAT_CAPACITY_RATIO = {
    "air": 1.40,
    "argon": 1.667,
    "carbon dioxide": 1.289,
    "helium": 1.667,
    "hydrogen": 1.405,
    "neon": 1.667,
    "nitrogen": 1.40,
    "oxygen": 1.40,
}

# [W/(m K)] at 20 degC and one atmosphere, as handbooks of gas properties give it (from memory).
THERMAL_CONDUCTIVITY = {
    "air": 0.0257,
    "argon": 0.0175,
    "carbon dioxide": 0.0163,
    "helium": 0.153,
    "hydrogen": 0.183,
    "neon": 0.0487,
    "nitrogen": 0.0255,
}

GAS_CONSTANT = {gas: MOLAR_GAS_CONSTANT / mass for gas, mass in MOLAR_MASS.items()}  # [J/(kg K)]


def gas_density(gas: str, pressure: Values, temperature: Values) -> FloatArray:
    """Density of a gas [kg/m^3].

    rho = p/(R T), ideal gas. Trusted within 1 % below 10 bar at room temperature, carbon dioxide below 2 bar
    (second virial coefficients, from memory). Raises ValueError for a gas that is not in GAS_CONSTANT.
    gas: one of the names in GAS_CONSTANT [text]. pressure: absolute [Pa]. temperature: of the gas [K].
    Source: U.S. Standard Atmosphere, 1976 (as the `fluids` library works it out), for air; Sonntag, Borgnakke & Van
    Wylen, Fundamentals of Thermodynamics, 5th ed., table of gas properties (seen), for all.

    >>> round(float(gas_density("air", 101325.0, 288.15)), 4)
    1.225
    """
    if gas not in GAS_CONSTANT:
        raise ValueError(f"gas must be one of {', '.join(GAS_CONSTANT)}; got {gas!r}")
    return pressure / (GAS_CONSTANT[gas] * as_floats(temperature))


def thermal_diffusivity(gas: str, pressure: Values, temperature: Values) -> FloatArray:
    """How fast a temperature spreads in a gas [m^2/s].

    a = k/(rho c_p) = k T (g - 1)/(g p), ideal gas with the conductivity k of 20 degC, which no pressure changes.
    Trusted within 5 % near room temperature. Raises KeyError for a gas that is not in THERMAL_CONDUCTIVITY.
    gas: one of the names in THERMAL_CONDUCTIVITY [text]. pressure: absolute [Pa]. temperature: of the gas [K].
    Source: Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, definition and table A.4: 2.25e-5 m^2/s for
    air at 300 K (from memory).

    >>> round(float(thermal_diffusivity("air", 101325.0, 300.0)) * 1e5, 2)
    2.17
    """
    kappa = HEAT_CAPACITY_RATIO[gas]
    return THERMAL_CONDUCTIVITY[gas] * as_floats(temperature) * (kappa - 1) / (kappa * as_floats(pressure))
