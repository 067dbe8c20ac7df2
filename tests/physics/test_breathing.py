"""Gas squeezed behind a small port: its two limits, nozzle formulas of others, and an independent time-stepped turn."""

import fluids
import numpy as np
import pytest
from simulate import breathing as simulated
from simulate.turn import piston_velocities

from driveloss.physics import breathing, ports

ROOM = {"density": 101325.0 / (287.05 * 293.15), "pressure": 101325.0}
MACHINE = {"frequency": 10.0, "bore": 0.040, "stroke": 0.028, "rod_ratio": 0.2}
HOLE = {"port_diameter": 0.003, "discharge_coefficient": 0.62}
AIR = {"heat_capacity_ratio": 1.4, "dead_ratio": 0.5, "process": 1.0}
SMALL = MACHINE | HOLE | ROOM | AIR


def incompressible(**changes):
    return ports.port_power(**MACHINE | HOLE | {"density": ROOM["density"]} | changes)


def drop_over_pressure(**changes):
    return ports.peak_port_drop(**MACHINE | HOLE | {"density": ROOM["density"]} | changes) / ROOM["pressure"]


# The orifice


@pytest.mark.parametrize(("kappa", "ratio"), [(1.289, 0.6), (1.4, 0.55), (1.4, 0.9), (1.4, 0.999), (5 / 3, 0.7)])
def test_subsonic_flow_against_api_520(kappa, ratio):
    """API 520-1, coefficient F_2 of subcritical gas flow, by `fluids`: flow = F_2 sqrt(2 (1 - r))."""
    expected = fluids.API520_F2(kappa, 1e5, ratio * 1e5) * np.sqrt(2 * (1 - ratio))
    assert breathing.orifice_flow(ratio, kappa) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("kappa", [1.289, 1.4, 5 / 3])
def test_flow_chokes_at_the_critical_ratio(kappa):
    """IEC 60534's critical pressure, by `fluids`: flow stays the same below it and falls above."""
    critical = fluids.P_critical_flow(1.0, kappa)
    most = breathing.orifice_flow(critical, kappa)
    assert breathing.orifice_flow(np.array([0.01, 0.3, critical]), kappa) == pytest.approx(most, rel=1e-12)
    assert breathing.orifice_flow(critical * 1.05, kappa) < most


def test_choked_air_against_textbooks():
    """White, Fluid Mechanics, 8th ed., problem 3.27: 0.685 p A/sqrt(R T) (seen); 0.0404 p A/sqrt(T) (from memory)."""
    choked = breathing.orifice_flow(0.4, 1.4)
    assert choked == pytest.approx(0.685, abs=5e-4)
    assert choked / np.sqrt(287.05) == pytest.approx(0.0404, abs=5e-5)


def test_choked_flow_against_the_mass_flow_equation():
    """NASA Glenn, compressible mass flow at Mach 1 (seen): sqrt(k) M (1 + M^2 (k - 1)/2)^(-(k + 1)/(2 (k - 1)))."""
    kappa = 5 / 3
    expected = np.sqrt(kappa) * (1 + (kappa - 1) / 2) ** (-(kappa + 1) / (2 * (kappa - 1)))
    assert breathing.orifice_flow(0.1, kappa) == pytest.approx(expected, rel=1e-12)


# Its limits


def test_wide_port_is_the_incompressible_law_itself():
    assert drop_over_pressure(port_diameter=0.006) < breathing.SMALL_DROP
    assert breathing.breathing_power(**SMALL | {"port_diameter": 0.006}) == incompressible(port_diameter=0.006)


def test_squeezed_gas_tends_to_the_incompressible_law():
    """Where little gas stands behind the port and the drop is 3 %, the table itself lies within 1 %."""
    shares = breathing._share(np.full(2, 0.03), np.full(2, 0.4), np.array([0.0, 1.0]), breathing._table(0.2, 1.4))
    assert shares == pytest.approx(1.0, abs=0.01)


def test_no_step_where_the_table_sets_in():
    diameters = np.linspace(0.0045, 0.0065, 4001)
    power = breathing.breathing_power(**SMALL | {"port_diameter": diameters, "dead_ratio": 2.0, "process": 0.0})
    across = (drop_over_pressure(port_diameter=diameters) > breathing.SMALL_DROP).astype(float)
    assert 0 < across.mean() < 1
    assert np.abs(np.diff(np.log(power))).max() < 2e-3  # diameters to the fourth give 4 * 0.0005/5 of it


@pytest.mark.parametrize("process", [0.0, 0.5, 1.0])
def test_shut_port_costs_nothing(process):
    """A closed gas spring gives back what it takes, isothermal and adiabatic; a pinhole costs as its area."""
    power = breathing.breathing_power(**SMALL | {"port_diameter": np.array([1e-6, 2e-4, 4e-4]), "process": process})
    assert 0 < power[0] < 1e-5
    assert power[2] / power[1] == pytest.approx(4.0, rel=1e-9)


