"""`driveloss plan` as a user meets it: tables, JSON, sheets to fill in, refusals."""

import json
import re
import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest
import typer
from cli.running import RUNNER
from compare.machines import drive_alone

from driveloss.bench.columns import read_sweep
from driveloss.bench.records import SweepSpec
from driveloss.bench.template import template_files
from driveloss.cli.plan import plan
from driveloss.errors import InputError
from driveloss.plan.ask import Point, Rung
from driveloss.plan.tell import sheets
from driveloss.say.files import write_folder

DEMO = Path(__file__).parents[2] / "calib_data"
BASE = ["--at", "8", "--cylinder", "narrow"]
pytestmark = pytest.mark.usefixtures("fitted_once")


@pytest.fixture(scope="module")
def app():
    program = typer.Typer(rich_markup_mode=None)
    program.command()(plan)
    return program


def run(app, monkeypatch, *arguments, columns=80):
    monkeypatch.setenv("COLUMNS", str(columns))
    return RUNNER.invoke(app, [str(argument) for argument in arguments])


@pytest.mark.parametrize("columns", [80, 120])
def test_screen(app, monkeypatch, columns):
    result = run(app, monkeypatch, DEMO, *BASE, "--half-width", "4 W", columns=columns)
    assert result.exit_code == 0
    assert "These readings are enough for ±4 W" in result.stdout
    assert "Measure first" not in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= columns


@pytest.mark.parametrize("columns", [80, 200])
def test_where_assumptions_stand_in_the_way_it_says_what_to_measure_first(app, monkeypatch, columns):
    result = run(app, monkeypatch, DEMO, *BASE, "--half-width", "0.5 W", columns=columns)
    assert result.exit_code == 0
    assert max(map(len, result.stdout.splitlines())) <= columns
    said = " ".join(result.stdout.split())
    assert said.index("Measure first: ±") < said.index("readings to take")
    assert re.search(r"lip under pressure [\d.]+ [\d.]+ [\d.]+ ", said)
    assert "lip under pressure (cylinders.narrow.pressure_friction): sweep the cylinder without load" in said
    assert re.search(r"gives ±0\.5 W at 8 Hz \('narrow', 2\.38 bar\): assumptions alone leave ±[\d.]+ W", said)
    assert "readings cannot bring it below that" in said


def test_readings_of_a_coarse_meter_are_advised_upon(app, monkeypatch):
    result = run(app, monkeypatch, DEMO, *BASE, "--readings", "80", "--digit", "1 W", "--scatter", "0.3 W", columns=80)
    said = " ".join(result.stdout.split())
    assert "The last digit of a power reading, 1 W, is the same for all readings at one speed" in said
    assert "volts times amperes" in said


def test_json(app, monkeypatch):
    result = run(app, monkeypatch, DEMO, *BASE, "--readings", "40", "--json")
    data = json.loads(result.stdout)
    assert data["schema"] == "driveloss.plan/1"
    assert sum(point["count"] for point in data["points"]) == data["readings"] == 40
    assert data["met"] is None
    assert {p["stage"] for p in data["points"]} == {"motor-alone", "piston-disconnected", "no-load", "loaded"}
    assert "readings to take" in result.stderr


@pytest.mark.parametrize("order", ["up-down", "random"])
def test_sheets_are_refused_empty_and_load_once_filled(app, monkeypatch, tmp_path, order):
    folder = tmp_path / "sheets"
    result = run(app, monkeypatch, DEMO, *BASE, "--readings", "40", "--json", "--sheets", folder, "--order", order)
    assert result.exit_code == 0
    points = json.loads(result.stdout)["points"]
    names = {
        "motor-alone.csv": ("motor-alone", None),
        "piston-disconnected.csv": ("piston-disconnected", None),
        "narrow-no-load-1.009bar.csv": ("no-load", "narrow"),
        "narrow-loaded-1.009bar.csv": ("loaded", "narrow"),
        "narrow-loaded-2.38bar.csv": ("loaded", "narrow"),
        "narrow-no-load-1.009bar-after.csv": ("no-load", "narrow"),
    }
    assert {path.name for path in folder.iterdir()} == set(names)
    for name, (stage, cylinder) in names.items():
        path, spec = folder / name, SweepSpec(stage=stage, cylinder=cylinder, file=name, where="")
        with pytest.raises(InputError, match=r"column 'power .*expected a number, read an empty cell"):
            read_sweep(path, spec)
        path.write_text(filled(path.read_text()))
        sweep, notices = read_sweep(path, spec)
        mine = [
            p
            for p in points
            if p["stage"] == stage
            and (not cylinder or f"{p['mean_pressure_Pa'] / 1e5:.4g}bar" in name)
            and p["after_the_loaded_runs"] is name.endswith("-after.csv")
        ]
        wanted = [p["frequency_Hz"] for p in mine for _ in range(p["count"])]
        assert sorted(sweep.frequency) == pytest.approx(sorted(wanted))
        assert notices == ()
        if cylinder:
            assert sweep.mean_pressure == pytest.approx(float(re.search(r"([\d.]+)bar", name)[1]) * 1e5)


