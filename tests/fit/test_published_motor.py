"""Load losses of motors, belts and bearings against published figures.

Segregated losses of a permanent-magnet motor with and without brush drop: the example DCPM_withLosses of the Modelica
Standard Library (Haumer, Kral, Kapeller, Baeuml and Gragger, The AdvancedMachines Library: Loss Models for Electric
Machines, 7th Modelica Conference, 2009). The library's documentation was seen, the paper was not.
"""

import numpy as np
import pytest

from driveloss.fit.assumptions import ASSUMPTIONS
from driveloss.fit.meters import Sampler
from driveloss.fit.motor_loss import ROUTES
from driveloss.fit.readings import gather
from driveloss.physics import motor
from fit.benches import Sheet, same, write_bench

INPUT, AMPERES = 10_000.0, 100.0
# inner voltage [V], speed [r/min], winding [ohm] at 20 degC, its temperature [degC], brush drop [V];
# copper, core + stray + friction, brush losses and output [W]
WITHOUT = (95.0, 1425.0, 0.05000, 20.0, 0.0, 500.0, 0.0, 0.0, 9_500.0)
WITH = (94.5, 1417.5, 0.03864, 95.0, 0.5, 500.0, 200.0 + 50.0 + 100.0, 50.0, 9_100.0)


@pytest.mark.parametrize("route", ["motor constants", "measured current"])
@pytest.mark.parametrize("machine", [WITHOUT, WITH], ids=["copper alone", "with brushes, warm"])
def test_segregated_losses_of_a_permanent_magnet_motor(tmp_path, machine, route):
    inner, speed, ohms, winding, brush, copper, rotation, brushes, output = machine
    sections = f"""[meter]
power = "0 W"
linearity = "0 %"
[motor]
supply = "terminals"
winding_resistance = "{ohms} ohm +/- 0"
winding_temperature = "20 degC"
torque_constant = "{inner / (speed * np.pi / 30):.9f} N*m/A +/- 0"
current_form_factor = "1 +/- 0"
brush_drop = "{brush} V +/- 0"
[transmission]
ratio = 1
"""
    reading = (f"{speed / 60:.9f}", f"{INPUT}", f"{AMPERES}", f"{winding}")
    header = "frequency [Hz],power [W],current [A],winding [degC]"
    sheets = [Sheet(stage, header, same(reading)) for stage in ("piston-disconnected", "no-load")]
    bench = write_bench(tmp_path, sections, sheets)
    readings = gather(bench.rig, bench.sweeps, ("piston-disconnected",))
    meters = Sampler(1, 1).meters(bench.rig).as_stated()
    net = meters.power(readings)
    found = ROUTES[route].loss(readings, meters, net, meters.current(readings), np.zeros_like(net))
    # IEC's 235 for copper and the example's 0.00392 per kelvin differ by 1 in 10 000
    assert found.copper[0, 0] == pytest.approx(copper, rel=2e-4)
    assert found.total[0, 0] - found.copper[0, 0] == pytest.approx(brushes, rel=2e-4, abs=1e-9)
    assert net[0, 0] - found.total[0, 0] - rotation == pytest.approx(output, rel=1e-4)


@pytest.mark.parametrize("machine", [WITHOUT, WITH], ids=["copper alone", "with brushes, warm"])
def test_the_current_that_the_input_asks_for(machine):
    inner, speed, ohms, winding, brush, *_ = machine
    warm = motor.winding_resistance(ohms, 293.15, winding + 273.15)
    omega = motor.motor_speed(speed / 60, 1.0)
    amps = motor.motor_current(INPUT, warm, inner / omega, omega, 1.0, brush)
    assert amps == pytest.approx(AMPERES, rel=1e-4)


def row(field, place=0):
    return ASSUMPTIONS[field][place]


def test_belts_lie_within_what_is_assumed_of_a_transmission():
    """V-belts 95 to 98 % new, a nominal 93 % worn; toothed belts 98 % (US DOE tip sheet, its quotation seen)."""
    assumed = row("efficiency")
    assert all(assumed.low <= share <= assumed.high for share in (0.93, 0.95, 0.98))


@pytest.mark.parametrize("mu", [0.0008, 0.0015, 0.0035, 0.005])
def test_rolling_bearings_lie_within_what_is_assumed_of_rolling_pins(mu):
    """Tables of friction coefficients by two bearing makers and an engineering handbook (seen)."""
    assumed = row("load_friction_share")
    assert assumed.low <= 0.85 * mu <= assumed.high


@pytest.mark.parametrize("mu", [0.02, 0.05, 0.10])
def test_plain_bearings_lie_within_what_is_assumed_of_sleeves_and_of_nothing_stated(mu):
    """Boundary lubrication 0.01 to 0.10 (Machine Design, Bearing Friction, 2002, seen)."""
    for place in (1, 2):
        assumed = row("load_friction_share", place)
        assert assumed.low <= 0.85 * mu <= assumed.high
