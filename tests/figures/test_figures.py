"""Do the figures say what the numbers say, and can they be read? One to six cylinders, simulated benches."""

import re
import subprocess
import sys
from dataclasses import replace
from functools import cache
from html import unescape
from itertools import combinations, pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulate import (
    CylinderTruth,
    Effects,
    Limits,
    MotorTruth,
    Protocol,
    SealLaw,
    TorqueLaw,
    Truth,
    ladder,
    write_bench,
)

import driveloss
from driveloss import figures
from driveloss.breakdown.budget import budget as budget_of
from driveloss.breakdown.tell import budget_tables
from driveloss.errors import InputError, OutputError
from driveloss.figures import flow as figure_flow
from driveloss.figures import layout as figure_layout
from driveloss.figures import style
from driveloss.figures.budget import bars_of as bars_of_budget
from driveloss.figures.runs import Split
from driveloss.figures.svg import Looks, svg_element
from driveloss.fit.estimate import Estimate
from driveloss.say.numbers import watts

FREQUENCIES = (4.1, 6.2, 7.7, 9.6, 11.3)  # [Hz]
PRESSURES = (101325.0, 2.4e5)  # [Pa]
NAMES = ("wide", "narrow", "$money$", "a cylinder with a very long name", "five", "six")
ALL = (*figures.OF_CALIBRATION, *(name for name in figures.OF_BREAKDOWN if name != "indicator"))
CURVED = [name for name in ALL if name != "budget"]
OF_THE_DRIVE = ("ladder", "parts", "flow")  # that look otherwise where motor and linkage are not told apart
DRAWS = 100
UP_TO_SIX = pytest.mark.parametrize(
    "cylinders", [1, 6, *(pytest.param(n, marks=pytest.mark.long) for n in range(2, 6))]
)


def bore_of(index: int) -> float:
    """[m], and of the hole it breathes through: one as wide loses next to nothing"""
    return 0.03 + 0.004 * index


def truth_of(cylinders: int) -> Truth:
    return Truth(
        motor=MotorTruth("controller", 0.19, torque_constant=0.058, law=TorqueLaw(0.013), standby=3.4),
        linkage=TorqueLaw(coulomb=0.028, viscous=1e-4),
        cylinders=tuple(
            CylinderTruth(
                NAMES[i], bore_of(i), 0.03, SealLaw(6 + 3 * i, viscous=3.0, energised=5e-5), port_diameter=bore_of(i)
            )
            for i in range(cylinders)
        ),
        ratio=3.2,
        transmission_efficiency=0.96,
        seal_heat_share=0.7,
        effects=Effects(lip_swing=True),
    )


def simulated(truth: Truth, protocol: Protocol, seed: int):
    """The bench as it is read, and the truth behind it; bench.toml takes any name of a cylinder in quotes."""
    with TemporaryDirectory() as folder:
        answer = write_bench(Path(folder), truth, protocol, np.random.default_rng(seed))
        toml = Path(folder) / "bench.toml"
        toml.write_text(re.sub(r"\[cylinders\.(.*)\]", r'[cylinders."\1"]', toml.read_text()))
        return driveloss.load_bench(folder), answer


@cache
def bench_of(cylinders: int, motor_alone: bool = True, noise: float = 0.01, repeats: int = 1, cold: bool = True):
    """A simulated bench, its calibration, its breakdown and the truth behind it."""
    truth = truth_of(cylinders)
    sweeps = ladder(truth, FREQUENCIES, PRESSURES, repeats=repeats, standby=3, motor_alone=motor_alone)
    limits = Limits(power_gain=0.3 * noise, power_zero=10 * noise)
    protocol = Protocol(sweeps, limits=limits, noise_share=noise, temperature_columns=cold, power_digits=4)
    bench, answer = simulated(truth, protocol, cylinders)
    calibration = driveloss.calibrate(bench, draws=DRAWS, compare=False)
    return bench, calibration, driveloss.breakdown(calibration, bench.sweeps), answer


