"""Answers in Python: what the package shows, data, frames, notebooks, and what an uncertainty comes from."""

import csv
import io
import re
import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from cli.running import DEMO
from fit.benches import Sheet as Readings
from fit.benches import same, write_bench

import driveloss
from driveloss.errors import MissingPackageError
from driveloss.fit.estimate import Estimate
from driveloss.say.csv_form import spread, to_csv
from driveloss.say.flags import FLAGS, flag_letters
from driveloss.say.quantities import QUANTITIES, shown_parts
from driveloss.say.sheet import Sheet, html

PUBLIC = {
    *("load_bench", "calibrate", "save_calibration", "read_calibration", "losses", "breakdown", "compare", "predict"),
    *(
        "plan",
        "recheck",
        "witnesses",
        "whatif",
        "steady",
        "read_log",
        "three_readings",
        "draw",
        "batch",
        "DrivelossError",
        "InputError",
        "OutputError",
        "MissingPackageError",
        "__version__",
    ),
}
LINE = 120  # characters


@pytest.fixture(scope="module")
def demo():
    bench = driveloss.load_bench(DEMO)
    return bench, driveloss.calibrate(bench, draws=300, compare=False)


@pytest.fixture(scope="module")
def answers(demo):
    """One of each kind."""
    bench, calibration = demo
    split = driveloss.breakdown(calibration, bench.sweeps)
    return [
        driveloss.losses(calibration, [7.5, 9.0]),
        split,
        driveloss.compare([bench]),
        driveloss.predict(split, [8.0], like="wide", bore="40 mm", mean_pressure="2 bar"),
        driveloss.plan(bench, [8.0], half_width="0.5 W"),
        driveloss.recheck(calibration, [sweep for sweep in bench.sweeps if sweep.stage == "no-load"]),
        driveloss.whatif(split),
    ]


def test_the_package_shows_what_users_need_and_nothing_else():
    assert set(dir(driveloss)) == PUBLIC
    assert all(getattr(driveloss, name) is not None for name in PUBLIC)


def test_everything_that_people_look_at_fits_a_line(demo, answers):
    bench, calibration = demo
    losses, split, comparison, prediction, *_ = answers
    inner = (losses[0], split.runs[0], comparison.losses[0], comparison.differences[0], prediction.points[0])
    for shown in (bench, bench.sweeps[0], calibration, *answers, *inner):
        assert len(repr(shown)) <= LINE, repr(shown)
    assert "76 readings, cylinders wide, narrow" in repr(calibration)


def test_every_answer_gives_data_rows_and_tables(answers):
    for answer in answers:
        assert answer.to_dict()["schema"].startswith("driveloss.")
        assert answer.rows()
        page = answer._repr_html_()
        assert page.count("<table>") == page.count("</table>") == sum(isinstance(t, Sheet) for t in answer.tables())


def test_losses_are_a_sequence(answers):
    losses = answers[0]
    assert len(losses) == len(list(losses)) == 8
    assert losses[-1].cylinder == "narrow"
    assert losses.to_dict()["rows"][-1]["total_W"]["value"] == losses[-1].total.value


def test_quantities_are_attributes_and_can_be_had_by_name(answers):
    run, point = answers[1].runs[0], answers[3].points[0]
    for record in (run, point, answers[0][-1]):
        assert all(getattr(record, name) is found for name, found in record.parts.items())
        assert list(record.data()) == [QUANTITIES[name].json_key for name in record.parts]


def test_parts_that_take_nothing_have_no_column(answers):
    """The demo's controller idles; a belt that takes a share has a column, and what takes nothing has none."""
    nothing, some = Estimate(0.0, 0.1, 0.0, 0.2), Estimate(1.0, 0.1, 0.8, 1.2)
    runs = [replace(run, transmission=some) for run in answers[1].runs]
    every = ("input", "standby", "motor", "linkage", "transmission", "seal", "pneumatic")
    assert shown_parts(runs) == every
    direct = [replace(run, standby=nothing, transmission=nothing, motor=None, linkage=None) for run in runs]
    assert shown_parts(direct) == ("input", "drive", "seal", "pneumatic")


