"""Predictions: back to the measured cylinder, sums, spreads, motor limits, and what is refused."""

import numpy as np
import pytest
from simulate.machine import loaded_parts

from driveloss.bench.records import Quantity
from driveloss.errors import InputError
from driveloss.fit.estimate import Estimate
from driveloss.physics import torque
from driveloss.predict import CIRCUITS, scaling
from driveloss.predict.ask import predict
from driveloss.predict.circuit import SCALED_CIRCUIT_SPREAD
from driveloss.predict.torque_margin import VERDICTS, verdict
from driveloss.predict.wanted import wanted_cylinder
from driveloss.say.flags import FLAGS
from predict.benches import LIP, PRESSURE_DRAG, PRESSURES, cylinder, measured, truth

SPLIT = ("standby", "motor", "linkage", "transmission", "seal", "pneumatic")
BACK = 101325.0  # [Pa] behind the piston


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return measured(tmp_path_factory.mktemp("two"))


@pytest.fixture(scope="module")
def single(tmp_path_factory):
    hidden = frozenset({"cylinders.pressure_friction"})
    return measured(tmp_path_factory.mktemp("one"), ("narrow",), pressures=PRESSURES[:1], leaves_out=hidden)


def ask(bench, frequencies=(9.0,), like=None, circuit="same", **stated):
    quantities = {key: value if isinstance(value, Quantity) else Quantity(value) for key, value in stated.items()}
    return predict(bench.breakdown, wanted_cylinder(bench.breakdown, like, circuit, **quantities), frequencies)


def new_one(bench, **stated):
    """One whose gas circuit is scaled with it, unless told."""
    return ask(bench, **{"bore": 0.05, "stroke": 0.034, "mean_pressure": 2.4e5, "circuit": "scaled"} | stated)


@pytest.mark.parametrize("name", ["narrow", "wide"])
def test_a_measured_cylinder_at_its_own_pressure_gets_its_own_breakdown_back(bench, name):
    """Repeated runs at one frequency and pressure: their parts, by the breakdown, within both intervals."""
    runs = [r for r in bench.breakdown.runs if r.cylinder == name and r.mean_pressure > 2e5]
    runs = [r for r in runs if r.frequency == pytest.approx(9.0, abs=0.05)]
    (point,) = ask(bench, like=name, mean_pressure=runs[0].mean_pressure).points
    assert len(runs) == 2
    for part in ("input", *SPLIT, "efficiency_ceiling", "cycle_work_ratio", "aftercooler_heat", "motor_copper"):
        mean = np.mean([run.parts[part].value for run in runs])
        assert point.parts[part].value == pytest.approx(mean, abs=3 * runs[0].parts[part].half_width), part
        assert point.parts[part].value == pytest.approx(mean, rel=0.02), part
    assert not {"lip_friction", "cycle_work_ratio", "work_by_pressure"} & point.spreads.keys()
    assert set(point.flags) == {"phase-assumed"}


def test_parts_add_up_in_every_draw(bench):
    for point in new_one(bench, frequencies=(6.0, 12.0)).points:
        total = sum(point.draws[name] for name in SPLIT)
        np.testing.assert_allclose(total, point.draws["input"], rtol=1e-12)
        np.testing.assert_allclose(point.draws["motor"] + point.draws["linkage"], point.draws["drive"], rtol=1e-12)


def test_a_new_size_that_obeys_the_rules_is_found(bench):
    """Independent truth: the simulator's own cylinder of that size; best estimates within 2 %."""
    whole = truth()
    larger = cylinder("larger", 0.05, 0.034)
    whole = type(whole)(**{k: getattr(whole, k) for k in whole.__slots__} | {"cylinders": (larger,)})
    (point,) = new_one(bench).points
    true = loaded_parts(whole, "larger", 9.0, 2.4e5)
    for part in ("input", *SPLIT, "efficiency_ceiling", "cycle_work_ratio", "aftercooler_heat"):
        key = part if part in true else f"{part}_W"
        assert point.parts[part].value == pytest.approx(true[key][0], rel=0.02), part
        assert point.parts[part].low < true[key][0] < point.parts[part].high, part


def test_friction_follows_lip_length_and_pressure(bench):
    """N/m of lip by hand: 60 + 1e-4 dp, whatever the bore; linear beyond the swept pressures."""
    for pressure in (1.2e5, 2.4e5, 4e5):
        (point,) = new_one(bench, mean_pressure=pressure).points
        assert point.lip_friction.value == pytest.approx(LIP + PRESSURE_DRAG * (pressure - BACK), rel=0.02)
        assert point.seal_force.value == pytest.approx(np.pi * 0.05 * point.lip_friction.value, rel=1e-12)
        assert ("seal-pressure-extrapolated" in point.flags) == (pressure > 3e5)
        assert ("pressure-extrapolated" in point.flags) == (pressure > 3e5)


