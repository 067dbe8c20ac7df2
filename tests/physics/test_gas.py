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


@pytest.mark.parametrize("name", gas.GAS_CONSTANT)
def test_density_against_a_textbook_table(name):
    assert gas.gas_density(name, 100e3, 298.15) == pytest.approx(SONNTAG_DENSITY[name], rel=1e-3)


@pytest.mark.parametrize("height", [0.0, 2000.0, 10000.0])
def test_air_density_against_the_standard_atmosphere(height):
    """U.S. Standard Atmosphere 1976, as `fluids` computes it."""
    air = fluids.ATMOSPHERE_1976(height)
    assert gas.gas_density("air", air.P, air.T) == pytest.approx(air.rho, rel=5e-5)


# c_p [J/(kg K)] at 20 degC: a table of specific heats of gases (seen in a web copy); nitrogen and oxygen from memory.
HEAT_CAPACITY = {
    "air": 1005.0,
    "argon": 520.0,
    "carbon dioxide": 844.0,
    "helium": 5190.0,
    "hydrogen": 14320.0,
    "neon": 1030.0,
    "nitrogen": 1040.0,
    "oxygen": 919.0,
}


@pytest.mark.parametrize("name", gas.GAS_CONSTANT)
def test_heat_capacity_ratio_against_heat_capacities(name):
    """Mayer's relation: k = c_p/(c_p - R)."""
    capacity = HEAT_CAPACITY[name]
    assert gas.HEAT_CAPACITY_RATIO[name] == pytest.approx(capacity / (capacity - gas.GAS_CONSTANT[name]), rel=5e-3)


def test_unknown_gas_is_named_beside_the_known_ones():
    with pytest.raises(ValueError, match=r"one of air, argon, .*oxygen; got 'steam'"):
        gas.gas_density("steam", 1e5, 300.0)