def filled(text):
    """Every empty power as 10 W and winding as 30 degC."""
    lines = text.splitlines()
    head = next(i for i, line in enumerate(lines) if not line.startswith("#"))
    names = lines[head].split(",")
    rows = []
    for line in lines[head + 1 :]:
        cells = line.split(",")
        for name, value in (("power [W]", "10.0"), ("winding [degC]", "30.0")):
            cells[names.index(name)] = value
        rows.append(",".join(cells))
    return "\n".join([*lines[: head + 1], *rows, ""])


def test_up_and_down_lets_a_drift_show(app, monkeypatch, tmp_path):
    run(app, monkeypatch, DEMO, *BASE, "--readings", "60", "--sheets", tmp_path / "s")
    lines = (tmp_path / "s" / "narrow-no-load-1.009bar.csv").read_text().splitlines()[3:]
    f = [float(line.split(",")[0]) for line in lines]
    turn = f.index(max(f))
    assert f[: turn + 1] == sorted(f[: turn + 1])
    assert f[turn + 1] <= f[turn]


def test_random_order_follows_the_seed(app, monkeypatch, tmp_path):
    texts = []
    for folder, seed in (("a", 1), ("b", 1), ("c", 2)):
        where = tmp_path / folder
        run(app, monkeypatch, DEMO, *BASE, "--readings", "60", "--order", "random", "--sheets", where, "--seed", seed)
        texts.append((where / "motor-alone.csv").read_text())
    assert texts[0] == texts[1] != texts[2]


class TestWithoutReadings:
    OPTIONS = ("--from", "4", "--to", "12", "--scatter", "0.3 W", "--power-at", "60 W")

    def test_plan(self, app, monkeypatch, tmp_path):
        write_folder(tmp_path / "bench", template_files())
        result = run(app, monkeypatch, tmp_path / "bench", "--at", "8", "--half-width", "1 W", *self.OPTIONS)
        assert result.exit_code == 0
        assert "no readings yet" in result.stdout

    def test_options_go_together(self, app, monkeypatch, tmp_path):
        write_folder(tmp_path / "bench", template_files())
        result = run(app, monkeypatch, tmp_path / "bench", "--at", "8", "--half-width", "1 W", "--from", "4")
        assert result.exit_code == 2
        assert "expected all four" in result.stderr

    def test_hint(self, app, monkeypatch, tmp_path):
        write_folder(tmp_path / "bench", template_files())
        result = run(app, monkeypatch, tmp_path / "bench", "--at", "8", "--half-width", "1 W")
        assert result.exit_code == 2
        assert "a bench without readings needs --from" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--half-width", "1"], "--half-width: the unit is missing"),
        (["--readings", "40", "--order", "sideways"], "'--order': read 'sideways', expected one of up-down, random"),
        (["--readings", "40", "--cylinder", "big"], "cylinder: read 'big'"),
        ([], "expected a wanted half-width (--half-width) or a number of readings (--readings), got neither"),
    ],
)
def test_refusals(app, monkeypatch, arguments, message):
    result = run(app, monkeypatch, DEMO, "--at", "8", *arguments)
    assert result.exit_code == 2
    assert message in result.stderr


def test_loaded_rungs_are_those_that_the_bench_ran(app, monkeypatch):
    """The demo loads its narrow cylinder at a pressure that it is not swept at without load."""
    result = run(app, monkeypatch, DEMO, *BASE, "--readings", "40", "--json")
    data = json.loads(result.stdout)
    assert {round(t["mean_pressure_Pa"] / 1e5, 2) for t in data["targets"]} == {1.01, 2.38}
    assert any("'narrow' is not swept without load at 2.38 bar" in said for said in data["assumptions"])


def test_a_bench_without_cylinders_has_no_net_power_to_plan(app, monkeypatch, tmp_path):
    result = run(app, monkeypatch, drive_alone(DEMO, tmp_path / "drive"), "--at", "8", "--readings", "20", columns=200)
    assert result.exit_code == 2
    assert "no cylinder has a no-load sweep, expected one" in result.stderr


def test_sheets_are_not_written_over_others(app, monkeypatch, tmp_path):
    shutil.copyfile(DEMO / "bench.toml", tmp_path / "bench.toml")
    result = run(app, monkeypatch, DEMO, *BASE, "--readings", "40", "--sheets", tmp_path)
    assert result.exit_code == 2
    assert "expected a new or an empty folder" in result.stderr
    assert result.stdout == ""


def test_sheets_of_cylinders_named_like_paths_stay_apart_in_their_folder(tmp_path):
    points = [
        Point(Rung("no-load", name, 1e5), 5.0, 2) for name in ("../../x", "/../-x", str(tmp_path / "out"), "n" * 300)
    ]
    paths = write_folder(tmp_path / "sheets", sheets(SimpleNamespace(points=points), "up-down", 1))
    assert len({path.resolve() for path in paths}) == len(points)
    assert {path.resolve().parent for path in paths} == {tmp_path / "sheets"}
    assert [path.name for path in tmp_path.iterdir()] == ["sheets"]
