"""More runs than are held at once: the same numbers, told as they come, in memory that does not grow with them."""

import csv
import io
import json
import tracemalloc
from itertools import islice

import numpy as np
import pytest
from cli.running import DEMO, typed

from driveloss.bench.load import load_bench
from driveloss.bench.template import demo_files
from driveloss.breakdown import ask
from driveloss.breakdown.ask import breakdown, in_blocks
from driveloss.breakdown.long import LongBreakdown
from driveloss.breakdown.split import SIZE
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.fit.suspects import loaded_course

LONG = "wide-loaded.csv"


def long_bench(folder, count, slip=None):
    """The demo bench with `count` readings in one of its loaded sweeps, and one written ten times too large."""
    for name, data in demo_files().items():
        (folder / name).write_bytes(data)
    head, *lines = [line for line in (folder / LONG).read_text().splitlines() if not line.startswith("#")]
    rows = np.array([[float(cell or "nan") for cell in line.split(",")] for line in sorted(lines, key=_frequency)])
    at = np.linspace(0, len(rows) - 1, count)
    made = np.column_stack([np.interp(at, np.arange(len(rows)), column) for column in rows.T])
    made[:, 1] *= 1 + 0.002 * np.random.default_rng(1).standard_normal(count)
    if slip is not None:
        made[slip, 1] *= 10
    text = "\n".join([head, *(",".join("" if np.isnan(x) else f"{x:.6g}" for x in row) for row in made)])
    (folder / LONG).write_text(text + "\n")
    return load_bench(folder)


def _frequency(line):
    return float(line.split(",")[0])


@pytest.fixture(scope="module")
def calibration():
    return calibrate(load_bench(DEMO), draws=200, compare=False)


def test_told_as_they_come_they_are_the_same(calibration, tmp_path):
    """Rows of CSV and JSON against the answer that holds all draws; recordings and a run-down joined in."""
    bench = long_bench(tmp_path, 3 * SIZE + 10)
    of = (calibration, bench.sweeps, bench.recordings, bench.rundowns)
    whole, long = breakdown(*of), LongBreakdown(in_blocks(*of))
    data = json.loads("".join(long.json()))
    assert data["runs"] == json.loads(json.dumps(whole.to_dict()["runs"]))
    rows = list(csv.DictReader(io.StringIO("".join(LongBreakdown(in_blocks(*of)).csv()))))
    assert rows == list(csv.DictReader(io.StringIO("".join(whole.csv()))))
    assert long.count == len(whole.runs)
    assert long.flags == {flag for run in whole.runs for flag in run.flags}
    most = whole.assumptions[0]
    told = {entry["name"]: entry["net_half_width_W"] for entry in data["assumptions"]}
    assert told[most.row.name] == pytest.approx(most.half_width, rel=0.2)  # by every sixteenth run
    assert long.tables()[:5] == whole.tables()[:5]


def test_memory_does_not_grow_with_the_runs(calibration, tmp_path):
    """By the tracer of Python's own: what a block needs, not what all runs need together."""

    def peak(blocks):
        tracemalloc.start()
        for _ in LongBreakdown(blocks).entries():
            pass
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    bench = long_bench(tmp_path, 10 * SIZE)
    few, many = (peak(islice(in_blocks(calibration, bench.sweeps), count)) for count in (3, 10))
    assert many < 1.3 * few


def test_a_slip_in_a_long_sweep_is_found(calibration, tmp_path):
    bench = long_bench(tmp_path, 2000, slip=1234)
    answer = ask.gather(calibration.rig, bench.sweeps, ("loaded",))
    (place,) = loaded_course(calibration, answer).suspects
    assert (answer.file[place], answer.row[place]) == (LONG, 1235)
    assert np.count_nonzero(loaded_course(calibration, answer).spread) == 1


def test_readings_of_one_setting_stay_in_one_block(calibration, tmp_path):
    """Three readings at equal steps of time, with blocks ending amidst them if they could."""
    bench = long_bench(tmp_path, SIZE + 1)
    text = (tmp_path / LONG).read_text().splitlines()
    first = next(line for line in text if line[0].isdigit())
    thrice = [f"{first},{minutes}" for minutes in (5, 10, 15)] * (SIZE // 2)
    (tmp_path / LONG).write_text("\n".join([f"{text[0]},settling time [min]", *thrice]) + "\n")
    bench = load_bench(tmp_path)
    for block in in_blocks(calibration, bench.sweeps):
        timed = block.readings.settling_time[np.isfinite(block.readings.settling_time)] / 60
        assert timed.tolist() == pytest.approx([5.0, 10.0, 15.0] * (len(timed) // 3))


@pytest.fixture
def few_at_once(monkeypatch):
    monkeypatch.setattr(ask, "AT_ONCE", 100)


@pytest.mark.usefixtures("few_at_once")
class TestMoreThanAtOnce:
    """Commands on a bench with more loaded readings than are held together."""

    def test_breakdown_streams(self, tmp_path):
        long_bench(tmp_path, 150)
        done = typed("breakdown", str(tmp_path), "--csv", "--draws", "200")
        assert done.code == 0
        assert len(list(csv.DictReader(io.StringIO(done.out)))) == 150 + 27
        assert "177 runs are more than a screen shows" in done.err

    def test_what_needs_all_of_them_says_so(self, calibration, tmp_path):
        bench = long_bench(tmp_path, 150)
        with pytest.raises(InputError, match=r"hold 177 readings, expected at most 100 where runs are compared"):
            breakdown(calibration, bench.sweeps)
        done = typed("breakdown", str(tmp_path), "--figure", str(tmp_path / "x.png"))
        assert (done.code, done.out) == (2, "")
        assert "--figure: there are 177 loaded readings, expected at most 100 to draw" in done.err
