"""What two benches have in common: by which table of bench.toml, and what each of the two options moves."""

from dataclasses import replace

import numpy as np
import pytest
from simulate import ladder

from compare.machines import FREQUENCIES, SHARED_GAIN, TRUTH, bench
from driveloss.bench.records import Aftercooler, Limits, Meter, Motor, Quantity, Transmission
from driveloss.compare.benches import Shared, calibrate_together
from driveloss.fit.meters import common_errors

METER = {
    "sensor_lag",
    *(
        f"{one}_{error}"
        for one in ("power", "current", "frequency", "pressure", "torque", "force")
        for error in ("gain", "zero")
    ),
    *("power_curve", "power_curve_quarter", "winding_zero", "cold_end_zero", "hot_end_zero", "coolant_zero"),
    *("voltage_gain", "voltage_zero"),
}
MACHINE = {
    "dead_centre",
    "resistance",
    "torque_constant",
    "ripple",
    "brush_drop",
    "winding_rise",
    "incremental_efficiency",
    "free_load_loss",
    "free_load_rise",
    "efficiency",
    "load_friction_share",
    "inertia",
    "coasting_aid",
}
UNSTATED = frozenset(  # so that all of it is assumed
    {
        *("meter.linearity", "meter.frequency", "motor.brush_drop", "motor.current_form_factor"),
        *("motor.winding_resistance", "transmission.efficiency", "crank.load_friction", "crank.bearings"),
        *("cylinders.seal_change", "cylinders.pressure_friction"),
    }
)


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    """Two silent benches whose bench.toml are equal."""
    folder = tmp_path_factory.mktemp("pair")
    sweeps = ladder(TRUTH, FREQUENCIES)
    return [bench(folder / str(n), seed=n, limits=SHARED_GAIN, sweeps=sweeps, leaves_out=UNSTATED)[1] for n in range(2)]


@pytest.fixture(scope="module")
def rig(pair):
    return pair[0].rig


def apart(pair, **said):
    """The errors that are drawn for each bench by itself."""
    one, other = (s.calibration.meters for s in calibrate_together(pair, draws=200, **said))
    holders = [(one, other), *((one.cylinders[n], other.cylinders[n]) for n in one.cylinders)]
    return {
        name
        for mine, theirs in holders
        for name in common_errors(mine)
        if np.ptp(getattr(mine, name)) > 0 and not np.array_equal(getattr(mine, name), getattr(theirs, name))
    }


def test_each_option_moves_only_what_it_should(pair):
    """The room's temperature is each day's own. What is assumed of one motor, crank or seal is the same in both."""
    by_default = apart(pair)
    assert by_default <= {"ambient_temperature"}
    assert apart(pair, same_meter=True, same_motor=True) == by_default
    other_meter = apart(pair, same_meter=False) - by_default
    other_motor = apart(pair, same_motor=False) - by_default
    assert {"power_gain", "frequency_gain", "pressure_gain", "power_curve"} <= other_meter <= METER
    assert {"incremental_efficiency", "efficiency", "load_friction_share", "brush_drop"} <= other_motor <= MACHINE


def is_common(rig, origin, change, **said):
    """Whether an origin is shared with a bench that differs in what `change` says."""
    return Shared(**said).is_common(rig, replace(rig, **change), origin)


OTHER_METER = {"meter": Meter(power=Limits(0.07, 0.0))}
OTHER_MOTOR = {"motor": Motor(supply="terminals", torque_constant=Quantity(0.5))}
BELT = {"transmission": Transmission(ratio=Quantity(2.0))}


@pytest.mark.parametrize(
    ("change", "lost"),
    [
        ({}, set()),
        (OTHER_METER, {"meter"}),
        (OTHER_MOTOR, {"motor", "transmission", "crank"}),
        (BELT, {"transmission"}),
        ({"bearings": "sleeve"}, {"crank"}),
        ({"rod_length": Quantity(0.2)}, {"crank"}),
        ({"cycle": "stirling"}, {"gas circuit"}),
        ({"aftercooler": Aftercooler()}, {"aftercooler", "gas circuit"}),
        ({"title": "another day", "ambient_temperature": Quantity(300.0)}, set()),
    ],
)
def test_equal_tables_are_the_same_hardware(rig, change, lost):
    origins = ("meter", "motor", "transmission", "crank", "gas circuit", "aftercooler")
    assert {origin for origin in origins if not is_common(rig, origin, change)} == lost


def test_what_is_said_goes_before_what_reads_alike(rig):
    assert is_common(rig, "meter", OTHER_METER, meter=True)
    assert not is_common(rig, "meter", {}, meter=False)
    assert is_common(rig, "motor", OTHER_MOTOR, motor=True)
    assert is_common(rig, "crank", OTHER_MOTOR, motor=True)
    assert not is_common(rig, "transmission", BELT, motor=True)  # one motor, another belt
    assert not is_common(rig, "crank", {}, motor=False)
    assert not is_common(rig, "", {}, meter=True, motor=True)


def test_a_gas_circuit_of_which_nothing_is_stated_comes_with_the_motor(rig):
    silent = replace(rig, cycle="none", aftercooler=Aftercooler())
    assert is_common(silent, "gas circuit", {})
    assert not is_common(silent, "gas circuit", {}, motor=False)
    assert is_common(rig, "gas circuit", {}, motor=False)


@pytest.mark.parametrize(
    ("change", "lost"),
    [
        ({}, set()),
        ({"seal": "another lip"}, {"seal"}),
        ({"seal": ""}, {"seal"}),
        ({"bore": Quantity(0.037)}, {"bore", "seal", "port"}),
        ({"open_port_diameter": Quantity(0.004)}, {"port", "open_port_diameter"}),
        ({"discharge_coefficient": None}, {"port"}),
    ],
)
def test_parts_of_equally_named_cylinders(rig, change, lost):
    cylinders = rig.cylinders | {"easy": replace(rig.cylinders["easy"], **change)}
    parts = ("bore", "stroke", "seal", "port", "open_port_diameter")
    found = {p for p in parts if not is_common(rig, f"cylinders.easy.{p}", {"cylinders": cylinders})}
    assert found == lost


def test_a_seal_that_nobody_describes_is_no_known_one(rig):
    bare = replace(rig, cylinders={"easy": replace(rig.cylinders["easy"], seal="")})
    assert not is_common(bare, "cylinders.easy.seal", {})
    assert not is_common(bare, "cylinders.wide.bore", {})
