"""`compare` on benches whose truth is known (tests/simulate), and its formulas against hand numbers."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from simulate import SealLaw, ladder
from simulate.machine import loaded_parts, seal_power
from simulate.rig import Errors

from compare.machines import AMBIENT, DRAGGING, EASY, FREQUENCIES, SHARED_GAIN, TRUTH, bench, refitted
from driveloss.compare.ask import compare
from driveloss.compare.benches import Subject, calibrate_together
from driveloss.compare.tell import comparison_data, comparison_notes, comparison_tables, sentence
from driveloss.compare.verdict import BETTER, NO_COMMON_GROUND, OPEN, WORSE, Bias, judge
from driveloss.errors import InputError
from driveloss.fit.contributions import SCATTER, Attribution
from driveloss.fit.estimate import estimate

DRAWS = 400
pytestmark = pytest.mark.usefixtures("fitted_once")


def asked(benches, draws=DRAWS, **choices):
    """A comparison with few draws."""
    return compare(calibrate_together(benches, draws=draws), **choices)


def one(answer, question, equal=None):
    """The first difference that answers a question."""
    return next(d for d in answer.differences if d.question == question and equal in (None, d.equal))


@cache
def true_course(cylinder):
    """Net and input power of the true machine on a fine grid. [W]"""
    f = np.linspace(FREQUENCIES[0], FREQUENCIES[-1], 500)
    parts = loaded_parts(TRUTH, cylinder, f, np.full_like(f, AMBIENT))
    return parts["pneumatic_W"], parts["input_W"]


def true_input_at_net(cylinder, level):
    """Input power at a net power, by interpolation between the true machine's. [W]"""
    return np.interp(level, *true_course(cylinder))


@pytest.fixture(scope="module", params=[8, pytest.param(24, marks=pytest.mark.long)])
def judged(request, tmp_path_factory):
    """Seeded benches, each with a true and a stated meter gain, compared."""
    folder, seeds = tmp_path_factory.mktemp("benches"), range(request.param)
    return [asked([bench(folder / str(s), seed=s, limits=SHARED_GAIN)[1]], frequencies=[7.0]) for s in seeds]


def nearly_all(flags):
    """Coverage 0.95: of 24, fewer than 19 has a chance below 1 % (binomial); of 8, fewer than 6 one of 0.6 %."""
    return sum(flags) >= {24: 19, 8: 6}[len(flags)]


def test_seal_difference_holds_the_truth(judged):
    f, p = np.array([7.0]), np.array([AMBIENT])
    true = seal_power(TRUTH, DRAGGING, f, p)[0] - seal_power(TRUTH, EASY, f, p)[0]
    found = [one(answer, "seal-power") for answer in judged]
    assert nearly_all([d.difference.low <= true <= d.difference.high for d in found])
    assert nearly_all([d.verdict.word == WORSE for d in found])
    assert all(d.verdict.word != BETTER for d in found)


def test_equal_net_difference_holds_the_truth(judged):
    found = [one(answer, "input-at-net") for answer in judged]
    true = [true_input_at_net("dragging", d.level) - true_input_at_net("easy", d.level) for d in found]
    assert min(true) > 0
    assert nearly_all([d.difference.low <= t <= d.difference.high for d, t in zip(found, true, strict=True)])
    assert all(d.verdict.word in (WORSE, OPEN) for d in found)


def test_equal_drop_difference_holds_the_truth(judged):
    """The simulator's cold end falls in step with net power, so equal drop is equal net power."""
    top = loaded_parts(TRUTH, "easy", [FREQUENCIES[-1]], [AMBIENT])["pneumatic_W"][0]
    found = [one(answer, "input-at-drop") for answer in judged]
    inside = []
    for d in found:
        net = d.level / 40.0 * top  # Protocol.cold_depth
        true = true_input_at_net("dragging", net) - true_input_at_net("easy", net)
        inside.append(d.difference.low <= true <= d.difference.high)
    assert nearly_all(inside)