def test_html_holds_no_markup_of_the_users(tmp_path):
    sheet = Sheet("<b>", ("a&b",), (("<script>\nx",),), ("a&b",))
    assert html([sheet, "", ("<i>",)]) == (
        '<table><caption>&lt;b&gt;</caption><tr><th style="text-align: left">a&amp;b</th></tr>'
        '<tr><td style="text-align: left">&lt;script&gt;<br>x</td></tr></table><ul><li>&lt;i&gt;</li></ul>'
    )


def test_a_frame_without_pandas_names_the_cure(answers, monkeypatch):
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(MissingPackageError, match="pip install pandas"):
        answers[0].to_frame()
    assert issubclass(MissingPackageError, ImportError)


def test_a_frame_takes_four_columns_a_quantity(answers, monkeypatch):
    """Whatever stands in for pandas is handed the flat rows."""
    monkeypatch.setitem(sys.modules, "pandas", SimpleNamespace(DataFrame=list))
    row = answers[1].to_frame()[0]
    net = answers[1].runs[0].pneumatic
    found = [row[f"pneumatic{end}_W"] for end in ("", "_u", "_low", "_high")]
    assert found == [net.value, net.u, net.low, net.high]
    assert row["motor_W"] is not None and row["cylinder"] == "wide"
    assert "torque_cycle" not in answers[3].to_frame()[0]


def test_csv_columns_are_the_same_whatever_the_data(answers, monkeypatch):
    """One schema a question: of all rows, and of none. Names are words that every program reads, none twice."""
    monkeypatch.setitem(sys.modules, "pandas", SimpleNamespace(DataFrame=list))
    for answer in (one for one in answers if one.columns):
        assert len(set(answer.columns)) == len(answer.columns)
        assert all(re.fullmatch(r"[A-Za-z]\w*", name, re.ASCII) for name in answer.columns)
        for rows in (answer.rows(), answer.rows()[:1], []):
            assert to_csv(rows, answer.columns).splitlines()[0] == ",".join(answer.columns)
        assert all(tuple(row) == answer.columns for row in answer.to_frame())
        quantities = {key for row in answer.rows() for key, item in row.items() if isinstance(item, dict)}
        assert quantities - {"disagreement"} <= set(answer.columns)
    assert sum(bool(answer.columns) for answer in answers) == 6  # plan's rows hold no quantity


def test_the_four_columns_of_a_quantity_stand_together_with_the_unit_last():
    for quantity in QUANTITIES.values():
        unit = quantity.json_key.removeprefix(quantity.key)
        assert spread(quantity.json_key) == tuple(f"{quantity.key}{end}{unit}" for end in ("", "_u", "_low", "_high"))
    assert spread("change_W", "drift")[3:6] == ("change_high_W", "drift", "drift_u")


def test_what_is_not_determinable_is_an_empty_cell(demo, answers):
    """A bench without a motor-alone sweep has the same columns, empty where motor and linkage cannot be told."""
    split = answers[1]
    lone = replace(split, draws={k: v for k, v in split.draws.items() if k not in ("motor", "linkage")})
    (first, second) = (list(csv.DictReader(io.StringIO(to_csv(one.rows(), one.columns)))) for one in (split, lone))
    assert list(first[0]) == list(second[0]) == list(split.columns)
    assert [second[0][f"motor{end}_W"] for end in ("", "_u", "_low", "_high")] == [""] * 4
    assert float(first[0]["motor_u_W"]) > 0


