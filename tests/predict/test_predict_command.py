"""`driveloss predict` as a user meets it."""

import json
from pathlib import Path

import pytest
import typer
from cli.running import RUNNER

import driveloss
from driveloss.cli.predict import predict

BENCH = "calib_data"
ROOT = Path(__file__).parents[2]
NEW = ["--bore", "50 mm", "--mean-pressure", "3 bar"]
app = typer.Typer(rich_markup_mode=None, pretty_exceptions_enable=False)
app.command()(predict)
pytestmark = pytest.mark.usefixtures("fitted_once")


@pytest.fixture(autouse=True)
def in_the_project(monkeypatch):
    monkeypatch.chdir(ROOT)


def run(*arguments, columns=100):
    return RUNNER.invoke(app, [BENCH, "--draws", "300", *arguments], env={"COLUMNS": str(columns)})


@pytest.fixture(scope="module")
def data():
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(ROOT)
        result = run(*NEW, "--at", "6", "--at", "9", "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_json_says_that_it_is_a_prediction(data):
    assert (data["schema"], data["is_prediction"], data["coverage"]) == ("driveloss.predict/1", True, 0.95)
    assert data["cylinder"]["bore_m"] == pytest.approx(0.05)
    assert data["cylinder"]["stroke_m"] == pytest.approx(0.028)  # both measured cylinders have it
    assert data["cylinder"]["scaled_from"] == ["wide", "narrow"]
    assert [row["frequency_Hz"] for row in data["rows"]] == [6, 9]


def test_json_parts_add_up(data):
    for row in data["rows"]:
        parts = ("standby_W", "motor_W", "linkage_W", "transmission_W", "seal_W", "pneumatic_W")
        assert sum(row[key]["value"] for key in parts) == pytest.approx(row["input_W"]["value"], rel=1e-12)
        assert row["pneumatic_W"]["low"] < row["pneumatic_W"]["value"] < row["pneumatic_W"]["high"]
        assert row["peak_torque_margin"] is None
        assert row["peak_current_margin"] is None
        assert len(row["torque_cycle"]) == 36


def test_every_rule_names_its_source(data):
    assert {"seal", "cycle work", "torque", "pressure wave"} <= {rule["step"] for rule in data["rules"]}
    assert all(rule["rule"] and rule["source"] for rule in data["rules"])
    assert any("no published source" in rule["source"] for rule in data["rules"])


LINES = ["Input", "Net", "Heat", "Torque", "Doubt"]


@pytest.mark.parametrize("columns", [60, 80, 120])
def test_screen(columns):
    result = run(*NEW, "--at", "9", columns=columns)
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("PREDICTION, not measured")
    assert [line[2:].partition(":")[0] for line in result.stdout.splitlines() if line.startswith("- ")] == LINES
    assert "common practice" not in result.stdout
    assert "phase-assumed" in result.stderr
    assert max(map(len, result.output.splitlines())) <= columns
    assert "…" not in result.output


def test_the_main_doubt_is_what_the_net_hangs_on():
    """Another bore: the circuit's exponent, 0.8 to 2.4, on a swept volume 42 % and more larger, outweighs the rest."""
    short = run(*NEW, "--at", "9").stdout
    assert "work at another swept volume" in short and "cure: run it loaded" in short
    same = run("--like", "wide", "--mean-pressure", "2.38 bar", "--at", "9").stdout
    assert "swept volume" not in same.partition("Doubt")[2].partition("cure")[0]


def test_rules_and_tables_are_told_when_asked_for():
    rules = run(*NEW, "--at", "9", "--rules").stdout
    assert "common practice" in rules and "Predicted parts" not in rules
    everything = run(*NEW, "--at", "9", "--all").stdout
    assert everything.count("Rules of the prediction") == 1
    assert "Predicted parts of the input" in everything and "common practice" in everything


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--bore", "32 m", "--at", "9"], "--bore: expected a value between 0.001 and 1 m, read '32 m'"),
        (["--bore", "32", "--at", "9"], "--bore: the unit is missing"),
        (["--bore", "32 bar", "--at", "9"], "--bore: expected a length"),
        (["--stroke", "much", "--at", "9"], "--stroke: expected one number and its unit"),
        (["--mean-pressure", "-2 bar", "--at", "9"], "--mean-pressure: an absolute pressure must be above zero"),
        (["--pressure-amplitude", "1 bar gauge", "--at", "9"], "--pressure-amplitude: expected an absolute pressure"),
        (NEW, "--at is missing"),
        ([*NEW, "--at", "-9"], "--at: read -9 Hz"),
        ([*NEW, "--at", "9", "--like", "huge"], "--like: read 'huge'"),
        (["--bore", "50 mm", "--at", "9"], "--mean-pressure is missing"),
        ([*NEW, "--at", "9", "--family", "cubic"], "--family"),
        ([*NEW, "--at", "9", "--circuit", "bigger"], "--circuit"),
    ],
)
def test_nonsense_exits_2_with_one_message(arguments, message):
    result = run(*arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert "Traceback" not in result.output
    assert result.stdout == ""


def test_help_ends_with_an_example():
    result = run("--help")
    assert result.exit_code == 0
    assert "Example: driveloss predict calib_data --bore" in " ".join(result.stdout.split())


def test_a_bench_is_predicted_from_as_its_breakdown_is():
    bench = driveloss.load_bench(BENCH)
    known = driveloss.calibrate(bench)
    measured = driveloss.breakdown(known, bench.sweeps, bench.recordings, bench.rundowns)
    first, second = (
        driveloss.predict(one, [8.0], like="wide", bore="50 mm", mean_pressure="2 bar") for one in (bench, measured)
    )
    assert first.to_dict() == second.to_dict()
