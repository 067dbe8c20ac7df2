"""What `plan` promises of second witnesses is what simulated benches with those witnesses come to."""

from dataclasses import replace

import numpy as np
import pytest
from benchmark.ordinary import AMBIENT, home_braked, home_without_motor, plain_case
from simulate import perturb, write_bench
from simulate.recording import PlannedRecording

from driveloss.bench.load import load_bench
from driveloss.breakdown.ask import breakdown
from driveloss.fit.calibrate import calibrate
from driveloss.plan.ask import plan
from driveloss.plan.outlook import outlook

SEEDS = [(7, 8), pytest.param((7, 8, 9, 10), marks=pytest.mark.long)]


def bench_of(folder, case, rng):
    stated = case.believes(perturb(case.truth, case.protocol.limits, rng))
    write_bench(folder, case.truth, case.protocol, rng, stated=stated)
    return load_bench(folder)


def recorded(rng, case):
    """The home bench with its strongest run recorded."""
    case = home_without_motor(rng, case)
    sweep = next(sweep for sweep in case.protocol.sweeps if sweep.stage == "loaded")
    one = PlannedRecording("one", sweep.frequencies[-1], AMBIENT, "recording.csv")
    return replace(case, protocol=replace(case.protocol, recordings=(one,)))


def swept_again(case):
    """With the no-load sweep behind the loaded runs that a plan counts on."""
    sweeps = case.protocol.sweeps
    after = replace(next(sweep for sweep in sweeps if sweep.stage == "no-load"), file="after.csv")
    return replace(case, protocol=replace(case.protocol, sweeps=(*sweeps, after)))


@pytest.mark.parametrize("seeds", SEEDS)
@pytest.mark.parametrize(
    ("witness", "build"), [("pressure recording", recorded), ("braked sweep", home_braked)], ids=["recording", "braked"]
)
def test_a_promise_is_kept(tmp_path, witness, build, seeds):
    """Promised over found half-width at the strongest run, median of two or four benches: the same within a third."""
    ratios = []
    for seed in seeds:
        without = home_without_motor(rng := np.random.default_rng(seed), plain_case(rng))
        first = bench_of(tmp_path / f"without-{seed}", without, rng)
        top = without.truth.top_frequency
        found = plan(outlook(first, calibrate(first, compare=False)), [top], readings=60)
        promised = {one.witness: one.half_width for one in found.prospects}[witness]
        case = swept_again(build(rng := np.random.default_rng(seed), plain_case(rng)))
        then = bench_of(tmp_path / f"with-{seed}", case, rng)
        run = breakdown(calibrate(then, compare=False), then.sweeps, then.recordings).runs[-1]
        ratios.append(run.pneumatic.half_width / promised)
    assert np.median(ratios) == pytest.approx(1, abs=0.33), ratios


def test_a_witness_that_the_bench_has_is_not_offered(tmp_path):
    case = recorded(rng := np.random.default_rng(7), plain_case(rng))
    bench = bench_of(tmp_path, case, rng)
    found = plan(outlook(bench, calibrate(bench, compare=False)), [case.truth.top_frequency], readings=60)
    assert "pressure recording" not in {one.witness for one in found.prospects}
    assert [p.half_width for p in found.prospects] == sorted(p.half_width for p in found.prospects)
