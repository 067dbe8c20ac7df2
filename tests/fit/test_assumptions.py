"""What stands in for what bench.toml leaves open: every row, how a key replaces it, and where it does not matter."""

from dataclasses import replace

import numpy as np
import pytest

from driveloss.breakdown.ask import breakdown
from driveloss.fit.assumptions import ASSUMPTIONS, TOLERANCE
from driveloss.fit.calibrate import calibrate
from driveloss.fit.meters import CylinderDraws, Meters, Sampler
from fit.benches import CYLINDER, Sheet, write_bench

ROWS = [(field, row) for field, rows in ASSUMPTIONS.items() for row in rows]
FREQUENCIES = (5.0, 7.0, 9.0, 11.0)
HEADER = "frequency [Hz],power [W]"
DRAWS = 200


@pytest.mark.parametrize(("field", "row"), ROWS, ids=[f"{field}-{row.low:g}" for field, row in ROWS])
def test_every_row_has_limits_around_its_best_a_cure_and_a_source(field, row):
    assert row.low <= row.best <= row.high and row.low < row.high
    assert row.name and row.key and row.moves and row.cure and row.source and row.range
    assert field in {*Meters.__dataclass_fields__, *CylinderDraws.__dataclass_fields__}


def sheets(columns=(), pressures=("1 bar",)):
    """A drive of 2 W/Hz, a seal of 1 W/Hz and loaded runs; further columns of 'loaded' or all sweeps, with a value."""
    header = ",".join([HEADER, *(name for name, _ in columns)])
    more = tuple(value for _, value in columns)

    def rows(slope):
        return [(f, slope * f, *more) for f in FREQUENCIES]

    swept = [Sheet("no-load", header, rows(3 + 0.5 * i), f'mean_pressure = "{p}"') for i, p in enumerate(pressures)]
    return [
        Sheet("piston-disconnected", header, rows(2)),
        *swept,
        Sheet("loaded", header, rows(6), 'mean_pressure = "1 bar"'),
    ]


CONSTANTS = {"winding_resistance": '"0.40 ohm"', "torque_constant": '"0.300 N*m/A"'}


def bench_with(folder, *keys, supply="controller", **how):
    """A bench that says nothing but its constants and `keys`: pairs of a dotted key and its TOML value."""
    tables = {"motor": {"supply": f'"{supply}"', **CONSTANTS}, "cylinders": {}}
    for key, value in keys:
        table, _, name = key.partition(".")
        tables.setdefault(table, {})[name] = value
    cylinder = CYLINDER + "".join(f"{name} = {value}\n" for name, value in tables.pop("cylinders").items())
    text = ["\n".join([f"[{table}]", *(f"{k} = {v}" for k, v in told.items() if v)]) for table, told in tables.items()]
    return write_bench(folder, "\n".join(text), sheets(**how), cylinder, exactly=False)


def drawn(bench):
    return Sampler(DRAWS, 1).meters(bench.rig)


def field_of(meters, name):
    return getattr(meters, name) if hasattr(meters, name) else getattr(meters.cylinders["one"], name)


UNLIMITED = {"frequency_zero"}  # a share of the reading is all that is assumed of it
PORT = ("cylinders.open_port_diameter", '"8 mm +/- 0 mm"')
STATING = [  # what a user writes to replace a row, and the fields that then are exact
    ("meter.power", '"0 W"', ("power_gain", "power_zero")),
    ("meter.voltage", '"0 V"', ("voltage_gain", "voltage_zero")),
    ("meter.current", '"0 A"', ("current_gain", "current_zero")),
    ("meter.frequency", '"0 Hz"', ("frequency_gain", "frequency_zero")),
    ("meter.pressure", '"0 Pa"', ("pressure_gain", "pressure_zero")),
    ("meter.temperature", '"0 K"', ("winding_zero", "cold_end_zero", "hot_end_zero", "coolant_zero")),
    ("meter.linearity", '"0 %"', ("power_curve", "power_curve_quarter")),
    ("motor.winding_resistance", '"0.4 ohm +/- 0 ohm"', ("resistance",)),
    ("motor.torque_constant", '"0.3 N*m/A +/- 0 %"', ("torque_constant",)),
    ("motor.current_form_factor", '"1.05 +/- 0"', ("ripple", "form_factor")),
    ("motor.brush_drop", '"0 V +/- 0 V"', ("brush_drop",)),
    ("motor.controller_efficiency", '"0.96 +/- 0"', ("controller_efficiency",)),
    ("motor.running_temperature", '"45 degC +/- 0 K"', ("winding_rise",)),
    ("transmission.efficiency", '"0.95 +/- 0"', ("efficiency",)),
    ("transmission.ratio", "1.0", ("efficiency", "ratio")),  # a shaft, nothing between
    ("crank.load_friction", '"0.1 mm +/- 0 mm"', ("load_friction", "load_friction_share")),
    ("crank.pin_friction", '"0 +/- 0"', ("load_friction", "load_friction_share")),
    ("aftercooler.seal_heat_share", '"0.8 +/- 0"', ("seal_heat_share",)),
    ("cylinders.seal_change", '"0.95 +/- 0"', ("seal_change",)),
    ("cylinders.leak_down", '"10 s +/- 0 s"', ("leak_rate",)),
    (*PORT, ("port_share", "open_port_diameter")),
]


