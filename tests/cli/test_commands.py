"""Each command does its job, and puts each kind of text where a pipe expects it."""

import csv
import json
import shutil

import numpy as np
import pytest

from cli.running import DEMO, QUICK, fresh, typed
from driveloss.breakdown.ask import Breakdown
from driveloss.cli.app import COMMANDS
from driveloss.figures import OF_BREAKDOWN
from driveloss.losses.ask import Losses
from driveloss.predict.ask import Predictions
from driveloss.whatif.ask import Gains
from driveloss.witnesses.ask import Witnesses

TABLE = "──────"  # the rule under a table's heads
pytestmark = pytest.mark.usefixtures("fitted_once")


def test_a_session_as_a_user_types_it(calibration, tmp_path):
    """The four commands in order, each in a process of its own.

    Two processes print the same JSON, whatever order sets of strings take, and draw whatever backend is named.
    """
    saved, drawn = tmp_path / "c.json", ("--draw", "flow", "--figure", tmp_path / "f.png")
    template = fresh("template", tmp_path / "mine")
    calibrate = fresh("calibrate", DEMO, "-o", saved, "--json", *QUICK, PYTHONHASHSEED="1")
    losses = fresh("losses", saved, "--at", "7.5", "--json")
    breakdown = fresh("breakdown", DEMO, "--calibration", saved, "--json", *drawn, MPLBACKEND="nonsense")
    assert [o.code for o in (template, calibrate, losses, breakdown)] == [0, 0, 0, 0]
    assert (tmp_path / "mine" / "bench.toml").exists()
    assert len(losses.json["rows"]) == 4
    assert calibrate.out == calibration.read_text(encoding="utf-8")
    assert len(breakdown.json["runs"]) == 34
    assert (tmp_path / "f.png").exists()


def test_bad_input_in_a_process_of_its_own_exits_2_without_a_traceback(tmp_path):
    outcome = fresh("calibrate", tmp_path / "nowhere")
    assert outcome.code == 2
    assert outcome.out == ""
    assert "Traceback" not in outcome.err
    assert "nowhere" in outcome.err


def test_without_words_help_is_shown():
    outcome = typed()
    assert (outcome.code, outcome.out) == (2, "")
    assert outcome.err == typed("--help").out


def test_the_version_is_the_package_s():
    from importlib.metadata import version

    assert typed("--version").out == f"driveloss {version('driveloss')}\n"


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_s_help_ends_with_an_example(command):
    outcome = typed(command, "--help")
    assert outcome.code == 0
    assert f"Example: driveloss {command} " in outcome.out


@pytest.mark.parametrize(
    ("command", "option", "words"),
    [
        ("breakdown", "--draw", "[parts|flow|ceilings|temperatures|budget|indicator|levelling]"),
        ("calibrate", "--draw", "[ladder|friction]"),
        ("compare", "--family", "[physical|polynomial]"),
        ("plan", "--order", "[up-down|random]"),
    ],
)
def test_help_shows_the_words_that_an_option_takes(command, option, words):
    assert f"{option} {words}" in typed(command, "--help").out


def test_template_names_the_files_it_wrote(tmp_path):
    outcome = typed("template", tmp_path / "mine")
    written = sorted(str(path) for path in (tmp_path / "mine").iterdir())
    assert sorted(outcome.out.split()) == written
    assert "driveloss calibrate" in outcome.err


def test_template_is_refused_by_calibrate_only_for_its_empty_sheets(tmp_path):
    """The form itself must be valid: what is missing is readings."""
    typed("template", tmp_path / "mine")
    outcome = typed("calibrate", tmp_path / "mine")
    assert outcome.code == 2
    assert ".csv" in outcome.err


def test_calibrate_saves_beside_the_bench_unless_told_otherwise(bench):
    outcome = typed("calibrate", bench, *QUICK)
    assert outcome.code == 0
    assert json.loads((bench / "calibration.json").read_text())["schema"] == "driveloss.calibration/1"
    assert f"Saved{bench / 'calibration.json'}" in "".join(outcome.err.split())


def test_calibrate_takes_the_bench_toml_itself(bench):
    assert typed("calibrate", bench / "bench.toml", *QUICK).code == 0


def test_calibrate_prints_the_text_that_it_saves(tmp_path):
    outcome = typed("calibrate", DEMO, "-o", tmp_path / "c.json", "--json", *QUICK)
    assert outcome.out == (tmp_path / "c.json").read_text()


def words(command, calibration, tmp_path):
    """A command with the least it needs."""
    return {
        "calibrate": ("calibrate", DEMO, "-o", tmp_path / "c.json", *QUICK),
        "losses": ("losses", calibration, "--at", "7.5", "--at", "30"),
        "breakdown": ("breakdown", DEMO, "--calibration", calibration),
    }[command]


@pytest.mark.parametrize("command", ["calibrate", "losses", "breakdown"])
def test_tables_go_to_standard_output_and_notices_do_not(command, calibration, tmp_path):
    """With --json both go to standard error."""
    outcome = typed(*words(command, calibration, tmp_path))
    assert outcome.code == 0
    assert TABLE in outcome.out
    assert TABLE not in outcome.err
    assert outcome.err != ""
    assert not [line for line in outcome.err.splitlines() if line in outcome.out.splitlines()]
    data = typed(*words(command, calibration, tmp_path), "--json")
    assert isinstance(data.json, dict)
    assert data.err == outcome.out + outcome.err