UNSTATED = {
    *("motor.winding_resistance", "motor.winding_temperature", "motor.torque_constant", "transmission.efficiency"),
    *("crank.bearings", "crank.load_friction", "cylinders.seal_change", "meter.power", "meter.linearity"),
}


@cache
def unstated_bench(cylinders: int = 2):
    """An exact bench whose owner knows neither the motor nor the belt nor the crank."""
    motor = MotorTruth("terminals", 0.19, torque_constant=0.058, law=TorqueLaw(0.013))
    truth = replace(truth_of(cylinders), motor=motor)
    sweeps = ladder(truth, FREQUENCIES, PRESSURES, repeats=1, motor_alone=False)
    protocol = Protocol(sweeps, electric_columns="power", leaves_out=frozenset(UNSTATED), power_digits=4)
    bench, _ = simulated(truth, protocol, 1)
    calibration = driveloss.calibrate(bench, draws=DRAWS, compare=False)
    return bench, calibration, driveloss.breakdown(calibration, bench.sweeps)


def subject_of(name: str, calibration, answer):
    if name in figures.OF_CALIBRATION:
        return calibration
    return Split(answer, len(answer.runs) - 1, shares(noise=1.234, **{"meter gain": 0.5}))


def figure_of(name: str, calibration, answer):
    return figures.draw(name, subject_of(name, calibration, answer))


def alt_text(name: str, calibration, answer) -> str:
    return figures.drawing(name).alt_text(subject_of(name, calibration, answer))


def shares(**watts: float) -> dict[str, np.ndarray]:
    """Sources of error that cost every run the same."""
    return {source: np.full(100, width) for source, width in watts.items()}


def budget_figure(**watts: float):
    return figures.draw("budget", Split(bench_of(1)[2], None, shares(**watts)))


def text_boxes(figure):
    """Text and place of everything written in a figure, as drawn; tick labels beyond the axes are not drawn."""
    from matplotlib.text import Text

    renderer = figure.canvas.get_renderer()
    hidden = set()
    for axis in (axis for ax in figure.axes for axis in (ax.xaxis, ax.yaxis)):
        low, high = sorted(axis.get_view_interval())
        for tick in axis.get_major_ticks() + axis.get_minor_ticks():
            if not low <= tick.get_loc() <= high or not axis.axes.axison:
                hidden |= {tick.label1, tick.label2}
    texts = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip() and t not in hidden]
    return [(text.get_text(), Text.get_window_extent(text, renderer)) for text in texts]


def overlaps(boxes) -> list[tuple[str, str]]:
    def meet(a, b):
        return min(a.x1, b.x1) - max(a.x0, b.x0) > 1 and min(a.y1, b.y1) - max(a.y0, b.y0) > 1  # [px]

    return [(one, two) for (one, a), (two, b) in combinations(boxes, 2) if meet(a, b)]


def beyond_the_edge(figure, boxes) -> list[str]:
    edge = figure.bbox
    return [text for text, box in boxes if box.x0 < edge.x0 or box.y0 < edge.y0 or box.x1 > edge.x1 or box.y1 > edge.y1]


def unreadable(figure) -> list:
    """What is written over something else, or leaves the figure."""
    boxes = text_boxes(figure)
    return overlaps(boxes) + beyond_the_edge(figure, boxes)


@cache
def drawn(kind: str, cylinders: int, motor_alone: bool = True):
    """A figure as it is drawn, for tests that only look."""
    _, calibration, answer, _ = bench_of(cylinders, motor_alone)
    figure = figure_of(kind, calibration, answer)
    with style.our_settings():
        figure.draw_without_rendering()
    return figure


@UP_TO_SIX
@pytest.mark.parametrize("kind", CURVED)
def test_figures_can_be_read_with_any_number_of_cylinders(kind, cylinders):
    assert unreadable(drawn(kind, cylinders)) == []


