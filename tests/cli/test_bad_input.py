"""Whatever is wrong with the input: exit code 2, one message that names it, no traceback and no file."""

import hashlib
import os
import shutil

import pytest

from cli.running import DEMO, QUICK, typed


def refused(outcome, *named):
    """Exit code 2, nothing for a pipe, and a message that names what was wrong."""
    message = " ".join(outcome.err.split())
    assert outcome.code == 2, message
    assert outcome.out == ""
    assert "Traceback" not in outcome.err
    assert [word for word in named if word not in message] == [], message


BENCHES = {
    "missing": (lambda folder: shutil.rmtree(folder), ("there is no such file",)),
    "empty": (lambda folder: [file.unlink() for file in folder.iterdir()], ("bench.toml", "there is no such file")),
    "directory": (lambda folder: become_folder(folder / "bench.toml"), ("bench.toml", "expected a file")),
    "no toml": (lambda folder: (folder / "bench.toml").write_text("schema = [1"), ("bench.toml",)),
    "other bytes": (lambda folder: (folder / "bench.toml").write_bytes(b"\xff\xfe\x00"), ("bench.toml",)),
    "no sweep": (lambda folder: (folder / "wide-no-load.csv").unlink(), ("bench.toml", "wide-no-load.csv")),
    "word for a number": (
        lambda folder: replaced(folder / "motor-alone.csv", "\n", "\nlots,", -2),
        ("motor-alone.csv",),
    ),
    "unit unknown": (lambda folder: replaced(folder / "bench.toml", "88 mm", "88 smoots"), ("rod_length", "smoots")),
    "key unknown": (lambda folder: replaced(folder / "bench.toml", "bore =", "boar ="), ("boar", "bore")),
}


def become_folder(file):
    file.unlink()
    file.mkdir()


def replaced(file, old, new, place=0):
    """Replace one occurrence; a negative place counts from the end."""
    pieces = file.read_text(encoding="utf-8").split(old)
    assert len(pieces) > 1, old
    at = place % (len(pieces) - 1)
    file.write_text(old.join(pieces[: at + 1]) + new + old.join(pieces[at + 1 :]), encoding="utf-8")


@pytest.mark.parametrize("command", ["calibrate", "breakdown"])
@pytest.mark.parametrize("case", BENCHES)
def test_a_bench_that_cannot_be_used(case, command, bench, tmp_path):
    spoil, named = BENCHES[case]
    spoil(bench)
    figure = tmp_path / "figure.png"
    refused(typed(command, bench, "--figure", figure, *QUICK), *named)
    assert not figure.exists()
    assert not (bench / "calibration.json").exists()


BAD_LOSSES = {
    "no frequency": ((), ("--at",)),
    "zero": (("--at", "0"), ("0 Hz", "positive")),
    "negative": (("--at", "-3"), ("-3 Hz", "positive")),
    "nan": (("--at", "nan"), ("nan Hz", "positive")),
    "infinite": (("--at", "inf"), ("inf Hz", "positive")),
    "word": (("--at", "fast"), ("--at",)),
    "one good and one bad": (("--at", "7", "--at", "0"), ("0 Hz",)),
    "no end": (("--from", "3", "--step", "1"), ("--from", "--to", "--step")),
    "no step": (("--from", "3", "--to", "5"), ("--from", "--to", "--step")),
    "only an end": (("--to", "5"), ("--from", "--to", "--step")),
    "backwards": (("--from", "5", "--to", "3", "--step", "1"), ("from <= to",)),
    "from zero": (("--from", "0", "--to", "3", "--step", "1"), ("0 < from",)),
    "step of zero": (("--from", "3", "--to", "5", "--step", "0"), ("step > 0",)),
    "step of nan": (("--from", "3", "--to", "5", "--step", "nan"), ("step > 0",)),
    "endless": (("--from", "3", "--to", "inf", "--step", "1"), ("--to",)),
    "huge series": (("--from", "1", "--to", "1000", "--step", "0.0001"), ("--step", "1000000")),
    "hugest series": (("--from", "1", "--to", "5", "--step", "1e-320"), ("--step",)),
    "unknown cylinder": (("--at", "7", "--cylinder", "broad"), ("'broad'", "'wide'", "'narrow'")),
    "no unit": (("--at", "7", "--mean-pressure", "2"), ("--mean-pressure", "unit", "'2'")),
    "another unit": (("--at", "7", "--mean-pressure", "2 mm"), ("--mean-pressure", "pressure", "'mm'")),
    "no number": (("--at", "7", "--mean-pressure", "bar"), ("--mean-pressure", "'bar'")),
    "below vacuum": (("--at", "7", "--mean-pressure", "-2 bar gauge"), ("--mean-pressure", "absolute")),
    "unknown option": (("--at", "7", "--speed", "3"), ("--speed",)),
}