def test_shared_gain_cancels_as_the_guide_says(tmp_path):
    """JCGM 100:2008, 5.2.2: u^2(y1 - y2) = u1^2 + u2^2 - 2 r u1 u2; with one shared relative error a of a reading
    y (1 + a), u_i = y_i u(a), r = 1, so u(y1 - y2) = |y1 - y2| u(a)."""
    _, loaded = bench(tmp_path, limits=SHARED_GAIN, states_motor="nothing")  # no copper loss, which bends the law
    subjects = calibrate_together([loaded], draws=4000, active=("meter gain",))
    row = one(compare(subjects, frequencies=[7.0]), "seal-power")
    u1, u2 = row.first_value.u, row.second_value.u
    pair = [np.asarray(r.draws["seal"][1:]) for r in compare(subjects, frequencies=[7.0]).losses]
    r = np.corrcoef(*pair)[0, 1]
    assert r > 0.999
    assert row.difference.u == pytest.approx(np.sqrt(u1**2 + u2**2 - 2 * r * u1 * u2), rel=1e-6)
    gain = 0.03 / np.sqrt(3)
    slope = [u / value.value / gain for u, value in ((u1, row.first_value), (u2, row.second_value))]
    assert slope == pytest.approx([1, 1], rel=0.01)
    assert row.difference.u == pytest.approx(abs(row.difference.value) * gain, rel=0.01)
    assert row.difference.u < 0.25 * np.hypot(u1, u2)


def test_difference_of_two_readings_with_a_shared_gain_by_gtc():
    """The same with GTC, an independent uncertainty calculator, on the judged draws of two made-up readings."""
    from GTC import tb, ureal
    from GTC import uncertainty as u

    gain = ureal(1.0, tb.uniform(0.03))
    expected = u(20.0 * gain - 18.0 * gain)
    draws = np.concatenate([[1.0], 1 + 0.03 * (2 * (np.arange(2000) + 0.5) / 2000 - 1)])
    found, _ = judge(20.0 * draws - 18.0 * draws, Attribution())
    assert found.u == pytest.approx(expected, rel=1e-3)
    assert found.u < 0.11 * u(20.0 * gain)


def test_friction_formulas_against_hand_numbers(tmp_path):
    """Bore 36, stroke 30 mm at 7 Hz: 2 S f = 0.42 m/s; pi B = 0.11310 m; A S f = 2.13754e-4 m^3/s."""
    _, loaded = bench(tmp_path)
    answer = asked([loaded], frequencies=[7.0])
    for row in answer.losses:
        power = row.draws["seal"]
        assert row.piston_speed == pytest.approx(0.42)
        assert row.draws["seal_force"] == pytest.approx(power / 0.42)
        assert row.draws["lip_force"] == pytest.approx(power / 0.42 / 0.1130973, rel=1e-6)
        assert row.draws["friction_mean_effective_pressure"] == pytest.approx(power / 2.137539e-4, rel=1e-6)
        assert row.draws["share_of_input"] == pytest.approx(power / row.draws["total"])
    true = [12.0, 10.5]  # N; the viscous part adds 2 mean(v^2)/mean|v|, about 1.05 N
    force = [row.parts["seal_force"].value for row in answer.losses]
    assert force[0] - force[1] == pytest.approx(true[0] - true[1], abs=0.25)


def test_forces_of_a_seal_are_at_the_piston(tmp_path):
    """The transmission's share is not the seal's: 2 S f = 0.42 m/s, A S f = 2.13754e-4 m^3/s."""
    lossy = replace(TRUTH, transmission_efficiency=0.8)
    _, loaded = bench(tmp_path, lossy)
    answer = asked([loaded], frequencies=[7.0])
    for row in answer.losses:
        at_piston = row.parts["seal"].value
        assert row.parts["seal_force"].value == pytest.approx(at_piston / 0.42)
        assert row.parts["lip_force"].value == pytest.approx(at_piston / 0.42 / 0.1130973, rel=1e-6)
        assert row.parts["friction_mean_effective_pressure"].value == pytest.approx(at_piston / 2.137539e-4, rel=1e-6)
        cylinder = lossy.cylinder(row.entry.cylinder)
        true = seal_power(lossy, cylinder, np.array([7.0]), np.array([AMBIENT]))[0] / 0.42
        assert row.parts["seal_force"].value == pytest.approx(true, rel=0.05)


def test_loaded_rows_are_near_the_truth(tmp_path):
    _, loaded = bench(tmp_path)
    for row in asked([loaded], frequencies=[8.0]).loaded_rows:
        true = loaded_parts(TRUTH, row.entry.cylinder, [8.0], [AMBIENT])
        for name in ("input", "pneumatic", "aftercooler_heat", "friction_heat"):
            assert row.parts[name].value == pytest.approx(true[f"{name}_W"][0], rel=0.05)
        for name in ("efficiency_ceiling", "cycle_work_ratio"):
            assert row.parts[name].value == pytest.approx(true[name][0], rel=0.05)
        top = loaded_parts(TRUTH, row.entry.cylinder, [FREQUENCIES[-1]], [AMBIENT])["pneumatic_W"][0]
        drop = 40.0 * true["pneumatic_W"][0] / top
        rise = 0.3 * true["aftercooler_heat_W"][0]
        assert row.parts["below_ambient"].value == pytest.approx(drop, abs=0.4)
        assert row.parts["hot_to_cold"].value == pytest.approx(drop + rise, abs=0.5)
        assert row.parts["below_ambient_per_net"].value == pytest.approx(drop / true["pneumatic_W"][0], rel=0.05)
        assert row.parts["below_ambient_per_input"].value == pytest.approx(drop / true["input_W"][0], rel=0.05)