@pytest.mark.parametrize(
    "kind", [kind if kind in OF_THE_DRIVE else pytest.param(kind, marks=pytest.mark.long) for kind in CURVED]
)
def test_figures_can_be_read_without_a_motor_alone_sweep(kind):
    assert unreadable(drawn(kind, 2, motor_alone=False)) == []


def test_many_repeats_still_leave_the_breakdown_legible():
    _, calibration, answer, _ = bench_of(1, repeats=5)
    figure = figure_of("parts", calibration, answer)
    with style.our_settings():
        figure.draw_without_rendering()
    assert unreadable(figure) == []


def test_the_overlap_check_finds_an_overlap():
    figure = budget_figure(noise=1.0, terms=0.5)
    figure.axes[0].text(1.0, 0.0, "in the way", va="center")
    with style.our_settings():
        figure.draw_without_rendering()
    assert ("in the way", "1 W") in [tuple(sorted(pair, reverse=True)) for pair in overlaps(text_boxes(figure))]


@pytest.mark.parametrize("kind", ALL)
def test_axes_state_their_units(kind):
    unit = re.compile(r"\[(W|Hz|N|K|%|m/s)\]$")
    for ax in (ax for ax in drawn(kind, 6).axes if ax.axison):
        named = [ax.get_xlabel()] + ([] if kind in ("budget", "levelling") else [ax.get_ylabel()])
        shown = [label for label in named if label or ax.xaxis.get_tick_params()["labelbottom"]]
        assert shown and all(unit.search(label) for label in shown), shown


def bars_of(ax) -> dict[float, list[float]]:
    """Heights of the parts by the middle of their bar: a shape has a part's bars, each from its lower left corner."""
    heights: dict[float, list[float]] = {}
    for shape in ax.patches:
        for (left, foot), _, (right, top), *_ in shape.get_path().vertices.reshape(-1, 5, 2):
            heights.setdefault(round((left + right) / 2, 6), []).append(top - foot)
    return heights


@pytest.mark.parametrize("motor_alone", [True, False])
def test_stacked_bars_add_up_to_the_power_that_was_read(motor_alone):
    """Conservation: what the meter read is the sum of the parts; at the meter's stated gain there is no error."""
    bench = bench_of(2, motor_alone)[0]
    sums = sorted(sum(heights) for ax in drawn("parts", 2, motor_alone).axes for heights in bars_of(ax).values())
    read = sorted(w for sweep in bench.sweeps if sweep.stage == "loaded" for w in sweep.power)
    assert sums == pytest.approx(read)


def test_negative_net_power_hangs_below_zero_and_still_adds_up():
    answer = bench_of(1)[2]
    draws = dict(answer.draws)
    shift = draws["pneumatic"] + 2.0  # two watts less than nothing reach the gas
    draws |= {"pneumatic": draws["pneumatic"] - shift, "input": draws["input"] - shift}
    low = replace(answer, draws=draws)
    (row,) = figures.draw("parts", Split(low)).axes
    heights = bars_of(row)
    assert all(min(bar) == pytest.approx(-2.0) for bar in heights.values())
    assert sorted(map(sum, heights.values())) == pytest.approx(sorted(run.input.value for run in low.runs))
    note = [t.get_text() for t in figures.draw("flow", Split(low, 0)).axes[0].texts]
    assert any("parts below zero have no stream" in text for text in note)


def test_every_bar_has_its_frequency_its_share_and_one_interval_of_the_net():
    """One to six pressures' worth of bars: forty runs of one cylinder go on in a second row."""
    _, _, answer, _ = bench_of(1, repeats=4)
    rows = figures.draw("parts", answer).axes
    assert len(rows) == 2
    for ax in rows:
        bars = len(bars_of(ax))
        assert len(ax.get_xticks()) == bars and len([t for t in ax.texts if t.get_text().endswith(" %")]) == bars
    bars = {round(x, 3) for ax in rows for x in bars_of(ax)}
    net = [line for ax in rows for line in ax.lines if line.get_marker() == "_" and line.get_markersize() == 5]
    assert {round(float(x), 3) for line in net for x in line.get_xdata()} == bars
    tops = sorted(float(y) for line in net for y in line.get_ydata())
    assert tops == pytest.approx(sorted(run.pneumatic.value for run in answer.runs))


