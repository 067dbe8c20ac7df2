"""`driveloss recheck` as a user meets it: files in, tables, JSON and refusals out."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
import typer
from cli.running import RUNNER

from driveloss.bench.load import load_bench
from driveloss.cli.recheck import recheck
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.fit.store import to_text
from driveloss.recheck.ask import recheck as ask

DEMO = Path(__file__).parents[2] / "calib_data"
WORN = 1.6  # [W] more at every reading


@pytest.fixture(scope="module")
def app():
    program = typer.Typer(rich_markup_mode=None)
    program.command()(recheck)
    return program


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The demo's calibration, its narrow no-load sweep read again as it was, and with more power."""
    where = tmp_path_factory.mktemp("again")
    (where / "calibration.json").write_text(to_text(calibrate(load_bench(DEMO), draws=300, compare=False)))
    header, *rows = (DEMO / "narrow-no-load.csv").read_text().splitlines()
    cells = [row.split("\t") for row in rows]
    for name, more in (("same", 0.0), ("worn", WORN)):
        lines = ["\t".join([f, f"{float(p) + more:.2f}", t]) for f, p, t in cells[::2]]
        (where / f"{name}.csv").write_text("\n".join([header, *lines, ""]))
    return where


def run(app, folder, monkeypatch, *arguments, columns=80):
    monkeypatch.chdir(folder)
    monkeypatch.setenv("COLUMNS", str(columns))
    return RUNNER.invoke(app, ["calibration.json", *arguments])


@pytest.mark.parametrize("columns", [80, 120])
def test_worn_seal_on_screen(app, folder, monkeypatch, columns):
    result = run(app, folder, monkeypatch, "no-load:narrow:worn.csv", columns=columns)
    assert result.exit_code == 0
    assert "calibrate the bench again" in result.stdout
    words = " ".join(result.stdout.split())
    assert "no-load 'narrow' at 1.009 bar: no longer valid; net power moves by -1." in words
    assert "seal or drive 'narrow' at 1.009 bar changed by +1." in words
    assert "Not measured again: the seal of 'wide'." in words
    assert max(map(len, result.stdout.splitlines())) <= columns


def test_same_readings_leave_it_valid(app, folder, monkeypatch):
    result = run(app, folder, monkeypatch, "no-load:narrow:same.csv")
    assert result.exit_code == 0
    assert "still valid" in result.stdout


def test_json(app, folder, monkeypatch):
    result = run(app, folder, monkeypatch, "no-load:narrow:worn.csv", "--json", "--worth", "0.5 W")
    data = json.loads(result.stdout)
    assert data["schema"] == "driveloss.recheck/1"
    assert data["still_valid"] is False
    (part,) = data["parts"]
    assert (part["part"], part["cylinder"], part["readings"], part["worth_W"]) == ("seal or drive", "narrow", 7, 0.5)
    assert set(part["change_W"]) == {"value", "u", "low", "high"}
    assert part["change_W"]["low"] < WORN
    assert "Rungs measured anew" in result.stderr
    (net,) = data["nets"]
    assert (net["stage"], net["cylinder"], net["verdict"]) == ("no-load", "narrow", "no longer valid")
    assert net["net_change_W"]["high"] < -net["tolerance_W"] < 0
    assert net["net_change_W"]["value"] == pytest.approx(part["net_change_W"]["value"])


def test_tolerance_decides(app, folder, monkeypatch):
    result = run(app, folder, monkeypatch, "no-load:narrow:worn.csv", "--tolerance", "3 W")
    assert "The calibration is still valid." in result.stdout
    assert "Plain test: seal or drive 'narrow'" in result.stdout


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["no-lod:narrow:same.csv"], "'no-lod:narrow:same.csv', stage: read 'no-lod'"),
        (["no-load:other:same.csv"], "a cylinder that was calibrated: 'wide', 'narrow'; read cylinder 'other'"),
        (["no-load:same.csv"], "read none"),
        (["motor-alone:"], "read no file"),
        (["motor-alone:none.csv"], "none.csv: there is no such file"),
        (["no-load:narrow:same.csv", "--worth", "3"], "--worth: the unit is missing"),
        (["no-load:narrow:same.csv", "--tolerance", "0.5"], "--tolerance: the unit is missing"),
        (["no-load:narrow:same.csv", "--mean-pressure", "2.38 bar"], "was calibrated at: 1.009 bar"),
        (["no-load:narrow:same.csv", "--false-alarm", "2"], "false alarm rate: read 2"),
    ],
)
def test_refusals(app, folder, monkeypatch, arguments, message):
    result = run(app, folder, monkeypatch, *arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert "Traceback" not in result.stderr


def test_a_rung_that_was_not_calibrated_is_refused():
    bench = load_bench(DEMO)
    (again,) = (sweep for sweep in bench.sweeps if sweep.stage == "motor-alone")
    others = tuple(sweep for sweep in bench.sweeps if sweep.stage not in ("motor-alone", "braked"))
    known = calibrate(replace(bench, sweeps=others), draws=50, compare=False)
    with pytest.raises(InputError, match=f"{again.file}: stage 'motor-alone': the calibration holds no such sweep"):
        ask(known, [again])


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda text: text[: len(text) // 2], "was the file cut short?"),
        (lambda text: text.replace('"seed":20', '"seed":21'), "was edited or damaged"),
        (lambda text: text.replace("driveloss.calibration/1", "driveloss.calibration/9"), "key 'schema'"),
    ],
)
def test_a_damaged_calibration_is_refused(app, folder, tmp_path, damage, message):
    text = (folder / "calibration.json").read_text()
    damaged = tmp_path / "calibration.json"
    damaged.write_text(damage(text))
    assert damaged.read_text() != text
    result = RUNNER.invoke(app, [str(damaged), f"no-load:narrow:{folder / 'same.csv'}"])
    assert result.exit_code == 2
    assert message in result.stderr


def test_a_calibration_of_another_major_version_is_refused(app, folder, monkeypatch):
    monkeypatch.setattr("driveloss.__version__", "7.0.0")
    result = run(app, folder, monkeypatch, "no-load:narrow:same.csv")
    assert result.exit_code == 2
    assert "key 'program'" in result.stderr