def test_a_scaled_circuit_takes_power_with_swept_volume_pressure_and_frequency(bench):
    """P = ratio f p A S with the simulator's ratio of 0.2."""
    for point in new_one(bench, frequencies=(6.0, 12.0)).points:
        by_hand = 0.2 * point.frequency * 2.4e5 * np.pi * 0.05**2 / 4 * 0.034
        assert point.pneumatic.value == pytest.approx(by_hand, rel=0.02)


def test_the_same_circuit_takes_work_with_a_power_of_the_swept_volume(bench):
    """1.5 (0.8 to 2.4) of 1.3 times the volume, by hand; the measured volume itself takes what was measured."""
    runs = [r for r in bench.breakdown.runs if r.cylinder == "wide" and r.mean_pressure > 2e5]
    measured_one = np.mean([r.pneumatic.value for r in runs if r.frequency == pytest.approx(9.0, abs=0.05)])
    own, larger = (ask(bench, like="wide", stroke=0.03 * k, mean_pressure=2.4e5).points[0] for k in (1.0, 1.3))
    assert own.pneumatic.value == pytest.approx(measured_one, rel=1e-3)
    assert larger.pneumatic.value == pytest.approx(measured_one * 1.3**1.5, rel=1e-3)
    assert larger.pneumatic.low < measured_one * 1.3**0.85
    assert larger.pneumatic.high > measured_one * 1.3**2.35
    assert ("circuit-assumed" in own.flags, "circuit-assumed" in larger.flags) == (False, True)


def test_both_circuits_agree_near_the_measured_volume(bench):
    nets = [ask(bench, like="wide", bore=0.0443, mean_pressure=2.4e5, circuit=c).points[0] for c in CIRCUITS]
    assert nets[0].pneumatic.value == pytest.approx(nets[1].pneumatic.value, rel=0.01)
    assert nets[0].pneumatic.half_width < nets[1].pneumatic.half_width


def test_intervals_hold_the_spread_between_cylinders(bench):
    """Two cylinders that agree: the assumed spreads, shrunk by one degree of freedom, by Student's t."""
    from scipy.stats import t

    (point,) = new_one(bench).points
    for part, prior in (("lip_friction", scaling.LIP_SPREAD), ("cycle_work_ratio", SCALED_CIRCUIT_SPREAD)):
        spread = prior * np.sqrt(6 / 7)
        half = t.ppf(0.975, 7) * spread * np.sqrt(1 + 1 / 2)
        assert point.spreads[part].used == pytest.approx(spread, rel=0.03)
        assert point.parts[part].half_width / point.parts[part].value == pytest.approx(half, rel=0.15)


def test_spread_of_agreeing_and_disagreeing_groups():
    """The one-way random effect by hand: variance 200 between, 50 own, of a mean of 100."""
    rng = np.random.default_rng(1)
    own = np.sqrt(50) * rng.standard_normal((2, 200_000))
    values = np.array([[90.0], [110.0]]) + np.column_stack([np.zeros(2), own])
    found = scaling.disagreement(values, 0.2)
    assert found.observed == pytest.approx(np.sqrt(200 - 50) / 100, rel=0.02)
    assert found.used == pytest.approx(np.sqrt((6 * 0.2**2 + 0.015) / 7), rel=0.01)
    alike = scaling.disagreement(np.array([[100.0], [100.0]]) + np.column_stack([np.zeros(2), own]), 0.2)
    assert alike.observed == 0


def test_one_cylinder_gets_assumed_spreads_and_says_so(single):
    (point,) = ask(single, bore=0.05).points
    assert point.spreads["lip_friction"].observed is None
    assert point.lip_friction.half_width > 0.4 * point.lip_friction.value
    assert "one-cylinder" in point.flags


def test_drag_under_pressure_that_nobody_measured_is_taken_from_published_seals(single):
    """0.654, 1.366 and 0.192 N/bar at 25 mm bore (Zillen, TU Delft, 2021): 9.39 N/m for each bar on average."""
    swept, low, high = (ask(single, mean_pressure=p).points[0] for p in (1.2e5, 2.2e5, 3.2e5))
    step = high.lip_friction.value - low.lip_friction.value
    assert step == pytest.approx(
        (0.654 + 1.366 + 0.192) / 3 / (np.pi * 0.025), rel=0.01
    )  # a lean rod lets the wave press 1 % more
    assert "seal-pressure-assumed" in high.flags
    assert "seal-pressure-assumed" not in swept.flags
    assert high.lip_friction.low == pytest.approx(LIP + 2 * 0.025 * 3 * step, rel=0.05)  # from none to three times