@pytest.mark.parametrize(("stiffness", "exponent"), [(1.0, 1.0), (1.4, 1.4)])
def test_shut_port_squeezes_by_boyle_or_poisson(stiffness, exponent):
    """p V^n stays: n = 1 or the ratio of heat capacities."""
    angle = 2 * np.pi * np.arange(breathing.STEPS)[:, None, None] / breathing.STEPS
    volume = 0.5 + breathing._travel(angle, 0.2)
    chamber = breathing._Chamber(volume, np.array([1e-5]), 1.4, stiffness)
    invariant = chamber.settled(np.sin(angle) / 2) + exponent * np.log(volume)
    assert np.ptp(invariant) < 1e-3


# A whole turn


def stepped(frequency, diameter, dead_ratio, kappa, is_isothermal, rod_ratio=MACHINE["rod_ratio"]):
    """Power by the simulator's time steps, which share no formula's code with the package. [W]"""
    area, stroke = np.pi / 4 * MACHINE["bore"] ** 2, MACHINE["stroke"]
    rod = stroke / 2 / rod_ratio if rod_ratio else None
    hole = HOLE["discharge_coefficient"] * np.pi / 4 * diameter**2
    chamber = simulated.Chamber(
        area, stroke, rod, hole, dead_ratio * area * stroke, 287.05, kappa, 293.15, is_isothermal
    )
    wave = simulated.breathing_pressure(chamber, np.array([frequency]), np.array([ROOM["pressure"]]))
    return np.mean(wave * piston_velocities(np.array([frequency]), stroke, rod)) * area


@pytest.mark.parametrize("is_isothermal", [True, False])
@pytest.mark.parametrize(
    ("frequency", "diameter", "dead_ratio", "kappa", "rod_ratio"),
    [
        (10.0, 0.0044, 0.5, 1.4, 0.2),
        (10.0, 0.003, 0.1, 1.4, 0.2),
        (10.0, 0.003, 0.5, 1.4, 0.0),
        (10.0, 0.003, 2.0, 1.4, 0.45),
        (6.0, 0.0025, 0.3, 5 / 3, 0.2),
        (14.0, 0.002, 1.0, 1.4, 0.2),
        (10.0, 0.0012, 0.4, 1.289, 0.2),
    ],
)
def test_against_a_turn_in_small_time_steps(frequency, diameter, dead_ratio, kappa, rod_ratio, is_isothermal):
    expected = stepped(frequency, diameter, dead_ratio, kappa, is_isothermal, rod_ratio)
    changes = {"frequency": frequency, "port_diameter": diameter, "dead_ratio": dead_ratio, "rod_ratio": rod_ratio}
    gas = {"heat_capacity_ratio": kappa, "process": 0.0 if is_isothermal else 1.0}
    assert breathing.breathing_power(**SMALL | changes | gas) == pytest.approx(expected, rel=0.005)


LIGHT, HEAVY = 5 / 3, 1.289  # helium, carbon dioxide
PLAIN = [(0.0, HEAVY), (0.3, LIGHT), (0.6, HEAVY), (0.9, LIGHT)]
OTHERS = [(rod_ratio, LIGHT if kappa == HEAVY else HEAVY) for rod_ratio, kappa in PLAIN]


@pytest.mark.parametrize(
    ("rod_ratio", "kappa"), [*PLAIN, *(pytest.param(*one, marks=pytest.mark.long) for one in OTHERS)]
)
def test_every_turn_settles(rod_ratio, kappa):
    """The table is the same at half the step."""
    for stiffness in (1.0, kappa):
        coarse = breathing._work_share(rod_ratio, kappa, stiffness)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(breathing, "STEPS", 2 * breathing.STEPS)
            assert coarse == pytest.approx(breathing._work_share(rod_ratio, kappa, stiffness), rel=4e-3)


def test_draws_of_hole_and_gas_broadcast_against_frequencies():
    samples = {
        "frequency": np.array([[2.0], [12.0]]),
        "port_diameter": np.array([0.003, 0.0031, np.nan]),
        "dead_ratio": np.array([0.5, 0.1, 2.0]),
        "process": np.array([0.5, 0.0, 1.0]),
    }
    table = breathing.breathing_power(**SMALL | samples)
    assert table.shape == (2, 3)
    assert np.isnan(table).tolist() == [[False, False, True]] * 2
    assert table[0, 0] == incompressible(frequency=2.0)
    assert table[1, 1] == pytest.approx(
        breathing.breathing_power(
            **SMALL | {"frequency": 12.0, "port_diameter": 0.0031, "dead_ratio": 0.1, "process": 0.0}
        )
    )


def test_pressure_outside_scales_the_power():
    """Dimensionless: twice the pressure and density, twice the power."""
    twice = {"pressure": 2 * ROOM["pressure"], "density": 2 * ROOM["density"]}
    assert breathing.breathing_power(**SMALL | twice) == pytest.approx(2 * breathing.breathing_power(**SMALL))
