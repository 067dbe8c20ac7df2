"""A reading that a log tells to be noisier weighs less."""

import numpy as np
import pytest
from cli.running import DEMO
from copies import open_copy

import driveloss
from driveloss.fit.readings import gather
from driveloss.fit.scatter import Pattern, relative_scatter

FILE = "piston-disconnected.csv"
FREQUENCIES = (4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0)


def bench(tmp_path, scatter, off):
    """The demo with one sweep of its drive whose last reading is off by so many watts; scatter of each, or none."""
    folder = tmp_path / str(len(list(tmp_path.iterdir())))
    open_copy(DEMO, folder)
    power = [1.0 + 0.9 * f + 0.05 * f**2 + 0.02 * (-1) ** i for i, f in enumerate(FREQUENCIES)]
    power[-1] += off
    extra = [""] * len(power) if scatter is None else [f",{s}" for s in scatter]
    head = "frequency [Hz],power [W]" + ("" if scatter is None else ",power scatter [W]")
    lines = [f"{f},{p:.4f}{s}" for f, p, s in zip(FREQUENCIES, power, extra, strict=True)]
    (folder / FILE).write_text("\n".join([head, *lines, ""]), encoding="utf-8")
    return driveloss.load_bench(folder)


def drive_at(loaded, frequency, family):
    fitted = driveloss.calibrate(loaded, family, draws=200, compare=False, keep_all=True)
    return driveloss.losses(fitted, [frequency])[0].drive


@pytest.mark.parametrize("family", ["physical", "polynomial"])
def test_a_reading_off_pulls_the_curve_less_where_its_log_tells_it_noisy(tmp_path, family):
    pulls = []
    for last in (0.02, 2.0):
        scatter = [0.02] * 7 + [last]
        right, off = (drive_at(bench(tmp_path, scatter, watts), 11.0, family).value for watts in (0.0, 0.8))
        pulls.append(abs(off - right))
    assert pulls[1] < 0.3 * pulls[0]


def test_where_no_log_tells_anything_nothing_changes(tmp_path):
    loaded = bench(tmp_path, None, 0.0)
    readings = gather(loaded.rig, loaded.sweeps, ("piston-disconnected",))
    pattern = Pattern(0.3, 10.0)
    assert relative_scatter(pattern, readings, np.ones(len(readings))).tolist() == pattern(readings.power).tolist()


def test_common_and_logged_scatter_are_told_apart(tmp_path):
    """Made residuals: 0.1 W common to all, and 0.05 to 0.5 W of each log; both come back (Paule & Mandel)."""
    rng = np.random.default_rng(1)
    own = np.tile([0.05, 0.5, 0.1, 0.3], 2)
    loaded = bench(tmp_path, own, 0.0)
    readings = gather(loaded.rig, loaded.sweeps, ("piston-disconnected",))
    flat = Pattern(0.0, 10.0)
    found = [relative_scatter(flat, readings, np.hypot(0.1, own) * rng.standard_normal(8)) for _ in range(400)]
    size = np.median([own[1] / np.sqrt(sigma[1] ** 2 - 1) for sigma in found])
    assert size == pytest.approx(0.1, rel=0.3)
    assert all((np.diff(sigma[[0, 2, 3, 1]]) > 0).all() for sigma in found)
