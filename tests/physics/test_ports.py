"""Open ports against the `fluids` library, a textbook orifice and adaptive quadrature."""

import math

import fluids
import numpy as np
import pytest
from scipy.integrate import quad

from driveloss.physics import gas, ports

BREATHING = {
    "frequency": 12.0,
    "bore": 0.030,
    "stroke": 0.036,
    "rod_ratio": 0.19,
    "port_diameter": 0.008,
    "discharge_coefficient": 0.62,
    "density": 1.2,
}


def drop_of(flow, port, density, bore=0.030):
    """Our drop at a mass flow: a scotch yoke whose peak speed moves it."""
    speed = flow / (density * math.pi / 4 * bore**2)
    yoke = {"frequency": speed / (math.pi * 0.036), "stroke": 0.036, "rod_ratio": 0.0}
    return ports.peak_port_drop(**BREATHING | yoke | {"bore": bore, "density": density} | port)


def test_mathur_sharma_air_orifice():
    """Mathur & Sharma, Internal Combustion Engine, Ex. 18.1: 7.5 cm, C_d 0.6, 4.1 cm water, 288 K, 1.013 bar."""
    drop = drop_of(
        0.083229, {"port_diameter": 0.075, "discharge_coefficient": 0.6}, gas.gas_density("air", 1.013e5, 288.0)
    )
    assert drop == pytest.approx(0.041 * 1000 * 9.81, rel=6e-4)


@pytest.mark.parametrize("drop", [50.0, 400.0, 5000.0])
def test_drop_against_fluids(drop):
    """`fluids.flow_meter_discharge` with a pipe so wide that the approach velocity vanishes (d/D = 0.02)."""
    flow = fluids.flow_meter_discharge(
        D=0.4, Do=0.008, P1=101325.0, P2=101325.0 - drop, rho=1.2, C=0.62, expansibility=1.0
    )
    assert drop_of(flow, {}, 1.2) == pytest.approx(drop, rel=1e-6)


def test_neglects_stay_within_what_the_docstring_promises():
    """Hole half the bore, drop a tenth of the pressure: approach and ISO 5167 expansibility from `fluids`."""
    drop, meter = 0.1 * 101325.0, {"D": 0.030, "Do": 0.015, "P1": 101325.0, "P2": 0.9 * 101325.0}
    flow = fluids.flow_meter_discharge(**meter, rho=1.2, C=0.62, expansibility=1.0)
    assert math.sqrt(drop_of(flow, {"port_diameter": 0.015}, 1.2) / drop) == pytest.approx(1, abs=0.04)
    assert fluids.flow_meter.orifice_expansibility(**meter, k=1.4) == pytest.approx(1, abs=0.04)


def piston_speed(angle):
    """Speed through the rod's angle: omega r sin(th + phi)/cos(phi), sin(phi) = lambda sin(th)."""
    rod_angle = math.asin(BREATHING["rod_ratio"] * math.sin(angle))
    pin_speed = math.pi * BREATHING["frequency"] * BREATHING["stroke"]
    return pin_speed * math.sin(angle + rod_angle) / math.cos(rod_angle)


def drop_at(angle):
    """The drop that drives the piston's volume flow through the port, solved by `fluids`."""
    flow = math.pi * BREATHING["bore"] ** 2 / 4 * piston_speed(angle)
    velocity = flow / (BREATHING["discharge_coefficient"] * math.pi * BREATHING["port_diameter"] ** 2 / 4)
    return fluids.dP_from_K(1.0, rho=BREATHING["density"], V=velocity)


def test_port_power_is_the_mean_of_drop_times_flow():
    area = math.pi * BREATHING["bore"] ** 2 / 4
    expected, _ = quad(lambda angle: drop_at(angle) * area * piston_speed(angle), 0, math.pi, epsrel=1e-12)
    assert ports.port_power(**BREATHING) == pytest.approx(expected / math.pi, rel=1e-10)


def test_peak_drop_pushes_the_peak_flow_through_the_port():
    peak = max(drop_at(angle) for angle in np.linspace(0, math.pi, 4001))
    assert ports.peak_port_drop(**BREATHING) == pytest.approx(peak, rel=1e-6)


def test_port_power_grows_with_frequency_cubed_and_bore_to_the_sixth():
    """Fan laws: power over a fixed flow resistance goes with the cube of the flow, here f B^2."""
    once = ports.port_power(**BREATHING)
    assert ports.port_power(**BREATHING | {"frequency": 24.0}) == pytest.approx(8 * once)
    assert ports.port_power(**BREATHING | {"bore": 0.060}) == pytest.approx(64 * once)


def test_geometry_samples_broadcast_against_frequencies():
    samples = {"frequency": np.array([[6.0], [12.0]]), "rod_ratio": np.array([0.19, 0.2, 0.21])}
    table = ports.port_power(**BREATHING | samples)
    assert table.shape == (2, 3)
    assert table[1, 0] == pytest.approx(ports.port_power(**BREATHING))