@pytest.mark.parametrize("case", BAD_LOSSES)
def test_a_question_that_losses_cannot_answer(case, calibration):
    words, named = BAD_LOSSES[case]
    refused(typed("losses", calibration, "--json", *words), *named)


@pytest.mark.parametrize("command", ["calibrate", "breakdown"])
@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("--family", "phisical"), ("--family", "'phisical'", "physical, polynomial", "did you mean 'physical'?")),
        (("--draw", "sketch"), ("--draw", "'sketch'", "expected one of")),
        (("--draws", "1"), ("--draws",)),
        (("--draws", "many"), ("--draws",)),
        (("--seed", "-1"), ("--seed",)),
        (("--figure", "parts.bmp"), ("parts.bmp", ".png")),
    ],
)
def test_an_option_that_makes_no_sense(command, words, named, bench):
    refused(typed(command, bench, *words), *named)
    assert not (bench / "calibration.json").exists()


@pytest.mark.parametrize(
    ("words", "most"),
    [(("--seal", "0"), "up to 10"), (("--seal", "11"), "up to 10"), (("--transmission", "1.2"), "at most 1")],
)
def test_a_change_that_cannot_be(words, most, bench):
    refused(typed("whatif", bench, *words), words[0], f"read {words[1]}", "expected a number above 0", most)


