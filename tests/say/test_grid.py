"""Tables on a terminal: no number is torn, ± stands in one place, whatever the width and however many cylinders."""

import re
from dataclasses import replace
from itertools import pairwise

import pytest
from compare.machines import DRAGGING, FREQUENCIES, TRUTH, bench
from simulate import ladder

import driveloss
from driveloss.compare.benches import calibrate_together
from driveloss.losses.tell import middle_line
from driveloss.say.calibration import calibration_answer, calibration_tables
from driveloss.say.grid import drawn
from driveloss.say.numbers import rounded
from driveloss.say.sheet import Sheet
from driveloss.say.wrap import wrapped

WIDTHS = (60, 72, 80, 120)
NAMES = ("wide", "narrow", "PTFE-lip", "brass-ring", "felt", "composite-2")
NUMBER = re.compile(r"\(?[+-]?\d[\d.]*\)?")


@pytest.fixture(scope="module", params=[1, pytest.param(3, marks=pytest.mark.long), 6])
def told(request, tmp_path_factory):
    """Everything that is said of a bench with so many cylinders, short and long."""
    names = NAMES[: request.param]
    cylinders = tuple(replace(DRAGGING, name=name, bore=0.03 + 0.002 * i) for i, name in enumerate(names))
    truth = replace(TRUTH, cylinders=cylinders)
    folder = tmp_path_factory.mktemp("bench")
    _, loaded = bench(folder, truth, sweeps=ladder(truth, FREQUENCIES[:4], repeats=2))
    (subject,) = calibrate_together([loaded], draws=200)
    split = driveloss.breakdown(subject.calibration, loaded.sweeps)
    answers = (
        split,
        driveloss.compare([subject]),
        driveloss.predict(split, [7.0, 8.0], like=names[0], bore="40 mm", mean_pressure="2 bar"),
        driveloss.losses(subject.calibration, [7.0, 15.0]),
        driveloss.whatif(split),
    )
    calibration = driveloss.calibrate(loaded, draws=200)
    items = [item for answer in answers for more in (False, True) for item in answer.tables(everything=more)]
    items += [*calibration_answer(calibration, middle_line(calibration)), *calibration_tables(calibration)]
    return items


def words_of(text):
    return {word.rstrip(",;.") for word in text.split()}


@pytest.mark.parametrize("width", WIDTHS)
def test_no_number_in_a_table_is_torn(told, width):
    for sheet in (item for item in told if isinstance(item, Sheet)):
        lines = drawn(sheet, width)
        assert max(map(len, lines)) <= width, sheet.title
        shown = words_of("\n".join(lines))
        numbers = [i for i, head in enumerate(sheet.heads) if head not in sheet.left]
        assert {word for row in sheet.rows for i in numbers for word in words_of(row[i])} <= shown, sheet.title


@pytest.mark.parametrize("width", WIDTHS)
def test_half_widths_stand_in_one_place_in_a_table(told, width):
    """Behind every number, or below every number right under its last digit."""
    for sheet in (item for item in told if isinstance(item, Sheet)):
        lines = drawn(sheet, width)
        behind = [
            bool(re.search(r"(^| )\(?[+-]?\d[\d.]*\)? $", line[: at.start()]))
            for line in lines
            for at in re.finditer(r"±\d", line)
        ]
        assert len(set(behind)) <= 1, sheet.title
        if not any(behind):
            for above, line in pairwise(lines):
                for at in re.finditer(r"±[\d.]+", line):
                    assert re.fullmatch(r"[\d)]", above[at.end() - 1]), (above, line)


@pytest.mark.parametrize("width", WIDTHS)
def test_no_number_in_a_sentence_loses_its_half_width_or_unit(told, width):
    sentences = [
        line for item in told if not isinstance(item, Sheet) for line in ([item] if isinstance(item, str) else item)
    ]
    for text in sentences:
        for line in wrapped(text, width):
            assert len(line) <= width
            assert not re.match(r" *(±[^ ]|(W|Hz|bar|N m|N/m|K|%)\b)", line), text
            assert not line.endswith("±")


def test_below_72_columns_a_run_is_a_block(told):
    table = next(item for item in told if isinstance(item, Sheet) and "Sweep" in item.heads)
    narrow, wide = drawn(table, 60), drawn(table, 80)
    assert not any("─" in line for line in narrow) and any("─" in line for line in wide)
    blocks = [line for line in narrow if not line.startswith(" ")]
    assert len(blocks) == len(table.rows)  # each opened by the sweep it is of
    assert all(block for block in blocks)


def test_a_narrow_table_stands_at_any_width():
    sheet = Sheet("Two", ("Name", "W"), (("a", "1.0 ±0.1"), ("b", "2.0 ±0.1")), ("Name",))
    assert (
        drawn(sheet, 60)
        == drawn(sheet, 120)
        == [" Name         W", " ──────────────", " a     1.0 ±0.1", " b     2.0 ±0.1"]
    )


def test_without_rows_the_heads_stand():
    assert drawn(Sheet("None", ("Name", "W"), ()), 80) == [" Name  W", " ───────"]


@pytest.mark.parametrize("value", [-1e-9, -0.0, 0.0, -0.0004])
def test_nothing_has_no_sign(value):
    assert rounded(value, 2) == rounded(value, 2, "+") == "0.00"
