"""The command: what lands where, at 80 columns, and how bad input ends."""

import json
import re
from functools import cache
from pathlib import Path

import pytest
import typer
from cli.running import RUNNER

from compare.machines import bench, drive_alone
from driveloss.cli.compare import compare
from driveloss.compare import tell

DEMO = Path(__file__).parents[2] / "calib_data"
QUICK = ["--draws", "200"]
pytestmark = pytest.mark.usefixtures("fitted_once")


@cache
def told(columns, *words):
    """What the command says in a window of some columns; the same words are asked once."""
    app = typer.Typer(rich_markup_mode=None, pretty_exceptions_enable=False)
    app.command()(compare)
    return RUNNER.invoke(app, [*words, *QUICK], env={"COLUMNS": str(columns)})


def run(*words, columns=80):
    return told(columns, *map(str, words))


def test_a_bench_without_cylinders_is_refused(without_cylinders):
    result = run(without_cylinders)
    assert result.exit_code == 2
    assert "no cylinder has a no-load sweep, expected one" in " ".join(result.stderr.split())
    both = run(DEMO, without_cylinders)
    assert both.exit_code == 2
    assert f"{without_cylinders.name}/bench.toml" in both.stderr


@pytest.fixture
def without_cylinders(tmp_path):
    """The demo's drive alone."""
    return drive_alone(DEMO, tmp_path / "drive")


@pytest.mark.parametrize("columns", [60, 80, 120])
@pytest.mark.parametrize("more", [(), ("--all",)])
def test_fits_the_window(columns, more):
    result = run(DEMO, *more, columns=columns)
    assert result.exit_code == 0, result.output
    assert max(map(len, result.output.splitlines())) <= columns
    assert "better" in result.stdout
    assert "pressure-not-calibrated" in result.stderr
    assert "…" not in result.stdout


def test_the_answer_comes_first_and_each_bias_once():
    result = run(DEMO, "--at", 8)
    out = result.stdout
    assert out.startswith("Seal friction power, at 8 Hz: row less column [W]")
    assert " ".join(out.split()).count(" is better: ") <= 3
    assert "No-load seal friction" not in out and "What would tell the rest:" in out
    assert out.count("pressure-not-calibrated") == result.stderr.count("pressure-not-calibrated") == 1
    assert "joined by a parabola" not in result.stderr


def matrix_of(out, title):
    """The rows of one matrix by letter: cells by the letters of the columns, and the names of the rows."""
    lines = out[out.index(title) :].splitlines()
    heads, start = lines[2], {}
    letters = heads.split()[3:]
    ends = {letter: heads.index(f" {letter}", len("Row less column")) + 2 for letter in letters}
    for letter, line in zip(letters, lines[4 : 4 + len(letters)], strict=True):
        assert line.split()[0] == letter
        start[letter] = {column: line[:end].split("  ")[-1].strip() for column, end in ends.items()}
    return start


def test_the_matrix_holds_what_the_differences_say():
    """Row less column, with the mark of the verdict; the column less the row is its opposite."""
    out = run(DEMO, "--at", 8).stdout
    data = json.loads(run(DEMO, "--at", 8, "--json").stdout)
    cells = matrix_of(out, "Input power for the same net")
    names = {entry["label"]: None for entry in data["entries"]}
    letter = dict(zip(names, "ABCD", strict=True))
    for d in data["differences"]:
        if d["question"] != "input-at-net":
            continue
        one, other = letter[d["first"]], letter[d["second"]]
        number, mark = re.fullmatch(r"([+-][\d.]+)(\D?)", cells[one][other]).groups()
        assert float(number) == pytest.approx(d["difference"]["value"], rel=0.05)
        assert float(cells[other][one].removesuffix(mark)) == -float(number)
        sure = d["verdict_on_first"] in ("better", "worse")
        assert mark == ("" if sure else "!" if d["biased_by"] else "?")