def test_parts_are_named_beside_each_row_and_the_legend_is_gone():
    _, _, answer, _ = bench_of(3)
    figure = figures.draw("parts", answer)
    assert len(figure.axes) == 3 and not figure.legends
    for ax in figure.axes:
        named = {text.get_text() for text in ax.texts}
        assert {style.PARTS[name].label for name in ("standby", "motor", "linkage", "seal", "pneumatic")} <= named


def without_ceilings(answer, cylinder: str):
    """As a bench is whose runs of one cylinder tell no efficiency."""
    ceiling = np.array(answer.draws["efficiency_ceiling"])
    ceiling[answer.readings.cylinder == cylinder] = np.nan
    return replace(answer, draws=answer.draws | {"efficiency_ceiling": ceiling})


def test_ceilings_leave_out_a_cylinder_that_has_none():
    answer = without_ceilings(bench_of(2)[2], "wide")
    figure = figures.draw("ceilings", answer)
    words = [text.get_text() for ax in figure.axes for text in ax.texts]
    assert len(words) == len(PRESSURES) and all("narrow" in text for text in words)
    assert "wide, 1.013 bar: not determinable" in figures.drawing("ceilings").alt_text(Split(answer))
    figures.draw("parts", answer)


def test_without_any_ceiling_the_figure_says_so():
    answer = without_ceilings(bench_of(1)[2], "wide")
    with pytest.raises(InputError, match="efficiency ceiling: expected one run at least"):
        figures.draw("ceilings", answer)