def test_drag_under_pressure_is_borrowed_from_the_other_cylinder_in_run_and_prediction(tmp_path):
    """The simulator's seals drag alike for each metre of lip: 60 + 1e-4 dp; none of it to three times is open."""
    hidden = frozenset({"cylinders.pressure_friction"})
    lent = measured(tmp_path / "bench", once=("wide",), leaves_out=hidden)
    run = next(r for r in lent.breakdown.runs if r.cylinder == "wide" and r.mean_pressure > 2e5)
    (point,) = ask(lent, (run.frequency,), "wide", mean_pressure=run.mean_pressure).points
    rubbed = np.pi * 0.044 * 2 * 0.030 * run.frequency  # [W per N/m of lip]
    by_hand, drag = rubbed * (LIP + PRESSURE_DRAG * (2.4e5 - BACK)), rubbed * PRESSURE_DRAG * 1.2e5
    for seal in (run.seal, point.seal):
        assert seal.value == pytest.approx(by_hand, rel=0.02)
        assert (seal.low, seal.high) == pytest.approx((by_hand - 0.92 * drag, by_hand + 1.92 * drag), rel=0.03)
    assert "pressure-not-calibrated" in run.flags
    assert "seal-pressure-assumed" in point.flags


def test_intervals_widen_outside_what_was_measured(bench):
    inside, outside, far = (new_one(bench, mean_pressure=p).points[0] for p in (2.4e5, 4.8e5, 19.2e5))
    widths = [p.cycle_work_ratio.half_width / p.cycle_work_ratio.value for p in (inside, outside, far)]
    assert widths[0] < widths[1] < widths[2]
    fast = new_one(bench, frequencies=(26.0,)).points[0]
    assert {"extrapolated", "speed-extrapolated", "pressure-extrapolated"} <= set(fast.flags)


def test_mean_speed_not_frequency_decides_where_a_seal_was_measured(bench):
    """The shorter stroke of 'wide' (30 mm) at 13 Hz saw 0.78 m/s; 13 Hz at 60 mm is 1.56 m/s."""
    (point,) = ask(bench, (13.0,), "wide", stroke=0.06, mean_pressure=2.4e5).points
    assert point.mean_piston_speed == pytest.approx(1.56)
    assert "speed-extrapolated" in point.flags
    assert "extrapolated" not in point.flags


def test_seal_watts_are_at_the_piston_and_the_transmission_takes_its_share_of_them(bench):
    """Energy balance: what passes through, 2 S f F and the net power, reaches the shaft over eta = 0.95."""
    (point,) = new_one(bench).points
    friction = 2 * 0.034 * 9.0 * point.seal_force.value
    assert point.seal.value == pytest.approx(friction, rel=1e-9)
    taken = (friction + point.pneumatic.value) * (1 / 0.95 - 1)
    assert point.transmission.value == pytest.approx(taken, rel=1e-9)
    assert point.friction_heat.value == pytest.approx(friction, rel=1e-9)
    assert point.aftercooler_heat.value == pytest.approx(point.pneumatic.value + friction, rel=1e-9)


def test_mean_torque_is_power_over_speed(bench):
    (point,) = new_one(bench).points
    power = sum(point.parts[name].value for name in ("linkage", "transmission", "seal", "pneumatic"))
    assert point.mean_torque.value == pytest.approx(power / (2 * np.pi * 9.0 * 3.0), rel=1e-9)


def test_the_cycle_averages_to_the_mean_and_what_the_transmission_takes_of_what_swings_back(bench):
    """Net load over eta is the power balance's; a transmission also takes 1/eta - eta of what the crank gives back."""
    (point,) = new_one(bench).points
    angle = np.array([a for a, _ in point.cycle])
    wave = (2.4e5 - BACK, point.pressure_amplitude.value, np.radians(45))
    gas = torque.gas_torque(angle, *wave, 0.05, 0.034, 0.017 / 0.09)
    crank = gas + torque.friction_torque(angle, point.seal_force.value, 0.034, 0.017 / 0.09)
    back = -crank[crank < 0].sum() / len(angle) * (1 / 0.95 - 0.95) / 3
    average = np.mean([t.value for _, t in point.cycle])
    assert average == pytest.approx(point.mean_torque.value + back, rel=0.005)


def test_peak_torque_by_hand(bench):
    """Scotch-yoke estimate of the peak near mid-stroke: mean pressure difference on the piston times crank radius."""
    (point,) = new_one(bench).points
    gas = (2.4e5 - BACK) * np.pi * 0.05**2 / 4 * 0.017 / 3 / 0.95
    assert gas < point.peak_torque.value < 1.6 * gas
    assert max(t.value for _, t in point.cycle) == pytest.approx(point.peak_torque.value, rel=0.02)
    (charged,) = new_one(bench, back_pressure=2.4e5).points
    assert charged.peak_torque.value < 0.6 * point.peak_torque.value