def test_what_was_read_stands_as_it_was_read(demo, answers):
    """Pressures and frequencies without the digits of a conversion, and the temperatures beside them."""
    row = next(csv.DictReader(io.StringIO(to_csv(answers[1].rows(), answers[1].columns))))
    loaded = next(sweep for sweep in demo[0].sweeps if sweep.stage == "loaded")
    assert len(row["mean_pressure_Pa"].rstrip("0.")) <= 7 and len(row["frequency_Hz"]) <= 8
    for name in ("cold_end", "hot_end", "coolant", "winding"):
        read = getattr(loaded, name)
        assert row[f"{name}_read_K"] == ("" if read is None else str(float(read[0])))


def test_an_entry_without_a_column_is_an_error_in_the_program():
    with pytest.raises(ValueError, match="entries without a column: seal_W"):
        to_csv([{"file": "a", "seal_W": 1.0}], ("file",))


def test_format_gives_value_and_half_width_alike():
    assert f"{Estimate(12.336, 0.3, 11.78, 12.9):.2f} W" == "12.34 ±0.56 W"
    assert f"{Estimate(1.0, 0.1, 0.9, 1.1)}" == "Estimate(value=1.0, u=0.1, low=0.9, high=1.1)"


def test_components_of_one_stated_error(tmp_path):
    """A rectangular gain error of 1 % on a difference of 47 W: half of its 95 % interval is 0.95 of the limit
    (JCGM 101:2008, 7.7), and nothing else is at work."""
    sheets = [
        Readings(stage, "frequency [Hz],power [W]", same(("10.0", f"{watts:.9f}")), pressure)
        for stage, watts, pressure in (
            ("piston-disconnected", 20.0, ""),
            ("no-load", 31.0, ""),
            ("loaded", 78.0, 'mean_pressure = "1 bar"'),
        )
    ]
    sections = '[meter]\npower = "1 %"\n[motor]\nsupply = "terminals"\nincremental_efficiency = 1.0'
    bench = write_bench(tmp_path, sections, sheets)
    split = driveloss.breakdown(driveloss.calibrate(bench, draws=400, compare=False), bench.sweeps)
    found = split.runs[0].pneumatic.components()
    assert next(iter(found)) == "meter gain"
    assert found.pop("meter gain") == pytest.approx(0.95 * 0.01 * 47, rel=0.02)
    assert max(found.values()) < 0.005


def test_components_add_up_in_squares(answers):
    """Law of propagation for independent inputs, JCGM 100:2008, 5.1.2."""
    for one in (answers[1].runs[5].pneumatic, answers[0][-1].total, answers[3].points[0].input):
        assert np.sqrt(sum(part**2 for part in one.components().values())) == pytest.approx(one.half_width, rel=0.2)


def test_an_estimate_without_draws_has_no_components():
    assert Estimate(1.0, 0.1, 0.8, 1.2).components() == {}


def test_text_and_quantities_plan_and_predict_alike(answers):
    by_number = driveloss.plan(driveloss.load_bench(DEMO), [8.0], half_width=0.5)
    assert by_number.readings == answers[4].readings


def test_a_quantity_that_cannot_be_read_names_its_key(demo):
    with pytest.raises(driveloss.InputError, match=r"bore.*50 furlongs"):
        driveloss.predict(demo[0], [8.0], bore="50 furlongs")


def test_saved_and_read_again(demo, tmp_path):
    driveloss.save_calibration(demo[1], str(tmp_path / "c.json"))
    assert driveloss.read_calibration(str(tmp_path / "c.json")).ranges == demo[1].ranges


def test_a_figure_of_a_breakdown(answers):
    figure = driveloss.draw("budget", answers[1])
    assert type(figure).__module__.startswith("matplotlib")


def test_flags_keep_their_letters():
    """Regression: letters stand in files and pages that people keep. A flag that is added goes to the end."""
    assert flag_letters(["extrapolated", "not-cooling", "speed-extrapolated", "phase-assumed"]) == "a j k p"
    assert {way for flag in FLAGS.values() for way in flag.unheld} <= {-1, 1}