@UP_TO_SIX
def test_temperatures_tell_cylinders_by_hue_and_marker_and_pressures_by_shade(cylinders):
    """A row a cylinder; the paler the lower the pressure; names stand above their own panel."""
    figure = drawn("temperatures", cylinders)
    assert len(figure.axes) == 2 * cylinders and not figure.legends
    for index, ax in enumerate(figure.axes):
        low, high = [line for line in ax.lines if line.get_linestyle() == "None"][: len(PRESSURES)]
        assert low.get_marker() == high.get_marker() == style.MARKERS[index // 2]
        assert luminance(low.get_markerfacecolor()) > luminance(high.get_markerfacecolor())
        assert high.get_markerfacecolor() == style.CYLINDER_COLOURS[index // 2]
        assert [text.get_text() for text in ax.texts] == ["1.013 bar", "2.4 bar"]
    scales = {ax.get_ylim() for ax in figure.axes}
    assert len(scales) == 1


@pytest.mark.parametrize("pressures", range(1, 7))
def test_shades_of_a_cylinder_run_from_pale_to_full(pressures):
    looks = [style.series_look(2, number, pressures) for number in range(pressures)]
    light = [luminance(look.colour) for look in looks]
    assert light == sorted(light, reverse=True) and len(set(light)) == pressures
    assert looks[-1].colour == looks[0].ink == style.CYLINDER_COLOURS[2]


def no_load_power(bench, run) -> float:
    """What was read without load at a run's cylinder, pressure and frequency."""
    (found,) = (
        power
        for sweep in bench.sweeps
        if (sweep.stage, sweep.cylinder) == ("no-load", run.cylinder)
        for f, p, power in zip(sweep.frequency, sweep.mean_pressure, sweep.power, strict=True)
        if abs(f - run.frequency) < 0.01 * f and abs(p - run.mean_pressure) < 0.01 * p
    )
    return float(found)


def hatched(ax) -> list:
    bars = [bar for bar in ax.patches if hasattr(bar, "get_width")]  # parts are shapes of all their bars
    return [bar for bar in bars if bar.get_hatch() and set(bar.get_hatch()) == {"/"} and bar.get_width() < 0.9]


def test_an_assumed_load_loss_is_hatched_up_to_the_difference_of_the_readings():
    """By hand: two readings of an exact bench at one frequency, less each other."""
    bench, _, answer = unstated_bench(1)
    expected = {run: run.input.value - no_load_power(bench, run) for run in answer.runs}
    bars = [bar for ax in figures.draw("parts", answer).axes for bar in hatched(ax)]
    most = sorted(bar.get_y() + bar.get_height() for bar in bars)
    assert most == pytest.approx(sorted(expected.values()), rel=0.03)
    tops = sorted(bar.get_y() + bar.get_height() for bar in hatched(figures.draw("ceilings", answer).axes[0]))
    assert tops == pytest.approx(sorted(100 * most / run.input.value for run, most in expected.items()), rel=0.03)


def test_where_the_load_loss_is_known_nothing_is_hatched():
    answer = bench_of(1)[2]
    assert not any(hatched(ax) for ax in figures.draw("ceilings", answer).axes)
    labels = [text.get_text() for ax in figures.draw("parts", answer).axes for text in ax.texts]
    assert style.PARTS["pneumatic"].label in labels and style.AT_MOST not in labels
    assert "at most" not in figures.drawing("parts").alt_text(Split(answer))


@pytest.mark.parametrize("cylinders", [*(pytest.param(n, marks=pytest.mark.long) for n in (1, 2)), 3])
@pytest.mark.parametrize("kind", ["parts", "ceilings", "flow", "friction"])
def test_what_was_assumed_is_told_and_can_be_read(kind, cylinders):
    _, calibration, answer = unstated_bench(cylinders)
    figure = figure_of(kind, calibration, answer)
    with style.our_settings():
        figure.draw_without_rendering()
    assert unreadable(figure) == []
    words = " ".join(text for text, _ in text_boxes(figure)) + " ".join(
        text.get_text() for legend in figure.legends for text in legend.get_texts()
    )
    assert ("pins and guides" if kind == "friction" else "at most") in words


def test_the_budget_marks_what_is_assumed_and_leaves_out_what_is_nil():
    """4e-15 W is rounding."""
    split = Split(unstated_bench()[2], None, shares(scatter=0.25, nil=4e-15, **{"pins and guides": 0.5}))
    figure = figures.draw("budget", split)
    names = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert names == ["pins and guides (assumed)", "scatter"]
    assert [bool(bar.get_hatch()) for bar in figure.axes[0].patches] == [True, False]
    assert "pins and guides (assumed) 0.5 W and scatter 0.25 W" in figures.drawing("budget").alt_text(split)


def test_figure_and_table_of_the_budget_say_the_same():
    answer = unstated_bench()[2]
    shown = {bar.name: watts(bar.width) for bar in bars_of_budget(Split(answer, None, budget_of(answer)))}
    table, *_ = budget_tables(answer, budget_of(answer))
    all_runs = {name: cell for name, cell, *_ in table.rows}
    assert shown.items() <= all_runs.items() and len(shown) > 5


def test_percentages_are_the_net_share_of_the_input():
    _, _, answer, truth = bench_of(1, noise=0.0, repeats=1)
    (row,) = figures.draw("parts", Split(answer)).axes
    shown = [int(t.get_text().split()[0]) for t in row.texts if t.get_text().endswith(" %")]
    true = [100 * run["pneumatic_W"] / run["input_W"] for run in truth.runs]
    assert shown == pytest.approx(true, abs=1.0)


def test_streams_are_to_scale():
    _, _, answer, _ = bench_of(2)
    run = answer.runs[3]
    bundle = figure_flow.streams(run)
    widths = {stream.name: stream.width for stream in bundle}
    scale = figure_flow.TRUNK / run.input.value  # [in/W]
    for name in ("standby", "motor", "linkage", "transmission", "pneumatic"):
        assert widths[name] == pytest.approx(scale * run.parts[name].value)
    assert widths["seal inside"] + widths["seal outside"] == pytest.approx(scale * run.seal.value)
    assert widths["seal inside"] == pytest.approx(0.7 * scale * run.seal.value)
    for lower, upper in pairwise(bundle):
        assert lower.foot + lower.width == pytest.approx(upper.foot)


def test_ladder_shows_the_true_shaft_power_of_an_exact_bench():
    """Markers against the simulated machine's own torque laws; the drive's power is torque times speed."""
    _, calibration, _, answer = bench_of(1, noise=0.0, repeats=1)
    upper, lower = figures.draw("ladder", calibration).axes
    markers = [line for line in upper.lines if line.get_linestyle() == "None"]
    f = markers[1].get_xdata()
    truth = answer.truth
    drive = truth.motor.law.power(2 * np.pi * truth.ratio * f) + truth.linkage.power(2 * np.pi * f)
    assert markers[0].get_ydata() == pytest.approx(truth.motor.law.power(2 * np.pi * truth.ratio * f), rel=2e-3)
    assert markers[1].get_ydata() == pytest.approx(drive, rel=2e-3)
    left_over = [line.get_ydata() for line in lower.lines if line.get_linestyle() == "None"]
    assert np.abs(np.concatenate(left_over)).max() < 0.02


def test_friction_curves_are_the_true_force_of_an_exact_bench():
    """Mean friction force is friction power over mean piston speed, 2 S f."""
    _, calibration, _, answer = bench_of(2, noise=0.0, repeats=1)
    curves = list(figures.draw("friction", calibration).axes[0].lines)
    series = [(name, p) for name in NAMES[:2] for p in PRESSURES]
    for line, (name, pressure) in zip(curves, series, strict=True):
        speed = line.get_xdata()
        true = answer.no_load(name, speed / (2 * 0.03), pressure)["seal_W"] / speed
        assert line.get_ydata() == pytest.approx(true, rel=5e-3)


def test_readings_left_out_are_crossed_and_kept_in_view():
    _, calibration, _, _ = bench_of(2)
    whole = calibration.evidence.ladder.readings
    keep = np.arange(len(whole)) != 20
    wrong = whole.only(~keep)
    wrong = replace(wrong, power=wrong.power + 20.0)
    fresh = replace(calibration, evidence=replace(calibration.evidence, left_out=wrong))
    upper, lower = figures.draw("ladder", fresh).axes
    for ax in (upper, lower):
        crosses = [line for line in ax.lines if line.get_marker() == "X"]
        assert [line.get_xdata()[0] for line in crosses] == wrong.frequency.tolist()
        low, high = ax.get_ylim()
        assert all(low < line.get_ydata()[0] < high for line in crosses)
    beyond = [text.get_text() for text in lower.texts]
    assert len(beyond) == 1 and re.fullmatch(r"\+\d+ W", beyond[0])


def test_what_cannot_be_drawn_is_refused_by_name():
    _, calibration, answer, _ = bench_of(1)
    with pytest.raises(InputError, match="saved calibration"):
        figures.draw("ladder", replace(calibration, evidence=None))
    with pytest.raises(InputError, match=f"read {len(answer.runs)}, expected 0 to"):
        figures.draw("flow", Split(answer, len(answer.runs)))
    with pytest.raises(InputError, match="cold end"):
        figures.draw("temperatures", Split(bench_of(1, cold=False)[2]))
    with pytest.raises(InputError, match="expected one of ladder, friction"):
        figures.draw("pie", answer)


@given(
    wanted=st.lists(st.floats(0, 300), min_size=1, max_size=12),
    step=st.floats(1, 20),
)
def test_labels_are_spread_by_least_squares(wanted, step):
    """Here as a quadratic programme by SciPy: the lowest place is free, each gap to the next at least one step."""
    from scipy.optimize import lsq_linear

    order = np.argsort(wanted, kind="stable")
    sums = np.tri(len(wanted))  # places are sums of the lowest and the gaps
    least = [-np.inf, *[step] * (len(wanted) - 1)]
    best = sums @ lsq_linear(sums, np.array(wanted)[order], (least, np.inf), method="bvls").x
    places = np.array(figure_layout.spread(wanted, step, -1e6, 1e6))
    assert places[order] == pytest.approx(best, abs=1e-6)


def test_spread_labels_stay_between_the_limits_while_there_is_room():
    places = figure_layout.spread([99.0, 98.0, 99.5], 10.0, 0.0, 100.0)
    assert sorted(places) == pytest.approx([80.0, 90.0, 100.0])
    assert figure_layout.spread([50.0, 50.0, 50.0], 60.0, 0.0, 100.0) == [0.0, 60.0, 120.0]


def luminance(colour) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.1, definition of relative luminance)."""
    from matplotlib.colors import to_rgb

    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def lightness(colour) -> float:
    """CIE 1976 lightness L* (ISO/CIE 11664-4)."""
    return 116 * np.cbrt(luminance(colour)) - 16


@pytest.mark.parametrize("left_out", [("drive",), ("motor", "linkage"), ("motor", "linkage", "transmission")])
def test_neighbours_in_the_stack_differ_in_grey_too(left_out):
    stack = [look for name, look in style.PARTS.items() if name not in left_out]
    for lower, upper in pairwise(stack):
        assert abs(lightness(lower.colour) - lightness(upper.colour)) > 15
    looks = [(look.colour, look.hatch) for look in stack]
    assert len(set(looks)) == len(looks)


@pytest.mark.parametrize("left_out", [("drive",), ("motor", "linkage")])
def test_neighbours_in_the_stack_differ_in_the_dark_too(left_out):
    stack = [style.on_dark(look.colour) for name, look in style.PARTS.items() if name not in left_out]
    for lower, upper in pairwise(stack):
        assert abs(lightness(lower) - lightness(upper)) > 15, (lower, upper)


def test_colours_in_the_dark_have_enough_contrast():
    """At least 4.5 : 1 against the dark page (WCAG 2.2, success criterion 1.4.3); paper and grid stay behind."""
    from matplotlib.colors import to_hex

    ground = luminance(style.DARK_GROUND) + 0.05
    inks = [to_hex(style.text_colour(colour)) for colour in style.CYLINDER_COLOURS]
    for colour in (
        *style.CYLINDER_COLOURS,
        *inks,
        style.INK,
        style.GREY,
        *(look.colour for look in style.PARTS.values()),
    ):
        assert (luminance(style.on_dark(colour)) + 0.05) / ground >= 4.5, colour


def test_small_print_in_colour_has_enough_contrast():
    """At least 4.5 : 1 against white (WCAG 2.1, success criterion 1.4.3)."""
    colours = [*style.CYLINDER_COLOURS, "#8c8c8c", "#4a4a4a"]
    for colour in colours:
        assert 1.05 / (luminance(style.text_colour(colour)) + 0.05) >= 4.5, colour


def test_series_of_six_cylinders_and_two_pressures_all_look_different():
    looks = {(look.marker, str(look.line)) for look in (style.series_look(c, p) for c in range(6) for p in range(2))}
    assert len(looks) == 12


@pytest.fixture(scope="module")
def budget():
    return budget_figure(noise=1.2, terms=0.3)


@pytest.mark.parametrize("name", ["budget.jpg", "budget", "budget.svg.gz"])
def test_other_endings_are_refused_with_the_choices(budget, tmp_path, name):
    with pytest.raises(InputError, match=r"expected one of \.png, \.svg, \.pdf"):
        figures.save(budget, tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_an_unwritable_place_is_one_clear_error(budget, tmp_path):
    with pytest.raises(OutputError, match="nowhere"):
        figures.save(budget, tmp_path / "nowhere" / "budget.png")
    (tmp_path / "taken.png").mkdir()
    with pytest.raises(OutputError, match=r"taken\.png"):
        figures.save(budget, tmp_path / "taken.png")
    assert [path.name for path in tmp_path.iterdir()] == ["taken.png"]


def test_a_figure_that_fails_to_draw_leaves_the_old_file(tmp_path):
    target = tmp_path / "figure.png"
    target.write_bytes(b"old")
    figure = budget_figure(noise=1.2)
    figure.axes[0].draw = None
    with pytest.raises(TypeError):
        figures.save(figure, target)
    assert target.read_bytes() == b"old" and list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize(
    ("ending", "start"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF"), ("PNG", b"\x89PNG")]
)
def test_the_ending_chooses_the_format_and_the_same_figure_gives_the_same_file(tmp_path, ending, start):
    one, two = (tmp_path / f"{name}.{ending}" for name in ("one", "two"))
    for target in (one, two):
        figures.save(budget_figure(noise=1.2, terms=0.3), target)
    assert one.read_bytes() == two.read_bytes()
    assert one.read_bytes().startswith(start)
    assert sorted(tmp_path.iterdir()) == [one, two]


@pytest.mark.parametrize("kind", ["parts", "ladder"])
def test_svg_stands_by_itself(kind):
    """Nothing to fetch and no font needed: references stay inside (SVG 1.1, 5.6), text is drawn as paths."""
    _, calibration, answer, _ = bench_of(2)
    text = figures.file_content(figure_of(kind, calibration, answer), Path("a.svg")).decode()
    text = text[text.index("<svg") :]
    assert text.rstrip().endswith("</svg>")
    assert not re.search(r"<(text|image|script|style[^>]*>\s*@import)\b", text)
    assert all(target.startswith("#") for target in re.findall(r'href="([^"]*)"', text))
    assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", text))


@pytest.mark.parametrize("kind", ["parts", "ladder"])
def test_svg_for_a_page_fetches_nothing_and_has_its_words_as_text(kind):
    _, calibration, answer, _ = bench_of(2)
    figure = figure_of(kind, calibration, answer)
    with style.our_settings():
        text = svg_element(figure, "k", "Streams", Looks())
    assert text.startswith("<svg") and text.rstrip().endswith("</svg>")
    assert not re.search(r"<(image|script)\b|@import|@font-face", text)
    assert all(
        target.startswith("#")
        for target in re.findall(r'href="([^"]*)"|url\(([^)]*)\)', text)
        for target in target
        if target
    )
    written = {unescape(words) for words in re.findall(r"<text[^>]*>([^<]*)</text>", text)}
    with style.our_settings():
        figure.draw_without_rendering()
    assert {words for words, _ in text_boxes(figure)} <= written


@pytest.mark.parametrize("kind", ALL)
def test_alternative_texts_are_finished_sentences(kind):
    _, calibration, answer, _ = bench_of(2)
    text = alt_text(kind, calibration, answer)
    assert re.match(r"[A-Z].*\.$", text) and "None" not in text and "\n" not in text
    assert 60 < len(text) < 1200


def test_alternative_texts_give_the_numbers():
    _, calibration, answer, _ = bench_of(2)
    flow = figures.drawing("flow").alt_text(Split(answer, 0))
    for name in ("input", "motor", "seal", "pneumatic", "aftercooler_heat"):
        assert style.watts(answer.runs[0].parts[name]) in flow
    assert "noise 1.2 W and meter gain 0.5 W" in alt_text("budget", calibration, answer)


def test_error_bars_reach_to_the_ends_of_the_interval():
    bars = style.error_bars([Estimate(5.0, 1.0, 3.5, 8.0)], 2.0)
    assert bars.tolist() == [[3.0], [6.0]]


def test_drawing_needs_no_display_and_loads_matplotlib_only_when_asked():
    code = (
        "import sys\n"
        "from driveloss import figures\n"
        "from driveloss.figures.runs import Split\n"
        "assert 'matplotlib' not in sys.modules\n"
        "figures.draw('budget', Split(None))\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_somebody_elses_settings_do_not_change_our_figures():
    import matplotlib

    plain = figures.file_content(budget_figure(noise=1.2), Path("a.svg"))
    with matplotlib.rc_context({"font.size": 30, "axes.facecolor": "black", "svg.fonttype": "none"}):
        assert figures.file_content(budget_figure(noise=1.2), Path("a.svg")) == plain
        assert matplotlib.rcParams["font.size"] == 30