@pytest.mark.parametrize(("key", "value", "fields"), STATING, ids=[key for key, _, _ in STATING])
def test_a_key_replaces_its_row_and_zero_limits_are_exact(tmp_path, key, value, fields):
    names = {name if name in Meters.__dataclass_fields__ else f"cylinders.one.{name}" for name in fields}
    rows = {name for name in names if name.rpartition(".")[2] in ASSUMPTIONS}
    silent, stated = drawn(bench_with(tmp_path)), drawn(bench_with(tmp_path, (key, value)))
    assert rows and rows <= set(silent.assumed)
    assert not names & set(stated.assumed)
    for name in fields:
        assert np.ptp(field_of(stated, name)) == 0, name
    for name in rows - UNLIMITED:
        assert np.ptp(field_of(silent, name.rpartition(".")[2])) > 0, name


def test_a_discharge_coefficient_replaces_the_row_of_a_port(tmp_path):
    silent = drawn(bench_with(tmp_path, PORT))
    stated = drawn(bench_with(tmp_path, PORT, ("cylinders.discharge_coefficient", '"0.62 +/- 0"')))
    name = "cylinders.one.discharge_coefficient"
    assert name in silent.assumed and name not in stated.assumed
    assert np.ptp(stated.cylinders["one"].discharge_coefficient) == 0


@pytest.mark.parametrize(("field", "row"), ROWS, ids=[f"{field}-{row.low:g}" for field, row in ROWS])
def test_draws_fill_the_limits_of_a_row(tmp_path, field, row):
    """Evenly, the best guess first: a rectangle's standard deviation is its half-width over sqrt(3)."""
    kind = {"crank.bearings": '"rolling"'} if "rolling" in row.unit else {"crank.bearings": '"sleeve"'}
    keys = list(kind.items()) if "(" in row.unit and row.key == "crank.load_friction" else []
    keys += [PORT] if field in ("discharge_coefficient", "open_ratio", "open_process") else []
    no_constants = [(f"motor.{name}", "") for name in CONSTANTS] if field == "incremental_efficiency" else []
    supply = "terminals" if field == "brush_drop" and row.low > 0 else "controller"
    meters = drawn(bench_with(tmp_path, *keys, *no_constants, supply=supply))
    found = field_of(meters, field)
    if field.endswith(("_gain", "_zero")) or "curve" in field or field in ("resistance", "torque_constant"):
        scale = np.ptp(found) / 2  # limits relative to what is stated, or to the instrument's
        assert found[0] == pytest.approx((found.max() + found.min()) / 2, rel=0.02, abs=0.02 * scale)
        assert scale > 0 or field in UNLIMITED
        return
    if row.key.endswith("seal_change") and row.low > 0.9:
        return  # of a cylinder swept after its runs
    assert found[0] == row.best
    assert row.low <= found[1:].min() and found[1:].max() <= row.high
    assert found[1:].std() == pytest.approx((row.high - row.low) / np.sqrt(12), rel=0.02)


def test_a_motor_constant_without_limits_has_those_of_data_sheets(tmp_path):
    meters = drawn(bench_with(tmp_path))
    assert meters.resistance.max() / 0.4 == pytest.approx(1 + TOLERANCE, rel=2e-3)
    assert meters.torque_constant.min() / 0.3 == pytest.approx(1 - TOLERANCE, rel=2e-3)
    rough = drawn(bench_with(tmp_path, ("motor.winding_resistance", '"0.3 ohm"')))
    assert rough.resistance.max() == pytest.approx(0.35, rel=2e-3)  # its last digit is wider than that


def test_nothing_stands_in_for_a_constant_that_is_not_stated(tmp_path):
    """Its tolerance is a share of a value: there is none."""
    bench = bench_with(tmp_path, *((f"motor.{name}", "") for name in CONSTANTS))
    meters = drawn(bench)
    assert np.isnan(meters.resistance).all() and np.isnan(meters.torque_constant).all()
    assert not {"resistance", "torque_constant"} & set(meters.assumed)


