"""Brushes, a controller's own loss, and motor constants from a bench's own volts and amperes."""

import re
from dataclasses import replace

import numpy as np
import pytest
from simulate import random_bench, write_bench

from driveloss.bench.load import load_bench
from driveloss.breakdown.ask import breakdown
from driveloss.breakdown.budget import budget
from driveloss.fit.calibrate import calibrate
from fit.benches import HARDLY_MOVES, Sheet, same
from fit.benches import write_bench as write_by_hand

STATED = ("winding_resistance", "winding_temperature", "torque_constant", "brush_drop")


def without(folder, *keys):
    """The bench of a folder with keys of bench.toml taken away."""
    path = folder / "bench.toml"
    path.write_text(re.sub(rf"^({'|'.join(keys)}) = .*\n", "", path.read_text("utf-8"), flags=re.M), "utf-8")
    return load_bench(folder)


@pytest.fixture(scope="module", params=(1, 5, 7))
def volts_and_amperes(request, tmp_path_factory):
    """A simulated machine on a bench supply (truth in the time domain), with nothing stated of its motor
    but that its current is smooth, which means of volts and amperes do not tell.
    """
    rng, folder = np.random.default_rng([7, request.param]), tmp_path_factory.mktemp("bench")
    truth, protocol = random_bench(rng)
    assert protocol.electric_columns == "volts-amps"
    answer = write_bench(folder, truth, protocol, rng)
    return truth, answer, without(folder, *STATED)


def test_constants_are_found_in_the_readings(volts_and_amperes):
    truth, _, bench = volts_and_amperes
    calibration = calibrate(bench, draws=1000, compare=False)
    assert calibration.route.name == "fitted constants"
    terms = {term.label: term.estimate for term in calibration.evidence.fits["physical"].terms}
    for words, true in (("torque constant", truth.motor.torque_constant), ("brush drop", 0.0)):
        found = terms[f"motor: {words}, from volts and amperes"]
        assert found.low <= true <= found.high
    # a winding that was not read is warm while it runs, and its resistance is found as it was
    assert terms["motor: winding resistance, from volts and amperes"].high >= 0.98 * truth.motor.resistance


def test_net_power_is_held_with_nothing_stated_of_the_motor(volts_and_amperes):
    _, answer, bench = volts_and_amperes
    runs = breakdown(calibrate(bench, draws=1000, compare=False), bench.sweeps).runs
    held = [
        run.pneumatic.low <= true["pneumatic_W"] <= run.pneumatic.high
        for run, true in zip(runs, answer.runs, strict=True)
    ]
    assert np.mean(held) >= 0.85
    assert all(run.motor_copper is not None for run in runs)
    assert not any("winding-temperature-assumed" in run.flags for run in runs)  # found as warm as it ran


def test_what_fitted_constants_rest_on_is_in_the_budget_once(volts_and_amperes):
    """Their errors are the meters' and the scatter's: squares of the shares still add up (JCGM 100:2008, 5.1.2)."""
    _, _, bench = volts_and_amperes
    answer = breakdown(calibrate(bench, draws=1000, compare=False), bench.sweeps)
    shares = budget(answer)
    assert "motor constants" not in shares
    together = np.sqrt(sum(widths**2 for widths in shares.values()))
    whole = np.array([run.pneumatic.half_width for run in answer.runs])
    assert np.median(together / whole) == pytest.approx(1.0, abs=0.12)


def test_stated_constants_that_the_readings_contradict(volts_and_amperes, tmp_path):
    truth, _, bench = volts_and_amperes
    calm = calibrate(bench, draws=300, compare=False).findings
    assert not [finding for finding in calm if finding.kind == "constants"]
    tenfold = replace(bench.rig.motor, winding_resistance=None, torque_constant=None)
    quantity = type(bench.rig.transmission.ratio)
    tenfold = replace(tenfold, winding_resistance=quantity(10 * truth.motor.resistance, 0.0))
    found = calibrate(replace(bench, rig=replace(bench.rig, motor=tenfold)), draws=300, compare=False).findings
    assert "winding resistance" in next(f.sentence for f in found if f.kind == "constants")


SUPPLY, FULL, IDLE, FIELD, ARMATURE, BRUSHES = 200.0, 35.0, 2.0, 500.0, 0.6, 3.0


def shunt_motor(folder, motor):
    """A shunt motor's field as standby, its armature as the motor; light running as the ladder, full load as a run."""
    armature = {stage: amps - SUPPLY / FIELD for stage, amps in (("light", IDLE), ("full", FULL))}
    header = "frequency [Hz],power [W],current [A]"
    light = same(("10.0", f"{SUPPLY * armature['light']:.9f}", f"{armature['light']:.9f}"))
    full = same(("10.0", f"{SUPPLY * armature['full']:.9f}", f"{armature['full']:.9f}"))
    sheets = [
        Sheet("piston-disconnected", header, light),
        Sheet("no-load", header, light),
        Sheet("loaded", header, full, 'mean_pressure = "1 bar"'),
    ]
    return write_by_hand(folder, f'[motor]\nsupply = "terminals"\n{motor}', sheets, HARDLY_MOVES)


