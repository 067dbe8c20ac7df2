"""The uncertainty budget: which source of error accounts for how much of the net interval."""

from dataclasses import replace

import numpy as np
import pytest
from cli.running import DEMO, QUICK, typed
from copies import open_copy
from exact import state_exactly
from fit.benches import Sheet, same, write_bench

from driveloss.bench.load import load_bench
from driveloss.breakdown.ask import breakdown
from driveloss.breakdown.budget import budget
from driveloss.fit.calibrate import calibrate
from driveloss.fit.contributions import SCATTER
from driveloss.fit.meters import CHANCE
from driveloss.fit.store import from_text, to_text

NOTHING = 1e-4  # of the largest share: readings are written to nine decimals


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """The demo, what it leaves open stated exactly."""
    folder = tmp_path_factory.mktemp("stated") / "bench"
    open_copy(DEMO, folder)
    state_exactly(folder)
    return replace(load_bench(folder), recordings=(), rundowns=())  # subtraction alone


@pytest.fixture(scope="module")
def demo(bench):
    return breakdown(calibrate(bench, draws=2000, compare=False), bench.sweeps)


@pytest.fixture(scope="module")
def demo_shares(demo):
    return budget(demo)


def test_squares_of_the_shares_add_up_to_the_whole(demo, demo_shares):
    """Law of propagation for independent inputs, JCGM 100:2008, 5.1.2."""
    whole = np.array([run.pneumatic.half_width for run in demo.runs])
    together = np.sqrt(sum(half_width**2 for half_width in demo_shares.values()))
    assert together.shape == whole.shape
    assert together == pytest.approx(whole, rel=0.15)
    assert np.median(together / whole) == pytest.approx(1, abs=0.08)


# what the demo states limits of, what no key states, and what no limit explains
STATED = {"meter gain", "meter zero", "frequency", "pressure", "torque", "geometry"}
AT_WORK = {*STATED, "phase of the pressure", SCATTER}


def test_every_source_at_work_once_largest_first(demo_shares):
    assert sorted(demo_shares) == sorted(AT_WORK)
    sizes = [float(np.median(half_width)) for half_width in demo_shares.values()]
    assert sizes == sorted(sizes, reverse=True)
    assert sizes[0] > 0


EFFICIENCY = 0.8
TURNING = {"piston-disconnected": 20.0, "no-load": 31.0, "loaded": 78.0}  # [W] at the meter


def exact_bench(folder, meter, efficiency=str(EFFICIENCY)):
    """One frequency, no scatter: the net power is the incremental efficiency times a difference of two readings."""
    sections = f'[meter]\n{meter}\n[motor]\nsupply = "terminals"\nincremental_efficiency = {efficiency}'
    sheets = [
        Sheet(
            stage,
            "frequency [Hz],power [W]",
            same(("10.0", f"{power:.9f}")),
            'mean_pressure = "1 bar"' if stage == "loaded" else "",
        )
        for stage, power in TURNING.items()
    ]
    return write_bench(folder, sections, sheets)


def sizes(bench):
    shares = budget(breakdown(calibrate(bench, draws=500, compare=False), bench.sweeps))
    return {source: float(np.median(half_width)) for source, half_width in shares.items()}


def test_one_stated_error_is_the_only_share(tmp_path):
    """A rectangular gain error of 1 %: half of its 95 % interval is 0.95 of the limit (JCGM 101:2008, 7.7)."""
    found = sizes(exact_bench(tmp_path, 'power = "1 %"'))
    net = EFFICIENCY * (TURNING["loaded"] - TURNING["no-load"])
    gain = found.pop("meter gain")
    assert gain == pytest.approx(0.95 * 0.01 * net, rel=0.01)
    assert max(found.values()) < NOTHING * gain


def test_a_zero_error_cancels_in_the_difference(tmp_path):
    found = sizes(exact_bench(tmp_path, 'power = "0.5 W"'))
    assert max(found.values()) < NOTHING * 0.5


def test_a_second_source_gets_its_own_share(tmp_path):
    """Motor constants: the efficiency 0.8 +/- 0.02 times the difference of the readings."""
    found = sizes(exact_bench(tmp_path, 'power = "1 %"', '"0.8 +/- 0.02"'))
    difference = TURNING["loaded"] - TURNING["no-load"]
    assert found["motor constants"] == pytest.approx(0.95 * 0.02 * difference, rel=0.01)
    assert found["meter gain"] == pytest.approx(0.95 * 0.01 * EFFICIENCY * difference, rel=0.01)
    assert list(found)[:2] == ["motor constants", "meter gain"]


def test_a_saved_calibration_gives_the_same(bench, demo, demo_shares):
    saved = from_text(to_text(demo.calibration), "saved.json")
    again = budget(breakdown(saved, bench.sweeps))
    assert list(again) == list(demo_shares)
    for one, other in zip(again.values(), demo_shares.values(), strict=True):
        assert one == pytest.approx(other, rel=1e-9)


def test_a_source_alone_against_a_fit_with_it_alone(bench, demo, demo_shares):
    """The regression against the other method, a fit of its own with one source switched on."""
    whole = np.array([run.pneumatic.half_width for run in demo.runs])
    for source, half_width in demo_shares.items():
        if source == "frequency":  # each run's own misreading of it counts as its scatter
            continue
        active = (*CHANCE, "frequency") if source == SCATTER else (source,)
        alone = breakdown(calibrate(bench, draws=1000, active=active, compare=False), bench.sweeps)
        expected = np.array([run.pneumatic.half_width for run in alone.runs])
        assert np.median(np.abs(half_width - expected) / whole) < 0.05, source


@pytest.fixture(scope="module")
def answer():
    return typed("breakdown", DEMO, "--budget", "--json", *QUICK)


def test_json(answer):
    assert answer.code == 0
    for run in answer.json["runs"]:
        assert {frozenset(share) for share in run["budget"]} == {frozenset({"source", "half_width_W"})}
        sources = {share["source"] for share in run["budget"]}
        assumed = {assumption["name"] for assumption in answer.json["assumptions"]}
        assert sources == AT_WORK | {"temperature", "dead centre", "sensor lag", "inertia"} | assumed
        assert all(share["half_width_W"] >= 0 for share in run["budget"])


def test_table_and_figure(tmp_path):
    drawing = tmp_path / "budget.svg"
    outcome = typed("breakdown", DEMO, "--budget", "--figure", drawing, "--draw", "budget", *QUICK)
    assert outcome.code == 0
    assert "Source alone at work" in outcome.out
    lines = {line.strip() for line in outcome.out.splitlines()}
    for source in ("all together", *AT_WORK):
        assert any(line.lstrip("│| ").startswith(source) for line in lines), source
    assert drawing.stat().st_size > 1000


def test_without_the_option_there_is_no_budget():
    outcome = typed("breakdown", DEMO, "--json", *QUICK)
    assert all("budget" not in run for run in outcome.json["runs"])