def test_equal_piston_speed_where_strokes_differ(tmp_path):
    longer = replace(EASY, name="long", stroke=0.045)
    _, loaded = bench(tmp_path, replace(TRUTH, cylinders=(DRAGGING, longer)))
    answer = asked([loaded])
    assert answer.losses_at_speed
    for first, second in zip(answer.losses_at_speed[::2], answer.losses_at_speed[1::2], strict=True):
        assert first.piston_speed == pytest.approx(second.piston_speed)
        assert first.frequency / second.frequency == pytest.approx(1.5)
    assert not any("extrapolated" in row.flags for row in answer.losses_at_speed)
    assert one(answer, "lip-force", "piston speed").verdict.word == WORSE


def test_without_overlap_both_ranges_are_named(tmp_path):
    sweeps = [
        replace(s, frequencies=(4.0, 4.5, 5.0) if s.cylinder == "easy" else (9.0, 10.0, 11.0))
        if s.stage == "loaded"
        else s
        for s in ladder(TRUTH, FREQUENCIES)
    ]
    _, loaded = bench(tmp_path, sweeps=tuple(sweeps))
    answer = asked([loaded], frequencies=[7.0])
    none = one(answer, "input-at-net")
    assert none.verdict.word == NO_COMMON_GROUND
    assert none.difference is None
    (low, high), (other_low, other_high) = none.spans
    assert other_high < low
    text = sentence(none)
    assert "cannot be compared" in text
    assert f"covers {low:.3g} to {high:.3g} W net" in text
    assert f"covers {other_low:.3g} to {other_high:.3g} W net" in text
    assert not answer.loaded_rows  # 7 Hz lies in neither sweep


def test_level_outside_the_overlap_is_not_answered(tmp_path):
    _, loaded = bench(tmp_path)
    answer = asked([loaded], net=500.0)
    assert one(answer, "input-at-net").verdict.word == NO_COMMON_GROUND
    assert one(answer, "input-at-drop").difference is not None


def test_without_cold_end_the_drop_is_not_known(tmp_path):
    _, loaded = bench(tmp_path, temperature_columns=False)
    answer = asked([loaded])
    data = comparison_data(answer)
    assert all(row["below_ambient_K"] is None and row["hot_to_cold_K"] is None for row in data["loaded"])
    assert all(row["below_ambient_per_net_K_per_W"] is None for row in data["loaded"])
    assert all(row["pneumatic_W"] is not None for row in data["loaded"])
    assert one(answer, "input-at-drop").verdict.word == NO_COMMON_GROUND


def before_and_after(folder, seed, limits=SHARED_GAIN):
    """One cylinder before and after a seal change, each a bench of its own."""
    return [
        bench(folder / name, replace(TRUTH, cylinders=(replace(c, name="tube"),)), [seed, number], limits)[1]
        for number, (name, c) in enumerate({"before": DRAGGING, "after": EASY}.items())
    ]


def test_two_benches_share_the_meter(tmp_path):
    benches = before_and_after(tmp_path, 5)
    subjects = (calibrate_together(benches, draws=DRAWS, same_meter=x, same_motor=x) for x in (None, False))
    together, apart = (compare(both, frequencies=[7.0]) for both in subjects)
    assert [e.label for e in together.no_load] == ["before: tube at 1.013 bar", "after: tube at 1.013 bar"]
    near, far = one(together, "seal-power"), one(apart, "seal-power")
    assert near.difference.value == far.difference.value
    assert near.difference.half_width < 0.8 * far.difference.half_width
    assert far.difference.u == pytest.approx(np.hypot(far.first_value.u, far.second_value.u), rel=0.15)
    assert near.difference.u < 0.8 * np.hypot(near.first_value.u, near.second_value.u)


def test_two_benches_do_not_share_their_scatter(tmp_path):
    """Equal files' layouts and one seed would make the scatter of both the same, and cancel it."""
    quiet = calibrate_together(before_and_after(tmp_path, 5), draws=DRAWS, active=("noise",))
    answer = compare(quiet, frequencies=[7.0])
    first, second = (row.draws["seal"][1:] for row in answer.losses)
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.2  # 4 sigma of a chance correlation of 400 pairs
    assert one(answer, "seal-power").difference.u == pytest.approx(np.hypot(first.std(), second.std()), rel=0.2)