# What nothing asked depends on


IDLE = {
    "a column of the wave": ({"columns": [("pressure amplitude [bar]", 0.6)]}, (), {"phase"}),
    "a column of the winding": ({"columns": [("winding [degC]", 40.0)]}, (), {"winding_rise"}),
    "watts, not volts": ({}, (), {"voltage_gain", "voltage_zero", "current_gain", "current_zero"}),
    "two pressures": ({"pressures": ("1 bar", "3 bar")}, (), {"cylinders.one.lip_drag"}),
    "a stated drag": ({}, (("cylinders.pressure_friction", '"0.5 N/bar"'),), {"cylinders.one.lip_drag"}),
    "a wide port": (
        {},
        (("cylinders.open_port_diameter", '"20 mm"'),),
        {"cylinders.one.open_ratio", "cylinders.one.open_process"},
    ),
}


@pytest.mark.parametrize("why", IDLE)
def test_an_idle_error_moves_nothing(tmp_path, why):
    """Each is moved by itself, everything else as it is: the net power stays to the last digit."""
    how, keys, expected = IDLE[why]
    bench = bench_with(tmp_path, *keys, **how)
    stated = Sampler(20, 1, active=()).meters(bench.rig)

    def net(meters):
        calibration = calibrate(bench, draws=20, active=(), compare=False, meters=meters)
        return calibration.meters.idle, breakdown(calibration, bench.sweeps).draws["pneumatic"][:, 0]

    idle, before = net(stated)
    assert expected <= set(idle)
    for name in expected:
        assert net(moved(stated, name))[1] == pytest.approx(before, rel=1e-12), name
    assert net(moved(stated, "power_gain"))[1] != pytest.approx(before, rel=1e-3)


def moved(meters, path):
    """One error a fifth larger."""
    name = path.rpartition(".")[2]
    if "." not in path:
        return replace(meters, **{name: 1.2 * getattr(meters, name) + 0.1})
    cylinder = meters.cylinders["one"]
    return replace(meters, cylinders={"one": replace(cylinder, **{name: 1.2 * getattr(cylinder, name) + 0.1})})


def test_what_is_idle_is_not_told(tmp_path):
    bench = bench_with(tmp_path, ("cylinders.pressure_friction", '"0.5 N/bar"'), columns=[("winding [degC]", 40.0)])
    meters = calibrate(bench, draws=20, compare=False).meters
    names = {row.name for _, row in meters.assumptions(bench.rig)}
    assert names and not names & {"lip under pressure", "winding temperature", "voltage meter", "current meter"}
    assert {"winding resistance", "pins and guides"} <= names


# Pins, as far as sweeps at two pressures allow


def pins_of(folder, gain):
    """Draws of the pins' share of the crank radius where no-load power rises by a share with 2 bar more."""
    low = [(f, 3 * f) for f in FREQUENCIES]
    high = [(f, (3 + gain) * f) for f in FREQUENCIES]
    rungs = [
        Sheet("piston-disconnected", HEADER, [(f, 2 * f) for f in FREQUENCIES]),
        Sheet("no-load", HEADER, low, 'mean_pressure = "1 bar"'),
        Sheet("no-load", HEADER, high, 'mean_pressure = "3 bar"'),
    ]
    bench = write_bench(folder, '[motor]\nsupply = "terminals"', rungs, unstated=["load_friction"])
    calibration = calibrate(bench, draws=DRAWS, active=["pins and guides"], compare=False)
    free = Sampler(DRAWS, calibration.seed).meters(bench.rig)
    return calibration.meters.load_friction_share, free.load_friction_share


def test_pins_take_no_more_than_the_sweeps_gained(tmp_path):
    """omega l A dp is all that a mean pressure asks of pins: half of what the assumption's largest share would take."""
    row = next(row for row in ASSUMPTIONS["load_friction_share"] if "rolling" in row.unit)
    per_turn = 2 * np.pi * row.high * 0.018 * np.pi * 0.015**2 * 2e5  # [W/Hz] at its largest
    bounded, free = pins_of(tmp_path, 0.5 * per_turn)
    assert bounded.max() == pytest.approx(0.5 * free.max(), rel=0.01)
    assert bounded / free == pytest.approx(np.full_like(free, (bounded / free)[0]), rel=0.01)  # as even as it was


def test_pins_are_free_where_the_sweeps_gained_more_and_none_where_they_gained_nothing(tmp_path):
    bounded, free = pins_of(tmp_path, 0.5)
    assert bounded == pytest.approx(free, rel=1e-9)
    assert pins_of(tmp_path, 0.0)[0].max() < 0.01 * free.max()
