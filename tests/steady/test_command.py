"""`driveloss steady` as a user types it, and its readings in a bench."""

import numpy as np
import pytest
from cli.running import DEMO, typed
from copies import open_copy
from simulate.log import Hold, LogTruth, write_log

import driveloss
from driveloss.bench.columns import read_sweep
from driveloss.bench.records import SweepSpec
from driveloss.figures import draw


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "log.csv"
    write_log(path)
    return path


def test_the_sweep_written_is_a_sweep_of_a_bench(log, tmp_path):
    """Whole way round: log, sweep file, the entry pasted, breakdown."""
    open_copy(DEMO, tmp_path / "bench")
    out = tmp_path / "bench" / "logged.csv"
    done = typed("steady", log, "-o", out, "--stage", "loaded", "--cylinder", "wide", "--mean-pressure", "1.013 bar")
    assert (done.code, done.out.count("extrapolated")) == (0, 8)
    entry = done.err[done.err.index("[[sweeps]]") :]
    toml = tmp_path / "bench" / "bench.toml"
    toml.write_text(f"{toml.read_text()}\n{entry}", encoding="utf-8")
    bench = driveloss.load_bench(tmp_path / "bench")
    (sweep,) = [sweep for sweep in bench.sweeps if sweep.file == "logged.csv"]
    answer = driveloss.steady([driveloss.read_log(log)])
    assert sweep.power == pytest.approx([r.power.value for r in answer.readings], rel=1e-4)
    assert sweep.power_scatter == pytest.approx([r.power.u for r in answer.readings], rel=0.01)
    assert sweep.cold_end == pytest.approx([r.ends["cold_end"].value.value for r in answer.readings], abs=1e-3)
    assert not [notice for notice in bench.notices if "logged" in notice]
    fitted = driveloss.calibrate(bench, draws=200, compare=False)
    runs = driveloss.breakdown(fitted, bench.sweeps).runs
    assert len([run for run in runs if run.file == "logged.csv"]) == 4


def test_json_and_csv_hold_what_the_tables_do(log):
    data = typed("steady", log, "--json").json
    assert data["schema"] == "driveloss.steady/1"
    assert [round(row["frequency_Hz"], 1) for row in data["rows"]] == [4.1, 6.2, 6.2, 7.7]
    first = data["rows"][0]
    assert first["power_W"]["low"] < first["power_W"]["value"] < first["power_W"]["high"]
    assert first["cold_end_how"] == "extrapolated"
    assert len(first["cold_end_time_constants_s"]) == 2
    assert any("drifts" in row["reason"] for row in data["rejected"])
    lines = typed("steady", log, "--csv").out.splitlines()
    assert len(lines) == 1 + len(data["rows"]) + len(data["rejected"])


def test_a_log_without_any_steady_stretch_says_why_and_is_still_drawn(tmp_path):
    path, figure, out = (tmp_path / name for name in ("log.csv", "log.svg", "out.csv"))
    write_log(path, LogTruth(holds=(Hold(5.0, 8.0, drift=0.06),)))
    done = typed("steady", path, "--figure", figure, "-o", out)
    assert done.code == 2
    assert "log.csv: expected a steady stretch, found none. minutes 0." in done.err
    assert "% a minute; at most 0.5 % may be" in done.err
    assert figure.exists()
    assert not out.exists()


def test_logs_of_one_rig_share_their_time_constants(log, tmp_path):
    """A short log alone gives a bound; beside a long one, a number."""
    short = tmp_path / "short.csv"
    write_log(short, LogTruth(holds=(Hold(6.0, 3.0),), noise=0.02))
    alone = typed("steady", short, "--json").json["rows"][0]
    assert (alone["cold_end_settled_K"], alone["cold_end_settles"]) == (None, "below")
    words = typed("steady", short)
    assert "K/min" in words.out
    assert "no stretch at one setting shows 2 time constants" in words.out.replace("\n", " ")
    together = typed("steady", log, short, "--json").json["rows"][-1]["cold_end_settled_K"]
    truth = LogTruth().cold_end(np.array(6.0)) + 273.15
    assert abs(together["value"] - truth) < 3 * together["u"]
    assert together["u"] < 0.2


def test_an_end_that_one_log_lacks_is_a_gap_in_the_sweep(log, tmp_path):
    """The other log's is still carried on."""
    bare = tmp_path / "bare.csv"
    lines = log.read_text(encoding="utf-8").splitlines()
    bare.write_text("\n".join(line.rsplit(",", 3)[0] for line in lines[1:]) + "\n", encoding="utf-8")
    out = tmp_path / "both.csv"
    assert typed("steady", log, bare, "-o", out).code == 0
    spec = SweepSpec(stage="loaded", cylinder="wide", file="both.csv", mean_pressure=2e5, where="here")
    sweep, _ = read_sweep(out, spec)
    assert np.isfinite(sweep.cold_end).tolist() == [True] * 4 + [False] * 4


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--drift", "5 W"), "--drift: "),
        (("--shortest", "60"), "--shortest: the unit is missing"),
        (("--time-constant", "-3 min"), "--time-constant: "),
        (("--stage", "loadd"), "did you mean 'loaded'?"),
        (("--stage", "loaded"), "--cylinder: expected a name at stage 'loaded'"),
        (("--stage", "standby", "--cylinder", "wide"), "--cylinder: expected none at stage 'standby'"),
        (("--ratio", "0"), "--ratio: expected a number above zero"),
        (("--mean-pressure", "2"), "--mean-pressure: the unit is missing"),
        (("--figure", "log.txt"), "expected one of .png, .svg, .pdf"),
    ],
)
def test_options_that_cannot_be(log, words, message):
    done = typed("steady", log, *words)
    assert (done.code, done.out) == (2, "")
    assert message in done.err


def test_a_log_is_not_written_over(log):
    done = typed("steady", log, "-o", log)
    assert done.code == 2
    assert "is one of the logs" in done.err


def test_a_standby_log_needs_no_speed(tmp_path):
    path, rng = tmp_path / "idle.csv", np.random.default_rng(3)
    lines = [f"{t},{3.4 + 0.01 * e:.4f}" for t, e in enumerate(rng.standard_normal(200))]
    path.write_text("\n".join(["time [s],power [W]", *lines, ""]), encoding="utf-8")
    out = tmp_path / "standby.csv"
    assert typed("steady", path, "--stage", "standby", "-o", out).code == 0
    sweep, _ = read_sweep(out, SweepSpec(stage="standby", file="standby.csv", where="here"))
    assert sweep.power == pytest.approx([3.4], abs=0.003)


def test_the_figure_shades_what_the_table_names(log):
    """Numbers of readings and letters of reasons stand above the power."""
    answer = driveloss.steady([driveloss.read_log(log)])
    figure = draw("log", answer)
    texts = {text.get_text() for ax in figure.axes for text in ax.texts}
    assert texts == {"1", "2", "3", "4", "a", "gap"}
    (reasons,) = (text.get_text() for text in figure.texts)
    assert reasons.startswith("a: power drifts by +5")
