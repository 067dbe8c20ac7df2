"""Gas properties against published tables and the `fluids` library."""

import fluids
import pytest

from driveloss.physics import gas

# Density [kg/m^3] at 25 degC and 100 kPa: Sonntag, Borgnakke & Van Wylen, Fundamentals of Thermodynamics, 5th
# edition, property table for gases (seen in a web copy, "Density of gases").
SONNTAG_DENSITY = {
    "air": 1.169,
    "argon": 1.613,
    "carbon dioxide": 1.775,
    "helium": 0.1615,
    "hydrogen": 0.0813,
    "neon": 0.814,
    "nitrogen": 1.13,
    "oxygen": 1.292,
}

# c_p = a + b T + c T^2 + d T^3 [J/(mol K)]: Moran & Shapiro, Fundamentals of Engineering Thermodynamics (seen
# in the documentation of the pythermophy package, table "Ideal gas c_p(T) polynomials").
MORAN_HEAT_CAPACITY = {
    "air": (28.11, 0.1967e-2, 0.4802e-5, -1.966e-9),
    "carbon dioxide": (22.26, 5.981e-2, -3.501e-5, 7.469e-9),
    "hydrogen": (29.11, -0.1916e-2, 0.4003e-5, -0.8704e-9),
    "nitrogen": (28.9, -0.1571e-2, 0.8081e-5, -2.873e-9),
    "oxygen": (25.48, 1.520e-2, -0.7155e-5, 1.312e-9),
}


@pytest.mark.parametrize("name", gas.GAS_CONSTANT)
def test_density_against_a_textbook_table(name):
    assert gas.gas_density(name, 100e3, 298.15) == pytest.approx(SONNTAG_DENSITY[name], rel=1e-3)


@pytest.mark.parametrize("height", [0.0, 2000.0, 10000.0])
def test_air_density_against_the_standard_atmosphere(height):
    """U.S. Standard Atmosphere 1976, as `fluids` computes it."""
    air = fluids.ATMOSPHERE_1976(height)
    assert gas.gas_density("air", air.P, air.T) == pytest.approx(air.rho, rel=5e-5)


@pytest.mark.parametrize(("name", "coefficients"), MORAN_HEAT_CAPACITY.items())
def test_heat_capacity_ratio_against_tabulated_heat_capacities(name, coefficients):
    """k = c_p/(c_p - R), Mayer's relation, at 300 K."""
    capacity = sum(a * 300.0**power for power, a in enumerate(coefficients))
    ratio = capacity / (capacity - fluids.constants.R)
    assert gas.HEAT_CAPACITY_RATIO[name] == pytest.approx(ratio, abs=2e-3)


@pytest.mark.parametrize("name", ["argon", "helium", "neon"])
def test_monatomic_gases_follow_kinetic_theory(name):
    """Three degrees of freedom: k = (3 + 2)/3."""
    assert gas.HEAT_CAPACITY_RATIO[name] == pytest.approx(5 / 3)


def test_both_tables_know_the_same_gases():
    assert gas.HEAT_CAPACITY_RATIO.keys() == gas.GAS_CONSTANT.keys()


def test_unknown_gas_is_named_beside_the_known_ones():
    with pytest.raises(ValueError, match=r"one of air, argon, .*oxygen; got 'steam'"):
        gas.gas_density("steam", 1e5, 300.0)


def test_cengel_compression_against_fluids():
    """Cengel & Cimbala, Fluid Mechanics, Ex. 12-1, also the example of the `fluids` function: 519.5 K."""
    ours = gas.isentropic_compression_temperature(286.8, 54050.0, 432400.0, 1.4)
    assert ours == pytest.approx(fluids.isentropic_T_rise_compression(286.8, 54050, 432400, 1.4), rel=1e-12)
    assert ours == pytest.approx(519.5, abs=0.05)


def test_nag_intercooler():
    """Nag, Engineering Thermodynamics, Ex. 18.3: 1 to 9 bar in two stages, n 1.3: 87.0 kJ/kg rejected."""
    between = gas.isentropic_compression_temperature(300.0, 1e5, 3e5, 1.3)
    assert 1.005 * (between - 300.0) == pytest.approx(87.0, abs=0.1)