def test_many_sweeps_are_ranked_each_less_the_best(monkeypatch):
    """Four sweeps, were that many: rows in the order of their seal friction, cells as the differences say."""
    data = json.loads(run(DEMO, "--at", 8, "--json").stdout)
    monkeypatch.setattr(tell, "MOST_IN_MATRIX", 3)
    out = told.__wrapped__(80, str(DEMO), "--at", "8").stdout
    assert out.startswith("Each less the best, friction at 8 Hz;") and "row less column" not in out
    rows = {line.split("bar")[0].strip()[2:] + " bar": line.split("bar")[1].split() for line in out.splitlines()[6:10]}
    friction = {row["entry"].replace(" at ", " "): row["seal_W"]["value"] for row in data["losses"]}
    assert list(rows) == [*sorted(friction, key=friction.get), "narrow 2.38 bar"]
    (best,) = (name for name, cells in rows.items() if cells[-1] == "best")
    for d in (d for d in data["differences"] if d["question"] == "input-at-drop"):
        for name, other, sign in ((d["first"], d["second"], 1), (d["second"], d["first"], -1)):
            if other.replace(" at ", " ") == best:
                cell = rows[name.replace(" at ", " ")][-1]
                assert float(cell.rstrip("?!")) == pytest.approx(sign * d["difference"]["value"], rel=0.01)
                assert cell.endswith("?") == (d["verdict_on_first"] == "cannot be told" and not d["biased_by"])


def test_what_would_tell_names_the_cure():
    """The demo does not state what its narrow seal does between ladder and run: that hides narrow against wide."""
    out = " ".join(run(DEMO, "--at", 8).stdout.split())
    told = out[out.index("What would tell the rest:") :]
    assert "A-C: seal between ladder and run hides it" in told
    assert "a no-load sweep straight after the loaded runs" in told and "cylinders.narrow.seal_change" in told


def test_demo_verdicts_are_true():
    """The demo's truth: the narrow lip drags less than the wide ring; charging the wide piston makes it drag more."""
    out = " ".join(run(DEMO, "--at", 8, "--all").stdout.split())
    friction = out[out.rindex("Seal friction power, at 8 Hz") : out.rindex("Friction force per metre")]
    assert "narrow at 1.009 bar is better: it takes" in friction
    assert "wide at 1.009 bar is better: it takes" in friction
    assert "but narrow at 2.38 bar is flagged pressure-not-calibrated" in out


def test_json():
    result = run(DEMO, "--json", "--at", 6)
    data = json.loads(result.stdout)
    assert data["schema"] == "driveloss.compare/1"
    assert {row["frequency_Hz"] for row in data["losses"]} == {6.0}
    pairs = [d for d in data["differences"] if d["question"] == "seal-power"]
    assert len(pairs) == 3
    for d in pairs:
        gap = d["first_value"]["value"] - d["second_value"]["value"]
        assert d["difference"]["value"] == pytest.approx(gap)
        assert (d["better"] == d["first"]) == (d["verdict_on_first"] == "better")
    assert "row less column" in result.stderr


def test_two_benches(tmp_path):
    for name, seed in (("before", 1), ("after", 2)):
        bench(tmp_path / name, seed=seed)
    result = run(tmp_path / "before", tmp_path / "after", "--at", 7)
    assert result.exit_code == 0, result.output
    notes = " ".join(result.stderr.split())
    assert "are taken to have the same meter ([meter] reads alike; else --other-meter) and" in notes
    assert "the same motor ([motor] reads alike; else --other-motor); [transmission] and [crank] too." in notes
    assert max(map(len, result.output.splitlines())) <= 80
    apart = run(tmp_path / "before", tmp_path / "after", "--at", 7, "--other-motor")
    notes = " ".join(apart.stderr.split())
    assert "the same meter ([meter] reads alike; else --other-meter) and different motors (as told);" in notes
    assert "[transmission] and [crank] err separately" in notes


def test_many_pairs_are_told_only_where_one_thing_differs(tmp_path):
    for name, seed in (("before", 1), ("after", 2), ("later", 3)):
        bench(tmp_path / name, seed=seed)
    out = " ".join(run(*(tmp_path / n for n in ("before", "after", "later")), "--at", 7, "--all").stdout.split())
    seal = out[out.rindex("Seal friction power") : out.rindex("Friction force per metre")]
    assert seal.count(" - ") == 9  # of 15 pairs: 3 within a bench, 3 for each of two cylinders
    assert "nothing" not in seal


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--at", "0"], "frequency: read 0 Hz, expected a positive number"),
        (["--drop", "-3"], "temperature drop: read -3 K, expected a positive number"),
        (["--family", "fysical"], "did you mean 'physical'?"),
    ],
)
def test_bad_options_exit_2(words, message):
    result = run(DEMO, *words)
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.split())
    assert result.stdout == ""


def test_no_such_bench_exits_2(tmp_path):
    result = run(tmp_path / "nowhere")
    assert result.exit_code == 2
    assert "nowhere" in result.stderr