def cut(text):
    return text[: len(text) // 2]


def of_another_release(text):
    """Sound in itself, but without something that this release needs."""
    body = text.partition("\n")[2].rstrip().replace('"seed":20,', "")
    return f'{{"checksum":"{hashlib.sha256(body.encode()).hexdigest()}",\n{body}\n'


CALIBRATIONS = {
    "cut": (cut, ("line", "cut short")),
    "without its last letters": (lambda text: text[:-3], ("cut short",)),
    "edited": (lambda text: text.replace('"seed":20', '"seed":22'), ("checksum", "edited")),
    "another checksum": (lambda text: text.replace('"checksum":"', '"checksum":"0'), ("checksum",)),
    "another schema": (lambda text: text.replace("calibration/1", "calibration/9"), ("schema", "calibration/9")),
    "another release": (of_another_release, ("seed", "calibrate the bench again")),
    "empty": (lambda text: "", ("cut short",)),
    "a list": (lambda text: "[1, 2]", ("schema",)),
    "a word": (lambda text: '"calibration"', ("schema",)),
    "null": (lambda text: "null", ("schema",)),
    "deep": (lambda text: "[" * 200_000, ("spoilt.json",)),
    "a long number": (lambda text: '{"schema": ' + "1" * 5000 + "}", ("spoilt.json",)),
    "no text": (lambda text: "\udcff", ("spoilt.json",)),
}


@pytest.mark.parametrize("command", ["losses", "breakdown"])
@pytest.mark.parametrize("case", CALIBRATIONS)
def test_a_calibration_that_cannot_be_used(case, command, calibration, tmp_path):
    spoil, named = CALIBRATIONS[case]
    file = tmp_path / "spoilt.json"
    text = calibration.read_text()
    assert spoil(text) != text
    file.write_text(spoil(text), encoding="utf-8", errors="surrogateescape")
    ask = {"losses": ("losses", file, "--at", "7"), "breakdown": ("breakdown", DEMO, "--calibration", file)}
    refused(typed(*ask[command]), "spoilt.json", *named)


@pytest.mark.parametrize("command", ["losses", "breakdown"])
@pytest.mark.parametrize("kind", ["missing", "folder"])
def test_a_calibration_that_is_not_there(kind, command, tmp_path):
    file = tmp_path / "c.json"
    if kind == "folder":
        file.mkdir()
    ask = {"losses": ("losses", file, "--at", "7"), "breakdown": ("breakdown", DEMO, "--calibration", file)}
    refused(typed(*ask[command]), "c.json")


def test_a_calibration_of_another_bench_lacks_the_cylinder(calibration, bench):
    replaced(bench / "bench.toml", "[cylinders.narrow]", "[cylinders.slim]")
    text = (bench / "bench.toml").read_text().replace('cylinder = "narrow"', 'cylinder = "slim"')
    (bench / "bench.toml").write_text(text)
    refused(typed("breakdown", bench, "--calibration", calibration), "'slim'")


@pytest.mark.parametrize("words", [(), ("--figure", "ladder.png")])
def test_an_output_that_is_a_folder(words, bench, tmp_path):
    (tmp_path / "taken.json").mkdir()
    before = sorted(tmp_path.rglob("*"))
    words = [tmp_path / word if word.endswith(".png") else word for word in words]
    refused(typed("calibrate", bench, "-o", tmp_path / "taken.json", *words, *QUICK), "taken.json", "cannot be written")
    assert sorted(tmp_path.rglob("*")) == before


def test_a_recording_is_never_written_over(bench):
    target = bench / "wide-recording.csv"
    before = target.read_bytes()
    refused(typed("report", bench, "-o", target, *QUICK), "wide-recording.csv", "one of the bench's own files")
    assert target.read_bytes() == before


def test_two_outputs_of_one_name(bench, tmp_path):
    target = tmp_path / "answer.png"
    refused(typed("calibrate", bench, "-o", target, "--figure", target, *QUICK), "answer.png", "named for two outputs")
    assert not target.exists()


@pytest.fixture
def no_fit(monkeypatch):
    """Nothing may be fitted: what cannot be written is found before the work."""

    def fails(*_, **__):
        raise AssertionError("fitted in vain")

    monkeypatch.setattr("driveloss.fit.calibrate.build_ladder", fails)


@pytest.mark.parametrize(
    "words",
    [
        ("calibrate", DEMO, "-o", "nowhere/c.json"),
        ("calibrate", DEMO, "-o", DEMO / "bench.toml"),
        ("calibrate", DEMO, "-o", "c.json", "--figure", "x" * 300 + ".png"),
        ("breakdown", DEMO, "--figure", "nowhere/x.png"),
        ("breakdown", DEMO, "--figure", "parts.bmp"),
        ("breakdown", DEMO, "--json", "--csv"),
        ("report", DEMO, "-o", "nowhere/report.html"),
        ("plan", DEMO, "--at", "8", "--readings", "40", "--sheets", DEMO),
    ],
    ids=lambda words: " ".join(str(word) for word in words if word != DEMO)[:60],
)
def test_what_cannot_be_written_is_said_before_the_work(words, no_fit, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    refused(typed(*words), "expected")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("option", ["-o", "--figure"])
def test_an_output_in_a_folder_that_is_not_there(option, bench, tmp_path):
    target = tmp_path / "nowhere" / "answer.png"
    refused(typed("calibrate", bench, option, target, *QUICK), "answer.png", "cannot be written")
    assert not target.parent.exists()
    assert not (bench / "calibration.json").exists()


@pytest.mark.parametrize("option", ["-o", "--figure"])
def test_an_output_in_a_folder_that_may_not_be_written(option, bench, tmp_path):
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o500)
    if os.access(closed, os.W_OK):
        closed = tmp_path / "file"  # for the superuser no folder is closed, but a file is no folder
        closed.write_text("")
    refused(typed("calibrate", bench, option, closed / "answer.png", *QUICK), "answer.png", "cannot be written")
    assert not (bench / "calibration.json").exists()


def test_breakdown_with_a_figure_that_cannot_be_written_prints_nothing(calibration, tmp_path):
    ask = ("breakdown", DEMO, "--calibration", calibration, "--figure", tmp_path / "nowhere" / "x.png")
    refused(typed(*ask), "x.png")


@pytest.mark.parametrize("kind", ["file", "full folder", "inside a file"])
def test_template_never_writes_over_anything(kind, tmp_path):
    target = tmp_path / "mine"
    if kind == "full folder":
        target.mkdir()
        (target / "kept.txt").write_text("kept")
    else:
        target.write_text("kept")
    refused(typed("template", target / "deep" if kind == "inside a file" else target), "mine")
    assert [p.read_text() for p in tmp_path.rglob("*") if p.is_file()] == ["kept"]
