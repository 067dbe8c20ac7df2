"""The breakdown's flags, nulls, ceilings and refusals, on benches written by hand."""

import pytest
from fit.benches import CYLINDER, Sheet, same, write_bench

from driveloss.breakdown.ask import breakdown
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.say.flags import FLAGS

HEADER = "frequency [Hz],power [W]"
MOTOR = '[motor]\nsupply = "terminals"\nwinding_resistance = "0.4 ohm"\ntorque_constant = "0.3 N*m/A"\n'
LOADED = 'mean_pressure = "1 bar"'
PORTED = CYLINDER + 'open_port_diameter = "9 mm"\n'


def rungs(loaded, header=HEADER, keys=LOADED):
    """A drive of 2 W/Hz, a seal of 1 W/Hz, read at 5 to 11 Hz, and the loaded rows."""
    frequencies = (5.0, 7.0, 9.0, 11.0)
    return [
        Sheet("piston-disconnected", HEADER, [(f, 2 * f) for f in frequencies]),
        Sheet("no-load", HEADER, [(f, 3 * f) for f in frequencies]),
        Sheet("loaded", header, loaded, keys),
    ]


def runs(folder, loaded, header=HEADER, sections=MOTOR, cylinder=PORTED, keys=LOADED, **how):
    bench = write_bench(folder, sections, rungs(loaded, header, keys), cylinder, **how)
    return breakdown(calibrate(bench, draws=200, compare=False), bench.sweeps).runs


def test_a_complete_bench_raises_no_flag_but_the_winding(tmp_path):
    """5 to 11 Hz, ambient pressure, port and motor known: only the winding's temperature was not recorded."""
    (run,) = runs(tmp_path, [(9.0, 60.0)])
    assert run.flags == ("winding-temperature-assumed",)


@pytest.mark.parametrize(("frequency", "outside"), [(4.9, True), (5.0, False), (11.0, False), (12.0, True)])
def test_extrapolated(tmp_path, frequency, outside):
    (run,) = runs(tmp_path, [(frequency, 80.0)])
    assert ("extrapolated" in run.flags) is outside


def test_interval_widens_outside_the_range(tmp_path):
    """Readings with scatter; the same input power at 9 Hz and at 22 Hz."""
    sheets = rungs([(9.0, 120.0), (22.0, 120.0)])
    off = (0.12, -0.2, 0.15, -0.1)
    shaken = [Sheet(s.stage, s.header, [(f, p + d) for (f, p), d in zip(s.rows, off, strict=True)]) for s in sheets[:2]]
    bench = write_bench(tmp_path, MOTOR, [*shaken, sheets[2]], PORTED)
    inside, outside = breakdown(calibrate(bench, draws=500, compare=False), bench.sweeps).runs
    assert outside.pneumatic.half_width > 2 * inside.pneumatic.half_width


def test_negative_pneumatic(tmp_path):
    run, sound = runs(tmp_path, [(9.0, 25.0), (9.0, 40.0)])
    assert "negative-pneumatic" in run.flags
    assert run.pneumatic.value < 0  # shown, not clipped
    assert "negative-pneumatic" not in sound.flags


@pytest.mark.parametrize(("friction", "flagged"), [("", True), ('pressure_friction = "0.7 N/bar"\n', False)])
def test_pressure_not_calibrated(tmp_path, friction, flagged):
    """No-load at ambient only, loaded at 4 bar; a stated drag per bar tells what the sweeps do not.

    Else it is the mean of three published seals of 25 mm bore, per metre of lip (Zillen, Delft University of
    Technology, 2021).
    """
    cold = MOTOR.replace("0.4 ohm", "0.0001 ohm")  # next to no copper loss: what is read reaches the shaft
    at, unstated = 'mean_pressure = "4 bar"', ["pressure_friction"]
    (run,) = runs(tmp_path, [(9.0, 60.0)], sections=cold, cylinder=PORTED + friction, keys=at, unstated=unstated)
    assert ("pressure-not-calibrated" in run.flags) is flagged
    plain = 9.0  # [W] of the seal at ambient, less the port's small share
    per_bar = (0.654 + 1.366 + 0.192) / 3 * 30 / 25 if flagged else 0.7  # [N/bar]
    added = per_bar * 3 * 2 * 0.036 * 9.0  # times bar times mean piston speed
    assert run.seal.value == pytest.approx(plain + added, abs=0.1)


