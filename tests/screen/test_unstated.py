"""What a bench leaves unsaid, or says against its own readings, is said aloud; inputs are never written over.

The benches are reckoned by hand: power = idle + 2 pi f T + (2 S f F + net)/eta, no published source needed.
"""

from pathlib import Path

import numpy as np
import pytest
from cli.running import typed
from fit.benches import CYLINDER, Sheet, write_bench

import driveloss

TERMINALS = '[meter]\npower = "0.1 %"\n[motor]\nsupply = "terminals"\nincremental_efficiency = 1.0\n'
CONTROLLER = TERMINALS.replace("terminals", "controller")
F = np.array([4.0, 6.0, 8.0, 10.0, 4.0, 6.0, 8.0, 10.0])
STROKE, TORQUE, FORCE, NET = 0.036, 0.12, 9.0, 3.0  # m, N m, N, W for each Hz
LOADED_AT = 'mean_pressure = "5 bar"\n'
HEADER = "frequency [Hz],power [W]"


def bench(folder, sections=TERMINALS, cylinder=CYLINDER, f=F, eta=1.0, drag=0.0, standby=(), no_load_keys=("",)):
    """A drive of constant torque, a seal of constant force; drag: of the loaded seal beyond the unloaded one [N]."""
    drive = 2 * np.pi * f * TORQUE
    seal = 2 * STROKE * f * FORCE / eta
    loaded = drive + seal + (2 * STROKE * f * drag + NET * f) / eta
    sheets = [Sheet("standby", "power [W]", [(p,) for p in standby])] if standby else []
    sheets.append(Sheet("piston-disconnected", HEADER, list(zip(f, drive, strict=True))))
    sheets += [Sheet("no-load", HEADER, list(zip(f, drive + seal, strict=True)), keys) for keys in no_load_keys]
    sheets.append(Sheet("loaded", HEADER, list(zip(f, loaded, strict=True)), LOADED_AT))
    return write_bench(folder, sections, sheets, cylinder)


def found(loaded):
    return {finding.kind: finding.sentence for finding in driveloss.calibrate(loaded, draws=200).findings}


def test_stated_drag_reaches_the_shaft_over_the_transmission(tmp_path):
    """4 bar across the seal at 3 N/bar is 12 N more at the piston; of 80 % passed on, net is 3 W for each Hz."""
    sections = TERMINALS + "[transmission]\nefficiency = 0.8\n"
    loaded = bench(tmp_path, sections, CYLINDER + 'pressure_friction = "3 N/bar"\n', eta=0.8, drag=12.0)
    for run in driveloss.breakdown(driveloss.calibrate(loaded, draws=200), loaded.sweeps).runs:
        assert run.pneumatic.value == pytest.approx(NET * run.frequency, rel=1e-3)
        assert run.seal.value == pytest.approx(2 * STROKE * run.frequency * (FORCE + 12.0), rel=1e-3)
        assert run.aftercooler_heat.value == pytest.approx(run.pneumatic.value + run.seal.value, rel=1e-9)
        assert run.transmission.value == pytest.approx(0.25 * (run.pneumatic.value + run.seal.value), rel=1e-6)


def test_a_stated_drag_that_sweeps_overrule_is_named(tmp_path):
    keys = ('mean_pressure = "1 bar"\n', 'mean_pressure = "3 bar"\n')
    loaded = bench(tmp_path, cylinder=CYLINDER + 'pressure_friction = "3 N/bar"\n', no_load_keys=keys)
    assert "cylinders.one.pressure_friction: not used" in found(loaded)["drag"]


def test_pressures_below_the_back_pressure_leave_the_stated_drag_in_use(tmp_path):
    keys = ('mean_pressure = "1 bar"\n', 'mean_pressure = "1.5 bar"\n')
    text = CYLINDER + 'pressure_friction = "3 N/bar"\nback_pressure = "2 bar"\n'
    assert driveloss.calibrate(
        bench(tmp_path, cylinder=text, no_load_keys=keys), draws=200
    ).stated_pressure_friction == ("one",)


def test_idle_power_that_nothing_tells_is_not_claimed(tmp_path):
    loaded = bench(tmp_path, CONTROLLER, f=np.full(4, 6.0))
    assert "fewer than 3 frequencies" in found(loaded)["idle"]
    assert driveloss.losses(driveloss.calibrate(loaded, draws=200), [6.0])[0].standby is None