def test_breakdown_says_once_that_it_does_not_certify(calibration):
    outcome = typed("breakdown", DEMO, "--calibration", calibration)
    assert outcome.err.count("not a certificate") == 1
    assert "isolate the supply" in outcome.err.replace("\n", " ")


def test_a_notice_about_a_left_out_column_reaches_the_user(bench):
    sheet = bench / "motor-alone.csv"
    lines = [line for line in sheet.read_text().splitlines() if not line.startswith("#")]
    sheet.write_text("\n".join([lines[0] + ",mood", *(line + ",fine" for line in lines[1:])]))
    outcome = typed("calibrate", bench, *QUICK)
    assert outcome.code == 0
    assert "mood" in outcome.err
    assert "mood" not in outcome.out


def test_witnesses_are_drawn_beside_their_table(calibration, tmp_path):
    figure = tmp_path / "witnesses.svg"
    outcome = typed("witnesses", DEMO, "--calibration", calibration, "--figure", figure, "--json")
    assert outcome.code == 0 and figure.read_bytes().startswith(b"<?xml")
    moved = [row["work_percent_per_deg"] for row in outcome.json["rows"] if row["part"] == "pneumatic"][:3]
    phase = np.radians(outcome.json["rows"][1]["phase_deg"])
    assert moved == [None, pytest.approx(np.pi / 180 * 100 * abs(np.cos(phase) / np.sin(phase))), None]
    assert "dial gauge" in outcome.err and "%/deg" in outcome.err


def test_one_series_of_frequencies_holds_both_ends(calibration):
    rows = typed("losses", calibration, "--from", "4", "--to", "5", "--step", "0.25", "--json").json["rows"]
    drive = [row["frequency_Hz"] for row in rows if row["cylinder"] is None]
    assert drive == [4.0, 4.25, 4.5, 4.75, 5.0]


def test_losses_can_be_asked_of_one_cylinder_at_one_pressure(calibration):
    asked = ("--cylinder", "wide", "--mean-pressure", "0.5 bar gauge", "--json")
    (row,) = typed("losses", calibration, "--at", "7.5", *asked).json["rows"]
    assert row["cylinder"] == "wide"
    assert row["mean_pressure_Pa"] == pytest.approx(1.009e5 + 0.5e5)  # bench.toml states 1.009 bar around


def test_the_polynomial_family_answers_too(bench):
    assert typed("calibrate", bench, "--family", "polynomial", *QUICK).code == 0
    saved = json.loads((bench / "calibration.json").read_text())
    assert saved["family"] == "polynomial"
    assert typed("losses", bench / "calibration.json", "--at", "7.5").code == 0
    assert typed("breakdown", bench, "--family", "polynomial", *QUICK).code == 0


def test_a_saved_calibration_needs_nothing_of_its_bench(bench, tmp_path):
    typed("calibrate", bench, "-o", tmp_path / "alone.json", *QUICK)
    before = typed("losses", tmp_path / "alone.json", "--at", "7.5", "--json")
    shutil.rmtree(bench)
    assert typed("losses", tmp_path / "alone.json", "--at", "7.5", "--json") == before


WISH = ("--like", "wide", "--mean-pressure", "2 bar", "--bore", "40 mm", "--at", "8")
CSV = {  # the words, and the answer whose columns they are
    "losses": (("losses", "CALIBRATION", "--at", "7.5"), Losses),
    "breakdown": (("breakdown", DEMO, "--calibration", "CALIBRATION"), Breakdown),
    "breakdown with its budget": (("breakdown", DEMO, "--calibration", "CALIBRATION", "--budget"), Breakdown),
    "predict": (("predict", DEMO, "--calibration", "CALIBRATION", *WISH), Predictions),
    "whatif": (("whatif", DEMO, "--calibration", "CALIBRATION"), Gains),
    "witnesses": (("witnesses", DEMO, "--calibration", "CALIBRATION"), Witnesses),
}


@pytest.mark.parametrize("case", CSV)
def test_csv_has_the_columns_of_its_question(case, calibration):
    words, answer = CSV[case]
    outcome = typed(*(calibration if word == "CALIBRATION" else word for word in words), "--csv")
    assert outcome.code == 0, outcome.err
    head, *rows = csv.reader(outcome.out.splitlines())
    assert tuple(head) == answer.columns
    assert rows and {len(row) for row in rows} == {len(head)}
    assert TABLE not in outcome.out and outcome.err


@pytest.fixture
def uncoloured(monkeypatch):
    """Figures are drawn, but not turned into files: for tests that look at names alone."""
    monkeypatch.setattr("driveloss.figures.file_content", lambda figure, path: b"")


@pytest.mark.usefixtures("uncoloured")
def test_several_drawings_are_files_named_after_them(calibration, tmp_path):
    outcome = typed(
        *("breakdown", DEMO, "--calibration", calibration, "--figure", tmp_path / "x.svg"),
        *("--draw", "parts", "--draw", "temperatures"),
    )
    assert outcome.code == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["x-parts.svg", "x-temperatures.svg"]


@pytest.mark.usefixtures("uncoloured")
def test_a_folder_takes_every_drawing(calibration, tmp_path):
    outcome = typed("breakdown", DEMO, "--calibration", calibration, "--figure", tmp_path)
    assert outcome.code == 0
    assert {path.stem for path in tmp_path.iterdir()} == set(OF_BREAKDOWN)
