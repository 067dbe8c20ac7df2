"""The tables that people read, against the texts in tests/golden (regression; `golden` says how to renew them)."""

import pytest
from golden import COLUMNS, COMMANDS, HERE, differences, printed


@pytest.fixture(scope="module")
def texts(tmp_path_factory):
    """What each command prints now."""
    saved = tmp_path_factory.mktemp("golden") / "calibration.json"
    return {name: printed(name, saved) for name in COMMANDS}


@pytest.mark.parametrize("name", COMMANDS)
def test_the_table_is_the_one_that_was_looked_at(name, texts):
    expected = (HERE / f"{name}.txt").read_text(encoding="utf-8")
    assert differences(expected, texts[name]) == []


@pytest.mark.parametrize("name", COMMANDS)
def test_the_table_fits_the_terminal(name, texts):
    assert max(len(line) for line in texts[name].splitlines()) <= COLUMNS


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