def test_a_port_that_would_take_more_than_was_read_is_named(tmp_path):
    keys = 'open_port_diameter = "2 mm"\nopen_volume = "1 cm^3"\n'  # with more gas behind it the piston only squeezes
    sentence = found(bench(tmp_path, cylinder=CYLINDER + keys))["port"]
    assert "2-no-load.csv, line " in sentence and "open_port_diameter of 'one'" in sentence


def test_two_standby_readings_that_differ_leave_the_idle_power_open(tmp_path):
    """Their mean is known to s/sqrt(2) = 1 W (JCGM 100:2008, 4.2.3), and with one degree of freedom to less."""
    calibration = driveloss.calibrate(bench(tmp_path, CONTROLLER, standby=(2.0, 4.0)), draws=1000)
    assert driveloss.losses(calibration, [6.0])[0].standby.half_width > 2.0


def test_limits_of_a_meter_that_was_not_read_do_not_count(tmp_path):
    meter = (
        '[meter]\nvoltage = "0.2 %"\ncurrent = "0.2 %"\n{}[motor]\nsupply = "terminals"\nincremental_efficiency = 1.0\n'
    )
    widths = []
    for number, power in enumerate(("", 'power = "5 %"\n')):
        folder = tmp_path / str(number)
        folder.mkdir()
        header = "frequency [Hz],voltage [V],current [A]"
        rows = [(f, 24.0, (2 * np.pi * f * TORQUE) / 24) for f in F]
        more = [(f, 24.0, (2 * np.pi * f * TORQUE + 2 * STROKE * f * FORCE) / 24) for f in F]
        loaded = write_bench(
            folder, meter.format(power), [Sheet("piston-disconnected", header, rows), Sheet("no-load", header, more)]
        )
        total = driveloss.losses(driveloss.calibrate(loaded, draws=500), [6.0])[1].total
        widths.append(total.half_width / total.value)
    assert widths[0] == pytest.approx(widths[1], rel=1e-9)
    assert 0.002 < widths[0] < 0.005


@pytest.mark.parametrize(("cold", "hot"), [("40", "25"), ("22", "23")])
def test_no_ceiling_without_a_sure_temperature_lift(tmp_path, cold, hot):
    sections = TERMINALS.replace("[motor]", 'temperature = "1.5 K"\n[motor]') + '[cycle]\nkind = "pulse-tube"\n'
    loaded = bench(tmp_path, sections)
    file = next(tmp_path.glob("*-loaded.csv"))
    _, *rows = file.read_text().splitlines()
    lines = [f"{HEADER},cold end [degC],hot end [degC]", *(f"{row},{cold},{hot}" for row in rows)]
    file.write_text("\n".join([*lines, ""]))
    loaded = driveloss.load_bench(tmp_path)
    for run in driveloss.breakdown(driveloss.calibrate(loaded, draws=300), loaded.sweeps).runs:
        assert run.cooling_ceiling is None and "not-cooling" in run.flags


@pytest.mark.parametrize(("command", "option"), [("calibrate", "-o"), ("breakdown", "--figure"), ("report", "-o")])
def test_the_benchs_own_files_are_never_written_over(tmp_path, command, option):
    bench(tmp_path)
    target = tmp_path / "bench.toml" if option == "-o" else tmp_path / "1-piston-disconnected.csv"
    before = target.read_bytes()
    outcome = typed(command, tmp_path, option, target, "--draws", "200")
    assert outcome.code == 2 and "own files" in outcome.err
    assert target.read_bytes() == before


def test_a_loaded_machine_that_takes_no_power_is_refused(tmp_path):
    bench(tmp_path)
    file = next(Path(tmp_path).glob("*-loaded.csv"))
    lines = file.read_text().splitlines()
    lines[2] = "6.0,0"
    file.write_text("\n".join([*lines, ""]))
    with pytest.raises(
        driveloss.InputError, match=r"loaded\.csv, line 3.*power.*above zero at stage 'loaded', read '0'"
    ):
        driveloss.load_bench(tmp_path)


def test_a_loggers_file_is_averaged_first(tmp_path):
    rows = [(6.0, 10.0)] * 3001
    bench = write_bench(tmp_path, TERMINALS, [Sheet("piston-disconnected", HEADER, rows)])
    assert any("the ladder's 3001 readings are taken as 4" in notice for notice in bench.notices)
