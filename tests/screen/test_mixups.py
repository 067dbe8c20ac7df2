"""Mistakes of set-up and writing down: each is told in one sentence, and the same bench without it is not accused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchmark.ordinary import CLASSES, Case, plain_case, with_port
from cli.running import DEMO
from simulate import PlannedSweep, perturb, write_bench

from driveloss.fit import headers
from driveloss.fit.calibrate import calibrate
from screen.benches import load
from screen.mistakes import exchange_columns, exchange_files, fahrenheit, restate, rewrite

BENCHES = 3  # of each kind; one in a plain run
EACH = pytest.mark.parametrize("index", [0, *(pytest.param(i, marks=pytest.mark.long) for i in range(1, BENCHES))])
SECOND = 2.4e5  # [Pa]


def told(folder: Path) -> list[str]:
    """Sentences about mix-ups."""
    calibration = calibrate(load(folder), draws=30, compare=False)
    return [finding.sentence for finding in calibration.findings if finding.kind == "mix-up"]


def geared(index: int) -> Case:
    """An ordinary machine whose motor turns two to four times as fast as its crank, with temperatures."""
    case = plain_case(np.random.default_rng([51, index]))
    ratio = 2.0 + index % 5 / 2
    motor = case.truth.motor
    slower = replace(motor, torque_constant=motor.torque_constant * case.truth.ratio / ratio)
    truth = replace(case.truth, ratio=ratio, motor=slower, thermal_resistance=0.3)
    protocol = replace(case.protocol, temperature_columns=True, electric_columns="power", cold_depth=30.0)
    return replace(case, truth=truth, protocol=protocol)


def reading(case: Case, columns: str) -> Case:
    return replace(case, protocol=replace(case.protocol, electric_columns=columns))


def written(folder: Path, case: Case, index: int, stated=None) -> Path:
    rng = np.random.default_rng([52, index])
    stated = stated or perturb(case.truth, case.protocol.limits, rng)
    write_bench(folder, case.truth, case.protocol, rng, stated)
    return folder


def files(folder: Path, *stages: str) -> list[Path]:
    turning = [sweep for sweep in load(folder).sweeps if sweep.stage != "standby"]
    return [folder / sweep.file for sweep in turning if not stages or sweep.stage in stages]


# The mistakes, each made in a folder


def resistance_tenfold(folder):
    assert restate(folder, "winding_resistance", lambda ohms: 10 * ohms)


def resistance_a_tenth(folder):
    assert restate(folder, "winding_resistance", lambda ohms: ohms / 10)


def ratio_upside_down(folder):
    assert restate(folder, "ratio", lambda ratio: 1 / ratio)


def faster(folder, *stages):
    ratio = load(folder).rig.transmission.ratio.value
    assert all(rewrite(file, "frequency", lambda f: f * ratio) for file in files(folder, *stages))


def motor_alone_at_motor_speed(folder):
    faster(folder, "motor-alone")


def ends_exchanged(folder):
    assert exchange_columns(folder / "loaded.csv", "cold end", "hot end")


def ends_exchanged_and_one_not_read(folder):
    ends_exchanged(folder)
    left = iter([float("nan")])
    assert rewrite(folder / "loaded.csv", "hot end", lambda read: next(left, read))


def temperatures_in_fahrenheit(folder):
    assert all(rewrite(folder / "loaded.csv", name, fahrenheit) for name in ("cold end", "hot end", "coolant"))


def ambient_in_fahrenheit(folder):
    assert restate(folder, "ambient_temperature", lambda _: fahrenheit(18))


def one_power_for_frequency(folder):
    assert exchange_columns(folder / "piston-disconnected.csv", "power", "frequency")


def all_power_for_frequency(folder):
    assert all(exchange_columns(file, "power", "frequency") for file in files(folder))


def volts_for_amps(folder):
    assert all(exchange_columns(file, "voltage", "current") for file in files(folder))


POWER, AMPERES, VOLTS = "power", "power+current", "volts-amps"
OF_COLUMNS = [  # what was done, what is recorded, who says so, and what
    (motor_alone_at_motor_speed, POWER, headers.motor_speeds, "motor-alone.csv: speeds are "),
    (motor_alone_at_motor_speed, VOLTS, headers.motor_speeds, "motor-alone.csv: speeds are "),
    (ends_exchanged, POWER, headers.exchanged_ends, "loaded.csv: the cold end is above the hot end in every row"),
    (ends_exchanged_and_one_not_read, POWER, headers.exchanged_ends, "loaded.csv: the cold end is above the hot end"),
    (temperatures_in_fahrenheit, POWER, headers.fahrenheit, "loaded.csv: column 'coolant' holds "),
    (ambient_in_fahrenheit, POWER, headers.fahrenheit, "is no room's: was it in degF (18 degC)?"),
    (one_power_for_frequency, POWER, headers.power_for_frequency, "piston-disconnected.csv: the power column holds"),
    (all_power_for_frequency, POWER, headers.power_for_frequency, "motor-alone.csv, piston-disconnected.csv, no-load"),
    (volts_for_amps, VOLTS, headers.volts_for_amps, "loaded.csv: the current column follows frequency alone"),
]


@pytest.mark.parametrize("benches", [3, pytest.param(15, marks=pytest.mark.long)])
@pytest.mark.parametrize(("mistake", "columns", "test", "words"), OF_COLUMNS)
def test_columns_that_hold_something_else_are_told(tmp_path, mistake, columns, test, words, benches):
    for index in range(benches):
        folder = written(tmp_path / str(index), reading(geared(index), columns), index)
        assert list(test(load(folder))) == []
        mistake(folder)
        (finding,) = test(load(folder))
        assert words in finding.sentence
        assert finding.sentence.startswith(f"{finding.file or 'bench.toml'}")


OF_THE_MOTOR = [
    (resistance_tenfold, AMPERES, "power over current rises with current as through"),
    (resistance_tenfold, VOLTS, "power over current rises with current as through"),
    (resistance_a_tenth, AMPERES, "was it in mohm"),
    (resistance_a_tenth, VOLTS, "was it in mohm"),
    (ratio_upside_down, VOLTS, "the ratio is probably upside down; was it "),
    (ratio_upside_down, AMPERES, "the ratio is probably upside down; was it "),
    (faster, VOLTS, "the speeds are probably the motor's"),
    (faster, AMPERES, "the speeds are probably the motor's"),
    (volts_for_amps, VOLTS, "the current column follows frequency alone"),
    (temperatures_in_fahrenheit, POWER, "column 'coolant' holds "),
]


@EACH
@pytest.mark.parametrize(("mistake", "columns", "words"), OF_THE_MOTOR)
def test_a_mistake_is_told_in_one_sentence(tmp_path, mistake, columns, words, index):
    folder = written(tmp_path, reading(geared(index), columns), index)
    mistake(folder)
    (sentence,) = told(folder)
    assert words in sentence


@EACH
@pytest.mark.parametrize("columns", [POWER, AMPERES, VOLTS])
def test_the_same_benches_without_it_are_not_accused(tmp_path, columns, index):
    assert told(written(tmp_path, reading(geared(index), columns), index)) == []


def test_a_resistance_ten_times_too_large_mostly_shows_in_watts_alone(tmp_path):
    """Copper then seems to take a third to a half of the input where it took a tenth."""
    found = 0
    for index in range(2 * BENCHES):
        folder = written(tmp_path / str(index), geared(index), index)
        resistance_tenfold(folder)
        found += any("copper alone takes" in sentence for sentence in told(folder))
    assert found >= 0.8 * 2 * BENCHES


@pytest.mark.parametrize("benches", [1, pytest.param(BENCHES, marks=pytest.mark.long)])
def test_ends_in_fahrenheit_show_without_a_coolant(tmp_path, benches):
    """A cooler's cold end above the room and its hot end 45 K above it are by the other scale as they should be."""
    found = 0
    for index in range(benches):
        folder = written(tmp_path / str(index), geared(index), index)
        file = folder / "loaded.csv"
        assert exchange_columns(file, "coolant", "winding")
        file.write_text(file.read_text(encoding="utf-8").replace("coolant [degC]", "inlet [degC]"), encoding="utf-8")
        assert told(folder) == []
        assert rewrite(file, "cold end", fahrenheit)
        assert rewrite(file, "hot end", fahrenheit)
        found += any("column 'hot end' holds" in sentence for sentence in told(folder))
    assert found >= 0.8 * benches


