"""At a measured point a prediction is that run's breakdown: one set of laws, and the run's own work."""

from pathlib import Path

import numpy as np
import pytest
from benchmark.ordinary import CLASSES, plain_case
from simulate import perturb, write_bench

from driveloss.bench.load import load_bench
from driveloss.bench.records import Quantity
from driveloss.breakdown.ask import breakdown
from driveloss.fit.calibrate import calibrate
from driveloss.predict.ask import predict
from driveloss.predict.wanted import wanted_cylinder

DEMO = Path(__file__).parents[2] / "calib_data"
SAME_SETTING = 0.01  # of the frequency: repeats, whose mean a prediction gives
PARTS = ("transmission", "seal", "pneumatic", "aftercooler_heat")
WITH_MOTOR = ("input", "drive")  # whose current and winding a prediction takes from the ladder, a run from its reading


def demo(_folder):
    return DEMO


def ordinary(name):
    """Of a class with losses that grow with load."""

    def write(folder):
        rng = np.random.default_rng([4, *name.encode()])
        case = CLASSES[name](rng, plain_case(rng))
        stated = case.believes(perturb(case.truth, case.protocol.limits, rng))
        write_bench(folder / "bench", case.truth, case.protocol, rng, stated)
        return folder / "bench"

    return write


@pytest.mark.parametrize(
    "bench",
    [
        pytest.param(demo, id="demo"),
        *(pytest.param(ordinary(name), id=name) for name in ("all stated", "sleeve 0.05", "nothing stated")),
    ],
)
def test_a_prediction_at_a_measured_point_is_the_run(tmp_path, bench):
    """Every part within a quarter of the half-width of the run's (mean of its repeats), the input within its own."""
    loaded = load_bench(bench(tmp_path))
    split = breakdown(calibrate(loaded, draws=200, compare=False), loaded.sweeps)
    for run in split.runs:
        like = [
            r
            for r in split.runs
            if (r.cylinder, r.mean_pressure) == (run.cylinder, run.mean_pressure)
            and abs(r.frequency / run.frequency - 1) < SAME_SETTING
        ]
        frequency = float(np.mean([r.frequency for r in like]))
        wanted = wanted_cylinder(split, run.cylinder, mean_pressure=Quantity(run.mean_pressure))
        (point,) = predict(split, wanted, [frequency]).points
        means = {part: np.mean([r.parts[part].value for r in like]) for part in PARTS + WITH_MOTOR}
        for part in PARTS:
            near = pytest.approx(means[part], abs=run.parts[part].half_width / 4 + 1e-9)
            assert point.parts[part].value == near, (run, part)
        for part in WITH_MOTOR:
            assert point.parts[part].low < means[part] < point.parts[part].high, (run, part)