class TestEnds:
    """Carnot and pulse-tube ceilings from the recorded ends; expected values by hand from P_pv."""

    header = "frequency [Hz],power [W],cold end [degC],hot end [degC],coolant [degC]"

    def run(self, folder, kind, row=(9.0, 60.0, -33.15, 26.85, 20.0), header=header, more=""):
        sections = f'{MOTOR}[cycle]\nkind = "{kind}"\n{more}'
        return runs(folder, [row[: header.count(",") + 1]], header, sections)[0]

    @pytest.mark.parametrize(
        ("kind", "factor"), [("pulse-tube", 240 / 300), ("stirling", 240 / 60), ("heat-pump", 300 / 60)]
    )
    def test_ceiling(self, tmp_path, kind, factor):
        """240 K and 300 K: T_c/T_h, T_c/(T_h - T_c), T_h/(T_h - T_c)."""
        run = self.run(tmp_path, kind)
        assert run.cooling_ceiling.value == pytest.approx(run.pneumatic.value * factor, rel=1e-9)
        assert "hot-end-assumed" not in run.flags

    def test_no_cycle_no_ceiling(self, tmp_path):
        assert self.run(tmp_path, "none").cooling_ceiling is None

    def test_resistance_from_a_measured_hot_end(self, tmp_path):
        run = self.run(tmp_path, "stirling")
        assert run.thermal_resistance.value == pytest.approx(6.85 / run.aftercooler_heat.value, rel=1e-9)

    def test_hot_end_from_a_stated_resistance(self, tmp_path):
        more = '[aftercooler]\nthermal_resistance = "0.5 K/W"\nseal_heat_share = 0.5\n'
        run = self.run(tmp_path, "stirling", header="frequency [Hz],power [W],cold end [degC]", more=more)
        heat = run.pneumatic.value + 0.5 * run.seal.value
        assert run.aftercooler_heat.value == pytest.approx(heat, rel=1e-9)
        assert run.friction_heat.value == pytest.approx(0.5 * run.seal.value, rel=1e-9)
        hot = 293.15 + 0.5 * heat
        assert run.hot_end.value == pytest.approx(hot, rel=1e-9)
        assert run.cooling_ceiling.value == pytest.approx(run.pneumatic.value * 240 / (hot - 240), rel=1e-9)
        assert "hot-end-assumed" not in run.flags

    def test_hot_end_assumed(self, tmp_path):
        run = self.run(tmp_path, "stirling", header="frequency [Hz],power [W],cold end [degC]")
        assert "hot-end-assumed" in run.flags
        assert run.cooling_ceiling.value == pytest.approx(run.pneumatic.value * 240 / 53.15, rel=1e-9)

    def test_cold_end_missing(self, tmp_path):
        run = self.run(tmp_path, "stirling", header=HEADER)
        assert "cold-end-missing" in run.flags
        assert run.cooling_ceiling is None

    def test_not_cooling(self, tmp_path):
        run = self.run(tmp_path, "stirling", row=(9.0, 60.0, 30.0, 26.85, 20.0))
        assert "not-cooling" in run.flags
        assert run.cooling_ceiling is None


def test_cycle_work_ratio(tmp_path):
    """P_pv over f p A S: bore 30 mm, stroke 36 mm, 1 bar, 9 Hz."""
    (run,) = runs(tmp_path, [(9.0, 60.0)])
    swept = 3.141592653589793 * 0.030**2 / 4 * 0.036
    assert run.cycle_work_ratio.value == pytest.approx(run.pneumatic.value / (9.0 * 1e5 * swept), rel=1e-9)


def test_rows_and_lines_are_those_of_the_file(tmp_path):
    found = runs(tmp_path, [(9.0, 60.0), (7.0, 45.0)])
    assert [(run.file, run.row, run.line) for run in found] == [("3-loaded.csv", 1, 2), ("3-loaded.csv", 2, 3)]


def test_nothing_loaded_is_refused(tmp_path):
    bench = write_bench(tmp_path, MOTOR, rungs([(9.0, 60.0)])[:2], PORTED)
    with pytest.raises(InputError, match=r"no sweep of stage 'loaded'"):
        breakdown(calibrate(bench, draws=20, compare=False), bench.sweeps)


def test_loaded_run_without_the_current_that_the_calibration_rests_on(tmp_path):
    """Calibrated with measured current; later a file without it is named, with its line."""
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    header = "frequency [Hz],power [W],current [A]"
    turning = [Sheet(stage, header, same((9.0, p, a))) for stage, p, a in rungs_with_current()]
    calibration = calibrate(write_bench(tmp_path / "one", MOTOR, turning), draws=20, compare=False)
    assert calibration.route.name == "measured current"
    later = write_bench(tmp_path / "two", MOTOR, [*turning[:2], Sheet("loaded", HEADER, [(9.0, 60.0)], LOADED)])
    with pytest.raises(InputError, match=r"3-loaded\.csv, line 2: no motor current.*current \[A\]"):
        breakdown(calibration, later.sweeps)


def rungs_with_current():
    return [("piston-disconnected", 18.0, 1.0), ("no-load", 27.0, 1.5)]


def test_reading_below_standby_is_refused_with_its_line(tmp_path):
    """Before a controller: 1 W at the meter with 12 W of idle power leaves nothing that a current could explain."""
    motor = MOTOR.replace("terminals", "controller").replace("0.3 N", "0.01 N")
    sheets = [Sheet("standby", "power [W]", same(("12.0",))), *rungs([(9.0, 1.0)])]
    raised = [Sheet(s.stage, s.header, [(f, p + 12) for f, p in s.rows]) for s in sheets[1:3]]
    bench = write_bench(tmp_path, motor, [sheets[0], *raised, sheets[3]], PORTED)
    calibration = calibrate(bench, draws=20, compare=False)
    with pytest.raises(InputError, match=r"4-loaded\.csv, line 2, column 'power': read 1 W.*standby power of 12 W"):
        breakdown(calibration, bench.sweeps)


def test_every_flag_used_is_explained(tmp_path):
    sections = '[motor]\nsupply = "terminals"\n[cycle]\nkind = "stirling"\n'
    found = runs(
        tmp_path, [(30.0, 20.0)], sections=sections, cylinder=CYLINDER, keys='mean_pressure = "9 bar"', exactly=False
    )
    flags = set(found[0].flags)
    assert {"extrapolated", "load-loss-assumed", "port-loss-unknown", "pressure-not-calibrated"} <= flags
    assert {"negative-pneumatic", "cold-end-missing", "hot-end-assumed"} <= flags
    assert flags <= set(FLAGS)
