"""The demo's parts against the machine that it was made from: the braked sweep's lump is parted as the machine is."""

import json
from pathlib import Path

import numpy as np
import pytest

from driveloss.bench.load import load_bench
from driveloss.breakdown.ask import breakdown
from driveloss.fit.calibrate import calibrate

TESTS = Path(__file__).parents[1]
PARTS = ("standby", "motor", "linkage", "drive", "transmission", "seal", "pneumatic", "aftercooler_heat")
LEAST = 0.9  # of the runs, whose common errors are those of one bench


@pytest.fixture(scope="module")
def pairs():
    """Each loaded run by subtraction, and what a perfect analysis would say of it."""
    truth = json.loads((TESTS / "simulate" / "demo_truth.json").read_text())["runs"]
    bench = load_bench(TESTS.parent / "calib_data")
    runs = breakdown(calibrate(bench, compare=False), bench.sweeps).runs
    return [(run, next(one for one in truth if (one["file"], one["row"]) == (run.file, run.row))) for run in runs]


@pytest.mark.parametrize("part", PARTS)
def test_a_part_holds_the_truth(pairs, part):
    held = [run.parts[part].low <= true[f"{part}_W"] <= run.parts[part].high for run, true in pairs]
    assert np.mean(held) >= LEAST
