"""The JSON contract: every key with its unit, every quantity of one form, and values that add up."""

import hashlib
import json
from importlib.metadata import version
from math import isfinite

import pytest
from copies import open_copy

from cli.running import DEMO, QUICK, typed

LOSS_QUANTITIES = (
    "standby_W",
    "motor_W",
    "linkage_W",
    "drive_W",
    "seal_W",
    "port_W",
    "total_W",
    "seal_force_N",
)
LOSS_KEYS = {"frequency_Hz", "cylinder", "mean_pressure_Pa", "extrapolated", *LOSS_QUANTITIES}
RUN_QUANTITIES = (
    "input_W",
    "standby_W",
    "motor_W",
    "motor_copper_W",
    "linkage_W",
    "drive_W",
    "transmission_W",
    "seal_W",
    "pneumatic_W",
    "efficiency_ceiling",
    "aftercooler_heat_W",
    "friction_heat_W",
    "cooling_ceiling_W",
    "cycle_work_ratio",
    "subtraction_W",
)
ASSUMPTION_KEYS = {"key", "name", "low", "high", "unit", "source", "moves", "net_half_width_W", "cure"}
RUN_KEYS = {"file", "row", "cylinder", "frequency_Hz", "mean_pressure_Pa", "flags", *RUN_QUANTITIES}
PORT = ("open_port_diameter", "discharge_coefficient")
ADD_UP = 1e-9  # [W]


@pytest.fixture(scope="module")
def rows(calibration):
    return typed("losses", calibration, "--at", "7.5", "--at", "30", "--json").json


@pytest.fixture(scope="module")
def runs(calibration):
    return typed("breakdown", DEMO, "--calibration", calibration, "--json").json


@pytest.fixture(scope="module")
def fitted():
    """What `breakdown` says that calibrates the bench itself."""
    return typed("breakdown", DEMO, "--json", *QUICK)


def is_quantity(item):
    """value, u, low, high, in whatever order of keys; finite, and the interval holds the value."""
    assert set(item) == {"value", "u", "low", "high"}, item
    assert all(isinstance(x, float) and isfinite(x) for x in item.values()), item
    assert item["u"] >= 0
    assert item["low"] <= item["value"] <= item["high"], item
    return True


def value(item):
    return 0.0 if item is None else item["value"]


def test_losses_has_every_key(rows):
    assert rows["schema"] == "driveloss.losses/1"
    for row in rows["rows"]:
        assert LOSS_KEYS - set(row) == set()
        assert all(row[key] is None or is_quantity(row[key]) for key in LOSS_QUANTITIES)
        assert isinstance(row["frequency_Hz"], float)
        assert isinstance(row["extrapolated"], bool)


def test_losses_has_a_row_for_the_drive_alone_and_one_a_cylinder_and_pressure(rows):
    asked = [(row["frequency_Hz"], row["cylinder"], row["mean_pressure_Pa"]) for row in rows["rows"]]
    at = [(None, None), ("wide", 1.009e5), ("wide", 2.38e5), ("narrow", 1.009e5)]  # the no-load sweeps of bench.toml
    expected = [(f, name, p if p is None else pytest.approx(p)) for f in (7.5, 30.0) for name, p in at]
    assert asked == expected
    assert [row["extrapolated"] for row in rows["rows"]] == [False] * 4 + [True] * 4


def test_the_drive_alone_has_no_seal(rows):
    drive = rows["rows"][0]
    assert [key for key in LOSS_QUANTITIES if drive[key] is None] == ["seal_W", "port_W", "seal_force_N"]


def test_losses_add_up_and_leave_the_port_out(rows):
    for row in rows["rows"]:
        parts = sum(value(row[key]) for key in ("standby_W", "motor_W", "linkage_W", "seal_W"))
        assert abs(parts - row["total_W"]["value"]) < ADD_UP
        assert abs(value(row["motor_W"]) + value(row["linkage_W"]) - row["drive_W"]["value"]) < ADD_UP


