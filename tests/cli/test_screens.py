"""The plain screens of the demo bench: the answer first, one table, and no more lines than people read."""

import re

import pytest

from cli.running import DEMO, typed

BOUNDS = {  # lines at 80 columns, on standard output and standard error; each half of what it took before, or less
    "breakdown": (100, 12),
    "compare": (60, 12),
    "predict": (16, 26),
    "calibrate": (32, 6),
}
RULE = "─────"
SWEEP_LINE = re.compile(r"\w+ [\d.]+ bar, \d+\.\d\d Hz: net [\d.]+ ±[\d.]+ W, ceiling [\d.]+ %, \w+ [\d.]+ W")


@pytest.fixture(scope="module")
def screens(tmp_path_factory):
    """What each prints, at 80 columns and with all draws."""
    saved = tmp_path_factory.mktemp("screens") / "c.json"
    return {
        "calibrate": typed("calibrate", DEMO, "-o", saved, columns=80),
        "breakdown": typed("breakdown", DEMO, "--calibration", saved, columns=80),
        "all": typed("breakdown", DEMO, "--calibration", saved, "--all", columns=80),
        "compare": typed("compare", DEMO, "--draws", 200, columns=80),
        "predict": typed(
            "predict",
            DEMO,
            "--calibration",
            saved,
            "--bore",
            "50 mm",
            "--mean-pressure",
            "3 bar",
            "--at",
            9,
            columns=80,
        ),
    }


@pytest.mark.parametrize("command", BOUNDS)
def test_a_screen_is_short(command, screens):
    outcome = screens[command]
    assert outcome.code == 0, outcome.err
    out, err = BOUNDS[command]
    assert len(outcome.out.splitlines()) <= out
    assert len(outcome.err.splitlines()) <= err
    assert max(map(len, (outcome.out + outcome.err).splitlines())) <= 80


def test_breakdown_says_first_what_came_of_each_sweep(screens):
    title, *lines = screens["breakdown"].out.splitlines()
    assert title == "The best run of each sweep: net power, ceiling, largest loss"
    assert all(SWEEP_LINE.fullmatch(line) for line in lines[:4])
    assert lines[4].startswith("Joined with recording wide-recording.csv and run-down rundown.csv, which agree")
    assert "" in lines[5:7]


def test_breakdown_has_one_table_with_every_run(screens):
    out = screens["breakdown"].out
    assert out.count(RULE * 10) == 1
    head = out[: out.index(RULE)].splitlines()[-2].split()
    assert head == ["Sweep", "Hz", "Input", "Motor", "Linkage", "Seal", "Net", "[%]", "Heat", "Flags"]
    assert len(re.findall(r"(?m)^ .{9} +\d+\.\d\d +\d", out)) == 34  # Hz to 0.01, input
    assert not re.search(r"(?m)^ *\d+\.\d Hz", out)


def test_breakdown_names_the_three_assumptions_that_matter_most(screens):
    points = [line for line in screens["breakdown"].out.splitlines() if line.startswith("- ")]
    assert len(points) == 3 and all(re.search(r", ±[\d.]+ W: ", point) for point in points)


def test_all_adds_what_the_plain_screen_leaves_out(screens):
    out, plain = screens["all"].out, screens["breakdown"].out
    for head in ("Standby", "ideal at", "Hot end", "R_th", "bench.toml key"):
        assert head in out and head not in plain, head
    assert out.splitlines()[:5] == plain.splitlines()[:5]
    assert "Idle" not in out + plain


def test_calibrate_says_what_was_found_in_three_points(screens):
    out = screens["calibrate"].out
    points = re.findall(r"(?m)^- (\w+)", out)
    assert points == ["Losses", "Fit", "Left"]
    assert "1 of 77 readings (wide-no-load-charged.csv, line 12)" in " ".join(out.split())
    assert "Polynomial family" not in out and "Close rivals" not in out and "motor: Coulomb torque" in out


def test_calibrate_tells_all_when_asked_to(tmp_path):
    outcome = typed("calibrate", DEMO, "-o", tmp_path / "c.json", "--draws", 200, "--all", columns=80)
    for title in ("Physical family", "Polynomial family", "Side by side", "Close rivals"):
        assert outcome.out.count(title) == 1, title
    assert "the readings do not support" in outcome.err