@pytest.mark.parametrize(("seeds", "least"), [(6, 4), pytest.param(12, 9, marks=pytest.mark.long)])
def test_two_benches_hold_the_truth(tmp_path, monkeypatch, seeds, least):
    """One meter for both, its gain wrong by a seeded amount. Of 12 at 0.95, fewer than 9 has a chance of 0.2 %.

    Of 6, fewer than 4 too (binomial).
    """
    f, p = np.array([7.0]), np.array([AMBIENT])
    true = seal_power(TRUTH, DRAGGING, f, p)[0] - seal_power(TRUTH, EASY, f, p)[0]
    inside = 0
    for seed in range(seeds):
        gain = 0.03 * np.random.default_rng([99, seed]).uniform(-1, 1)
        monkeypatch.setattr("simulate.rig.draw_errors", lambda limits, rng, gain=gain: Errors(gain, 0.0, 0.0, 0.0, 0.0))
        benches = before_and_after(tmp_path / str(seed), seed)
        found = one(asked(benches, draws=200, frequencies=[7.0]), "seal-power").difference
        inside += found.low <= true <= found.high
    assert inside >= least


@pytest.mark.parametrize(
    ("source", "said", "is_common"),
    [
        ("meter gain", {}, True),
        ("meter gain", {"same_motor": False}, True),
        ("meter gain", {"same_meter": False}, False),
        ("motor constants", {}, True),
        ("motor constants", {"same_meter": False}, True),
        ("motor constants", {"same_motor": False}, False),
    ],
)
def test_one_meter_and_one_motor_err_alike_on_both_benches(tmp_path, source, said, is_common):
    """With one source alone at work, readings of one machine that were written twice differ by nothing but that."""
    limits = replace(SHARED_GAIN, resistance=0.1)
    pair = [bench(tmp_path / name, limits=limits)[1] for name in "ab"]
    answer = compare(calibrate_together(pair, draws=DRAWS, active=(source,), **said), frequencies=[7.0])
    draws = [row.draws["pneumatic" if source == "motor constants" else "seal"] for row in answer.loaded_rows]
    apart = np.std(draws[2] - draws[0]) / np.std(draws[0])
    assert apart == (pytest.approx(0, abs=1e-9) if is_common else pytest.approx(np.sqrt(2), rel=0.15))


def test_one_cylinder_has_nothing_to_compare_with(tmp_path):
    _, loaded = bench(tmp_path, replace(TRUTH, cylinders=(EASY,)))
    answer = asked([loaded])
    assert not answer.differences
    assert answer.losses
    assert answer.loaded_rows
    tables = comparison_tables(answer)
    assert "nothing to compare with: only easy at 1.013 bar" in tables[-1]


def test_bias_that_pushes_the_same_way_forbids_a_verdict():
    draws = np.concatenate([[-5.0], -5 + 0.1 * np.linspace(-1, 1, 100)])
    _, clean = judge(draws, Attribution())
    assert clean.word == BETTER
    helps, hurts = Bias("pressure-not-calibrated", 0, (1,)), Bias("pressure-not-calibrated", 0, (-1,))
    either = Bias("negative-pneumatic", 1, (-1, 1))
    _, helped = judge(draws, Attribution(), [helps, hurts, either])
    assert (helped.word, helped.biased_by) == (OPEN, (helps, either))
    _, in_spite = judge(draws, Attribution(), [hurts, Bias("extrapolated", 1, ())])
    assert in_spite.word == BETTER


def charged(folder):
    """Two cylinders swept at ambient pressure only and run twice at 2.4 times that; one drags four times as much."""
    truth = replace(TRUTH, cylinders=(replace(DRAGGING, seal=SealLaw(coulomb=42.0, viscous=2.0)), EASY))
    sweeps = [
        replace(s, pressure=2.4 * AMBIENT) if s.stage == "loaded" else s for s in ladder(truth, FREQUENCIES, repeats=2)
    ]
    again = [replace(s, file=f"again-{s.file}") for s in sweeps if s.stage == "loaded"]
    hidden = frozenset({"cylinders.pressure_friction"})
    return bench(folder, truth, sweeps=(*sweeps, *again), leaves_out=hidden)[1]