def test_seal_force_is_power_over_mean_speed(rows):
    """Mean |v| = 2 S f, S = 28 mm in bench.toml; the frequency meter may err by 0.02 Hz."""
    for row in rows["rows"]:
        if row["cylinder"]:
            force = row["seal_W"]["value"] / (2 * 0.028 * row["frequency_Hz"])
            assert row["seal_force_N"]["value"] == pytest.approx(force, rel=1e-12)


def test_breakdown_has_every_key(runs):
    assert runs["schema"] == "driveloss.breakdown/1"
    assert runs["coverage"] == 0.95
    for run in runs["runs"]:
        assert RUN_KEYS - set(run) == set()
        assert all(run[key] is None or is_quantity(run[key]) for key in RUN_QUANTITIES)
        assert all(isinstance(flag, str) for flag in run["flags"])


def test_breakdown_numbers_rows_from_one_and_keeps_what_was_read(runs):
    found = [r for r in runs["runs"] if r["file"] == "wide-loaded-charged.csv"]
    assert [r["row"] for r in found] == list(range(1, 15))
    lines = (DEMO / "wide-loaded-charged.csv").read_text().splitlines()
    header, first = [line.split(",") for line in lines if not line.startswith("#")][:2]
    read = dict(zip(header, first, strict=False))
    assert found[0]["frequency_Hz"] == float(read["frequency [Hz]"])
    assert found[0]["input_W"]["value"] == float(read["power [W]"])


def test_breakdown_flags_the_charged_runs_of_a_piston_that_was_never_swept_charged(runs):
    flagged = {r["file"] for r in runs["runs"] if "pressure-not-calibrated" in r["flags"]}
    assert flagged == {"narrow-loaded-charged.csv"}


def test_breakdown_adds_up_with_motor_and_linkage(runs):
    for run in runs["runs"]:
        keys = ("standby_W", "motor_W", "linkage_W", "transmission_W", "seal_W", "pneumatic_W")
        assert abs(sum(value(run[key]) for key in keys) - run["input_W"]["value"]) < ADD_UP
        assert run["motor_copper_W"] is None  # a braked sweep tells copper, brushes and controller as one


def test_breakdown_adds_up_with_the_drive_where_nothing_splits_it(bench_without_motor):
    saved = bench_without_motor / "calibration.json"
    runs = typed("breakdown", bench_without_motor, "--calibration", saved, "--json").json["runs"]
    for run in runs:
        assert run["motor_W"] is None
        assert run["linkage_W"] is None
        keys = ("standby_W", "drive_W", "transmission_W", "seal_W", "pneumatic_W")
        assert abs(sum(value(run[key]) for key in keys) - run["input_W"]["value"]) < ADD_UP


def test_what_nothing_tells_is_null(bench_without_motor):
    rows = typed("losses", bench_without_motor / "calibration.json", "--at", "7.5", "--json").json["rows"]
    for row in rows:
        assert row["motor_W"] is None
        assert row["linkage_W"] is None
        assert is_quantity(row["drive_W"])


def test_breakdown_lists_what_is_assumed_with_its_watts(runs):
    """What bench.toml states nothing of, the one that leaves most of the net power open first."""
    widths = [assumption["net_half_width_W"] for assumption in runs["assumptions"]]
    assert widths == sorted(widths, reverse=True) and widths[0] > 0
    for assumption in runs["assumptions"]:
        assert ASSUMPTION_KEYS - set(assumption) == set()
        assert assumption["low"] < assumption["high"]
    keys = {key for assumption in runs["assumptions"] for key in assumption["key"].split(", ")}
    assert {"motor.current_form_factor", "crank.load_friction", "meter.linearity"} <= keys
    assert not {"meter.power", "motor.winding_resistance", "transmission.efficiency"} & keys  # stated with limits


