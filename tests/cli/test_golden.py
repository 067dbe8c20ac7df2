"""The tables that people read, against the texts in tests/golden (regression; `golden` says how to renew them)."""

import json

import pytest
from golden import COLUMNS, COMMANDS, HERE, differences, printed
from golden.numbers import HELD, moved, numbers


@pytest.fixture(scope="module")
def saved(tmp_path_factory):
    """Where `calibrate`, the first command of all, leaves the demo bench's calibration."""
    return tmp_path_factory.mktemp("golden") / "calibration.json"


@pytest.fixture(scope="module")
def texts(saved):
    """What each command prints now."""
    return {name: printed(name, saved) for name in COMMANDS}


@pytest.mark.parametrize("name", COMMANDS)
def test_the_table_is_the_one_that_was_looked_at(name, texts):
    expected = (HERE / f"{name}.txt").read_text(encoding="utf-8")
    assert differences(expected, texts[name]) == []


@pytest.mark.parametrize("name", COMMANDS)
def test_the_table_fits_the_terminal(name, texts):
    assert max(len(line) for line in texts[name].splitlines()) <= COLUMNS


def test_no_watt_moves_with_the_versions_of_the_libraries(texts, saved):
    """Regression, to 1e-9 of each half-width; texts: made first, as they leave the calibration."""
    assert moved(json.loads(HELD.read_text(encoding="utf-8")), numbers(saved)) == []


@pytest.mark.parametrize(("by", "sentences"), [(2e-9, 1), (0.5e-9, 0)])
def test_a_watt_that_moves_is_seen(by, sentences):
    held = {"a/total_W": [5.0, 0.5, 4.0, 6.0]}
    assert len(moved(held, {"a/total_W": [5.0, 0.5, 4.0 + by, 6.0]})) == sentences
    assert moved(held, {}) == ["a/total_W: on one side alone"]


LINE = " wide   7.50  12.3 ±0.24  W/Hz^2  44  a\n"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("12.3", "12.6"),
        ("12.3", "-12.3"),
        ("±0.24", "±0.30"),
        ("±0.24", "0.24"),
        ("wide", "narrow"),
        ("Hz^2", "Hz^3"),
        ("44", "46"),
        ("  a", ""),
        ("  a", "      a"),
        (" wide", "1"),
        ("a\n", "a\n\n"),
    ],
)
def test_a_real_change_is_seen(old, new):
    assert differences(LINE, LINE.replace(old, new)) != []


@pytest.mark.parametrize(("old", "new"), [("12.3", "12.4"), ("±0.24", "±0.26"), (" 7.50", "7.52"), ("12.3", "12.30")])
def test_another_last_digit_is_not(old, new):
    assert differences(LINE, LINE.replace(old, new)) == []


def test_the_label_of_a_row_may_not_change_at_all():
    assert differences("  7.5  1.00\n", "  7.6  1.00\n") != []