def test_every_bias_that_no_interval_holds_is_weighed(tmp_path):
    """Each seal drags more at the runs' pressure by an unknown amount of its own: either may have made a difference.

    Two runs of one seal at one pressure have that in common.
    """
    answer = asked([charged(tmp_path)])
    found = [d for d in answer.differences if d.question == "input-at-net"]
    assert len(found) == 6
    told = {(d.first.cylinder, d.second.cylinder): d for d in found}
    apart = told["dragging", "easy"]
    assert apart.verdict.word == OPEN
    assert not apart.difference.low <= 0 <= apart.difference.high
    assert [(b.code, b.side) for b in apart.verdict.biased_by] == [("pressure-not-calibrated", 1)]
    assert sentence(apart).endswith(
        f"but {apart.second.label} is flagged pressure-not-calibrated, which may have made the difference."
    )
    for same in (told["dragging", "dragging"], told["easy", "easy"]):
        assert same.verdict.biased_by == ()
    (row,) = (d for d in comparison_data(answer)["differences"] if d["says"] == sentence(apart))
    assert row["biased_by"] == ["pressure-not-calibrated"]


@pytest.mark.parametrize(("benches", "most"), [(6, 2), pytest.param(30, 6, marks=pytest.mark.long)])
def test_a_second_sweep_of_a_seal_tells_how_fits_differ(tmp_path, benches, most):
    """One seal fitted four times, each fit off by 5 %: 0.95 intervals call the pairs alike in 0.95 of cases.

    Of 30, more than 6 wrong has a chance of 1 % at 0.08, of 6 more than 2 too (binomial). One sweep each
    cannot see it, and says so.
    """
    wrong = {1: 0, 2: 0}
    for fits, count in ((2, benches), (1, 8)):
        for seed in range(count):
            answer = asked([refitted(tmp_path / f"{fits}-{seed}", seed, fits=fits)], draws=200, frequencies=[7.0])
            wrong[fits] += one(answer, "seal-power").better is not None
            assert any("swept once" in note for note in comparison_notes(answer)) == (fits == 1)
    assert wrong[2] <= most
    assert wrong[1] >= 5


def test_more_readings_by_hand():
    """Normal scatter of u = 2 about 1: reach 3.92, so 3.92 times narrower and 15.4 times as many readings."""
    from scipy.stats import norm

    draws = np.concatenate([[1.0], 1 + 2 * norm.ppf((np.arange(4000) + 0.5) / 4000)])
    found, verdict = judge(draws, Attribution())
    assert found == estimate(draws)
    assert verdict.word == OPEN
    assert verdict.narrower == pytest.approx(3.92, rel=0.01)
    assert verdict.more_runs == pytest.approx(3.92**2, rel=0.02)
    assert dict(verdict.shares) == {SCATTER: 1.0}


def test_shares_of_the_variance(tmp_path):
    """GUM law for y = 3 a + b with variances 9 u^2(a), u^2(b): shares 9/10 and 1/10 where u(a) = u(b)."""
    _, loaded = bench(tmp_path, limits=SHARED_GAIN)
    (subject,) = calibrate_together([loaded], draws=2000)
    gain = subject.calibration.meters.power_gain
    scatter = np.random.default_rng(3).permutation(gain[1:])
    y = 3 * gain + np.concatenate([[0.0], scatter])
    shares = dict(Attribution(subject.calibration.meters).explain(y).shares)
    assert shares["meter gain"] == pytest.approx(0.9, abs=0.02)
    assert shares[SCATTER] == pytest.approx(0.1, abs=0.02)


@pytest.mark.parametrize(
    ("choices", "message"),
    [
        ({"frequencies": [-1.0]}, "frequency: read -1 Hz, expected a positive number"),
        ({"net": 0.0}, "net power: read 0 W, expected a positive number"),
        ({"drop": float("nan")}, "temperature drop: read nan K, expected a positive number"),
    ],
)
def test_senseless_levels_are_refused(tmp_path, choices, message):
    _, loaded = bench(tmp_path)
    with pytest.raises(InputError, match=message):
        asked([loaded], draws=200, **choices)


def test_benches_given_twice_or_mixed_are_refused(tmp_path):
    _, loaded = bench(tmp_path)
    with pytest.raises(InputError, match="given twice"):
        compare([loaded, loaded])
    with pytest.raises(InputError, match="at least one bench"):
        compare([])
    (subject,) = calibrate_together([loaded], draws=200)
    with pytest.raises(InputError, match="some of both"):
        compare([subject, loaded])
    (other,) = calibrate_together([loaded], draws=300)
    with pytest.raises(InputError, match="same number of draws"):
        compare([subject, other])
    assert isinstance(subject, Subject)