def test_a_port_of_unknown_size_has_an_assumed_share(tmp_path):
    """In numbers, and among the assumptions with the key that would replace it."""
    folder = tmp_path / "bench"
    open_copy(DEMO, folder)
    file = folder / "bench.toml"
    told = [line for line in file.read_text("utf-8").splitlines() if not line.startswith(PORT)]
    file.write_text("\n".join(told), "utf-8")
    assert typed("calibrate", folder, *QUICK).code == 0
    rows = typed("losses", folder / "calibration.json", "--at", "7.5", "--json").json["rows"]
    assert all(is_quantity(row["port_W"]) and row["port_W"]["low"] > 0 for row in rows if row["cylinder"])
    assumptions = typed("breakdown", folder, "--json", *QUICK).json["assumptions"]
    assert any("cylinders.wide.open_port_diameter" in assumption["key"] for assumption in assumptions)


def test_ratios_are_those_of_the_values(runs):
    for run in runs["runs"]:
        eta = run["pneumatic_W"]["value"] / run["input_W"]["value"]
        assert run["efficiency_ceiling"]["value"] == pytest.approx(eta, rel=1e-12)
        heat = run["pneumatic_W"]["value"] + run["seal_W"]["value"]  # seal_heat_share = 1 in bench.toml
        assert run["aftercooler_heat_W"]["value"] == pytest.approx(heat, rel=1e-12)


def test_the_calibration_names_its_program_and_its_files_by_their_sha256(calibration):
    saved = json.loads(calibration.read_text())
    assert saved["schema"] == "driveloss.calibration/1"
    assert saved["program"] == version("driveloss")
    assert len(saved["files"]) == 9  # bench.toml, the seven sweeps of the ladder and the braked one
    for name, digest in saved["files"].items():
        assert hashlib.sha256((DEMO / name).read_bytes()).hexdigest() == digest


def test_breakdown_with_the_saved_calibration_equals_breakdown_of_the_bench(runs, fitted):
    assert fitted.json.keys() == runs.keys()
    for one, other in zip(fitted.json["runs"], runs["runs"], strict=True):
        assert one.keys() == other.keys()
        for key, item in one.items():
            same = pytest.approx(item, rel=1e-6, abs=1e-9) if isinstance(item, dict) else item  # draws keep 9 digits
            assert other[key] == same, key


@pytest.mark.parametrize("figure", ["ceilings", "temperatures"])
def test_an_end_that_was_not_read_once_leaves_the_other_runs_as_they_are(runs, calibration, bench, figure, tmp_path):
    """Without its cold end a run has no ceiling, and is drawn without; what the others say does not move."""
    file = bench / "wide-loaded.csv"
    text = file.read_text(encoding="utf-8")
    assert text.count(",23.0,6.7,20.5") == 1
    file.write_text(text.replace(",23.0,6.7,20.5", ",23.0,n.a.,20.5"), encoding="utf-8")
    drawn = ("--draw", figure, "--figure", tmp_path / "figure.svg")
    outcome = typed("breakdown", bench, "--calibration", calibration, "--json", *drawn)
    assert outcome.code == 0, outcome.err
    assert "column 'cold end [degC]': 1 of 7 cells are empty" in " ".join(outcome.err.split())
    first, *others = outcome.json["runs"]
    assert (first["cold_end_read_K"], first["cooling_ceiling_W"], first["hot_to_cold_K"]) == (None, None, None)
    assert first["pneumatic_W"] == runs["runs"][0]["pneumatic_W"]
    assert others == runs["runs"][1:]


def test_another_seed_prints_another_json(calibration, tmp_path):
    first = json.loads(calibration.read_text(encoding="utf-8"))
    assert first["seed"] != 21
    ask = ("calibrate", DEMO, "-o", tmp_path / "c.json", "--json", *QUICK)
    assert typed(*ask, "--seed", "21").json["curves"] != first["curves"]


def test_breakdown_repeats_itself_and_follows_the_seed(fitted):
    ask = ("breakdown", DEMO, "--json", *QUICK)
    assert typed(*ask).out == fitted.out
    first, other = fitted.json["runs"][0]["pneumatic_W"], typed(*ask, "--seed", "21").json["runs"][0]["pneumatic_W"]
    assert other["u"] != first["u"]
    assert other["value"] == pytest.approx(first["value"], rel=0.02)