def test_a_stated_amplitude_replaces_the_assumed_phase(bench):
    (assumed,) = new_one(bench).points
    (stated,) = new_one(bench, pressure_amplitude=assumed.pressure_amplitude.value).points
    assert stated.peak_torque.value == pytest.approx(assumed.peak_torque.value, rel=1e-9)
    assert "phase-assumed" not in stated.flags
    assert assumed.least_pressure_amplitude.value == pytest.approx(
        np.sin(np.radians(45)) * assumed.pressure_amplitude.value
    )


def test_no_limit_gives_no_margin(bench):
    (point,) = new_one(bench).points
    assert [point.parts[f"{when}_{kind}_margin"] for when in ("mean", "peak") for kind in ("torque", "current")] == [
        None
    ] * 4
    assert point.verdict == "no limit given"


@pytest.mark.parametrize(
    ("limit", "expected"),
    [
        ("9 N*m", "can drive"),
        ("0.55 N*m", "peak too high"),
        ("0.05 N*m", "stalls"),
        ("2 N*m +/- 30 %", "cannot be told"),
    ],
)
def test_verdict_by_the_peak_torque(tmp_path, limit, expected):
    limited = measured(tmp_path / "bench", motor_lines=f'peak_torque = "{limit}"')
    (point,) = new_one(limited).points
    assert point.verdict == expected
    stated = float(limit.split()[0])
    assert point.peak_torque_margin.value == pytest.approx(stated / point.peak_torque.value)


def test_current_is_torque_over_the_constant(tmp_path):
    limited = measured(tmp_path / "bench", motor_lines='current_limit = "12 A"')
    (point,) = new_one(limited).points
    drag = point.motor.value - point.motor_copper.value  # the motor's own, at its shaft speed
    peak = (point.peak_torque.value + drag / (2 * np.pi * 9.0 * 3.0)) / 0.061
    assert point.peak_current.value == pytest.approx(peak)
    assert point.peak_current_margin.value == pytest.approx(12 / peak)
    assert point.peak_torque_margin is None


def margin(low, high):
    return Estimate((low + high) / 2, 0.1, low, high)


def test_the_worse_limit_decides():
    good, bad, open_ = margin(1.2, 1.6), margin(0.5, 0.8), margin(0.9, 1.3)
    assert verdict({"peak_torque_margin": good, "peak_current_margin": bad}) == "peak too high"
    assert verdict({"peak_torque_margin": good, "peak_current_margin": open_}) == "cannot be told"
    assert verdict({"peak_torque_margin": bad, "mean_torque_margin": bad}) == "stalls"
    assert verdict({"peak_torque_margin": good, "mean_torque_margin": margin(3, 4)}) == "can drive"
    assert set(VERDICTS) == {"can drive", "peak too high", "stalls", "cannot be told", "no limit given"}


def test_same_seed_same_digits(bench):
    one, other = (new_one(bench).points[0].parts for _ in range(2))
    assert one == other


def test_every_flag_has_a_sentence(bench, single):
    points = [
        *new_one(bench, frequencies=(2.0, 40.0), mean_pressure=9e5).points,
        *ask(single, mean_pressure=4e5).points,
    ]
    assert {flag for point in points for flag in point.flags} <= FLAGS.keys()


@pytest.mark.parametrize(
    ("stated", "message"),
    [
        ({"like": "thin"}, "--like: read 'thin', expected a cylinder that has a no-load sweep: 'narrow', 'wide'"),
        ({"bore": 0.05, "mean_pressure": 2e5}, "--stroke is missing: the cylinders were measured with 30 mm and 36 mm"),
        ({"stroke": 0.03, "mean_pressure": 2e5}, "--bore is missing"),
        ({"like": "wide"}, "--mean-pressure is missing: cylinder 'wide' was measured with 1.2 bar and 2.4 bar"),
        ({"like": "wide", "mean_pressure": 2e5, "stroke": 0.18}, "--stroke: expected less than twice the rod length"),
        ({"like": "wide", "mean_pressure": 2e5, "pressure_amplitude": 2e5}, "less than the mean pressure of 2 bar"),
        ({"like": "wide", "mean_pressure": 2e5, "pressure_amplitude": 2e3}, "read 0.02 bar, expected at least 0.25"),
    ],
)
def test_what_is_refused(bench, stated, message):
    with pytest.raises(InputError) as error:
        ask(bench, **stated)
    assert message in str(error.value)


@pytest.mark.parametrize("frequency", [0.0, -3.0, float("nan"), float("inf")])
def test_frequencies_must_be_positive(bench, frequency):
    with pytest.raises(InputError, match=r"--at: read .* expected a positive number"):
        ask(bench, (frequency,), "wide", mean_pressure=2.4e5)