def test_a_piston_too_fast_for_its_kind(tmp_path):
    """Where nothing but watts is recorded, a motor's speed shows only by what it makes of the piston's."""
    folder = written(tmp_path, geared(0), 0)
    assert all(rewrite(file, "frequency", lambda f: 30 * f) for file in files(folder))
    assert any("more than such machines run at" in sentence for sentence in told(folder))


# Ports and pressures need another machine


@EACH
@pytest.mark.parametrize("millimetres", [2.5])
def test_a_port_all_but_closed_is_told(tmp_path, millimetres, index):
    """Stated as wide open (8 mm on the nominal machine), while gas was squeezed through a hole a quarter as wide."""
    case = plain_case(np.random.default_rng([53, index]))
    stated = perturb(case.truth, case.protocol.limits, np.random.default_rng([54, index]))
    folder = written(tmp_path, with_port(case, millimetres, 0.62), index, stated)
    assert any(sentence.startswith("no-load 'one': ") and "port" in sentence for sentence in told(folder))


@EACH
@pytest.mark.parametrize("name", ["plain", "small port", "home", "nothing stated", "sleeve 0.10"])
def test_ordinary_benches_are_not_accused(tmp_path, name, index):
    """Ports as stated, small ones too; machines with losses that bench.toml does not state."""
    rng = np.random.default_rng([55, index])
    case = CLASSES[name](rng, plain_case(np.random.default_rng([53, index])))
    stated = case.believes(perturb(case.truth, case.protocol.limits, rng))
    assert told(written(tmp_path, case, index, stated)) == []


def charged(index: int) -> Case:
    """An ordinary machine swept loaded and without load at two pressures."""
    case = plain_case(np.random.default_rng([56, index]))
    once = case.protocol.sweeps[-1].frequencies
    more = [PlannedSweep(stage, once, f"{stage}-charged.csv", "one", SECOND) for stage in ("no-load", "loaded")]
    return replace(case, protocol=replace(case.protocol, sweeps=(*case.protocol.sweeps, *more)))


@EACH
def test_files_exchanged_between_pressures_are_told(tmp_path, index):
    folder = written(tmp_path, charged(index), index)
    assert told(folder) == []
    exchange_files(folder / "loaded.csv", folder / "loaded-charged.csv")
    (sentence,) = told(folder)
    assert sentence.startswith("loaded.csv, loaded-charged.csv: ")
    assert "the files were probably exchanged" in sentence


# test_weaknesses.py has forty random benches of which nothing may be said


def test_the_demo_bench_is_not_accused():
    findings = calibrate(load(DEMO), draws=30, compare=False).findings
    assert [finding.sentence for finding in findings if finding.kind in ("mix-up", "suspect")] == []