def test_brush_drop_in_a_worked_example(tmp_path):
    """Theraja & Theraja, A Textbook of Electrical Technology, dc machine testing: 200 V, 35 A full load, 2 A light.

    Field 500 ohm, armature 0.6 ohm, 1.5 V per brush arm (inputs seen, the sum done here): what the load adds at the
    shaft is the input less copper and brush loss at full load, less the same at light running.
    """
    bench = shunt_motor(tmp_path, f'winding_resistance = "{ARMATURE} ohm"\nbrush_drop = "{BRUSHES} V"')
    run = breakdown(calibrate(bench, draws=200, active=(), compare=False), bench.sweeps).runs[0]
    amps = [current - SUPPLY / FIELD for current in (FULL, IDLE)]
    shaft = [SUPPLY * i - ARMATURE * i**2 - BRUSHES * i for i in amps]
    assert run.pneumatic.value == pytest.approx(shaft[0] - shaft[1], rel=1e-9)
    assert run.motor_copper.value == pytest.approx(ARMATURE * amps[0] ** 2, rel=1e-9)


def test_controller_takes_its_share_of_what_passes(tmp_path):
    """Energy balance: of 60 W beyond standby a controller of 0.9 passes 54 W on to the motor."""
    header = "frequency [Hz],power [W]"
    powers = {"piston-disconnected": 20.0, "no-load": 30.0, "loaded": 60.0}
    sheets = [
        Sheet(stage, header, same((10.0, power)), 'mean_pressure = "1 bar"' if stage == "loaded" else "")
        for stage, power in powers.items()
    ]
    sheets.insert(0, Sheet("standby", "power [W]", same((0.0,))))
    motor = 'supply = "controller"\nwinding_resistance = "0.0001 ohm"\ntorque_constant = "1 N*m/A"'
    bench = write_by_hand(tmp_path, f"[motor]\n{motor}\ncontroller_efficiency = 0.9", sheets)
    run = breakdown(calibrate(bench, draws=200, active=(), compare=False), bench.sweeps).runs[0]
    assert run.pneumatic.value == pytest.approx(0.9 * 30.0, rel=1e-4)
    assert run.motor.value if run.motor else run.drive.value > 6.0


def test_controller_efficiency_is_not_used_behind_the_controller(tmp_path):
    """The meter on the motor's leads has the controller's loss behind it: said, and the net power as without."""
    sheets = [
        Sheet(stage, "frequency [Hz],power [W]", same((10.0, 20.0))) for stage in ("piston-disconnected", "no-load")
    ]
    bench = write_by_hand(tmp_path, '[motor]\nsupply = "terminals"\ncontroller_efficiency = 0.9', sheets)
    calibration = calibrate(bench, draws=200, compare=False)
    assert np.all(calibration.meters.controller_efficiency == 1.0)
    assert [finding.kind for finding in calibration.findings if "controller_efficiency" in finding.sentence] == [
        "unused"
    ]


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("frequencies", [(10.0,), (6.0, 8.0, 10.0)], ids=["one speed", "three speeds"])
def test_exact_volts_and_amperes_without_brushes(tmp_path, frequencies):
    """V = R I + K omega without error: R and K come back; where one speed leaves the brushes open they are not told."""
    header, ohms, constant = "frequency [Hz],voltage [V],current [A]", 0.5, 0.1
    amps = {"piston-disconnected": 1.0, "no-load": 2.0, "loaded": 5.0}
    rows = {
        stage: [(f, f"{ohms * i + constant * 2 * np.pi * f:.12f}", i) for f in frequencies for _ in range(3)]
        for stage, i in amps.items()
    }
    sheets = [Sheet(s, header, r, 'mean_pressure = "1 bar"' if s == "loaded" else "") for s, r in rows.items()]
    bench = write_by_hand(
        tmp_path, '[motor]\nsupply = "terminals"', sheets, HARDLY_MOVES, unstated=["incremental_efficiency"]
    )
    calibration = calibrate(bench, draws=200, compare=False)
    assert calibration.route.name == "fitted constants"
    assert calibration.meters.resistance == pytest.approx(np.full(201, ohms), rel=1e-6)
    assert calibration.meters.torque_constant == pytest.approx(np.full(201, constant), rel=1e-6)
    shaft = [constant * 2 * np.pi * frequencies[0] * i for i in (5.0, 2.0)]
    run = breakdown(calibration, bench.sweeps).runs[0]
    assert run.pneumatic.value == pytest.approx(shaft[0] - shaft[1], rel=1e-5)
