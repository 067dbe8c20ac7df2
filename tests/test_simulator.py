"""Is the simulated bench itself true? Checked against closed forms and published worked examples."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from simulate import (
    CylinderTruth,
    Limits,
    MotorTruth,
    PlannedSweep,
    Protocol,
    SealLaw,
    TorqueLaw,
    Truth,
    ladder,
    perturb,
    random_bench,
    write_bench,
)
from simulate.machine import (
    electrical,
    gas_density,
    loaded_parts,
    piston_velocities,
    pneumatic_power,
    port_drop,
    port_power,
    pressure_amplitude,
    seal_power,
)
from simulate.make_demo import MISTYPED, make_demo

F, P = np.array([3.0, 7.0]), np.array([1.5e5, 2.5e5])
PARTS = ("standby_W", "motor_W", "linkage_W", "transmission_W", "seal_W", "pneumatic_W")
ROOT = Path(__file__).parents[1]


def machine(seal=SealLaw(coulomb=5.0), rod_length=None, **cylinder) -> Truth:  # noqa: B008 (frozen)
    """A plain machine with one cylinder of 30 by 36 mm."""
    one = CylinderTruth(name="one", bore=0.030, stroke=0.036, seal=seal, **cylinder)
    law = TorqueLaw(coulomb=0.02, viscous=1e-4)
    return Truth(motor=MotorTruth(law=law), linkage=law, cylinders=(one,), rod_length=rod_length)


def rates(truth):
    """Crank speed times crank radius [m/s] at F."""
    return 2 * np.pi * F * truth.cylinders[0].stroke / 2


@pytest.mark.parametrize(
    ("crank", "rod", "rpm", "degrees", "published", "exact"),
    [(0.3, 1.5, 180, 40, 4.19, 4.19643), (0.15, 0.6, 450, 60, 6.9, 6.90536)],
)
def test_piston_speed_of_a_slider_crank(crank, rod, rpm, degrees, published, exact):
    """Khurmi & Gupta, Theory of Machines, Ex. 15.4 and 15.5; the book rounds and approximates, hence `exact`.

    The book counts from the dead centre on the rod's side, the simulator from the other one.
    """
    steps = 7200
    speed = piston_velocities([rpm / 60], 2 * crank, rod, steps)[0]
    edge = round((180 - degrees) / 360 * steps)
    at_angle = (speed[edge - 1] + speed[edge]) / 2
    assert at_angle == pytest.approx(exact, rel=1e-5)
    assert at_angle == pytest.approx(published, rel=3e-3)


@pytest.mark.parametrize("rod_length", [None, 0.095])
def test_coulomb_seal_costs_force_times_path(rod_length):
    """A constant force does work over the path of two strokes a turn, whatever the rod (mean speed 2 S N)."""
    truth = machine(SealLaw(coulomb=5.0), rod_length)
    assert seal_power(truth, truth.cylinders[0], F, P) == pytest.approx(2 * 0.036 * F * 5.0, rel=1e-9)


def test_viscous_seal_follows_the_mean_square_of_a_sine():
    truth = machine(SealLaw(viscous=8.0))
    assert seal_power(truth, truth.cylinders[0], F, P) == pytest.approx(8 * rates(truth) ** 2 / 2, rel=1e-4)


@pytest.mark.parametrize(("stribeck_speed", "force"), [(1e-6, 5.0), (1e6, 9.0)])
def test_stribeck_seal_lies_between_running_and_breakaway(stribeck_speed, force):
    """Limits of the Stribeck form: always running, always at breakaway."""
    truth = machine(SealLaw(coulomb=5.0, static=9.0, stribeck_speed=stribeck_speed))
    assert seal_power(truth, truth.cylinders[0], F, P) == pytest.approx(2 * 0.036 * F * force, rel=1e-9)


def test_stribeck_mean_against_quadrature():
    """SciPy's quadrature of the Stribeck form over a sine's quarter turn."""
    from scipy.integrate import quad

    law = SealLaw(coulomb=5.0, static=9.0, stribeck_speed=0.1, viscous=2.0)
    truth = machine(law)

    def momentary(angle, top):
        v = top * np.sin(angle)
        return (5 + 4 * np.exp(-((v / 0.1) ** 2)) + 2 * v) * v

    expected = [quad(momentary, 0, np.pi / 2, args=(top,))[0] / (np.pi / 2) for top in rates(truth)]
    assert seal_power(truth, truth.cylinders[0], F, P) == pytest.approx(expected, rel=1e-4)


def test_pressed_seal_follows_a_measured_line():
    """E. Zillen, TU Delft MSc data (CC0), 2021: O-ring of 25 mm, 3.402 N + 0.654 N/bar; 3 bar read 5.44 N."""
    law = SealLaw(coulomb=3.402, energised=0.654e-5)
    assert law.force(np.array(0.1), np.array(3e5)) == pytest.approx(5.44, abs=0.1)


def test_orifice_drop_of_a_published_example():
    """Mathur & Sharma, Internal Combustion Engine, Ex. 18.1: 7.5 cm, C_d 0.6, 4.1 cm water, 0.083229 kg/s."""
    truth = replace(machine(port_diameter=0.075, discharge_coefficient=0.6), ambient_temperature=288.0)
    cylinder, air = truth.cylinders[0], np.array([1.013e5])
    velocity = 0.083229 / gas_density(truth, cylinder, air)[0] / cylinder.area
    drop = port_drop(truth, cylinder, np.array([[velocity]]), air)
    assert drop[0, 0] == pytest.approx(0.041 * 1000 * 9.81, rel=1e-3)


def test_port_power_follows_the_mean_cube_of_a_sine():
    truth = machine(port_diameter=0.008)
    cylinder = truth.cylinders[0]
    ratio = cylinder.area / (0.62 * np.pi * 0.008**2 / 4)
    cube = 4 * rates(truth) ** 3 / (3 * np.pi)
    expected = gas_density(truth, cylinder, P) / 2 * ratio**2 * cylinder.area * cube
    assert port_power(truth, cylinder, F, P) == pytest.approx(expected, rel=1e-4)


def test_pneumatic_work_is_the_area_of_the_ellipse():
    """Yoke and sine pressure trace an ellipse in the p-V plane: pi times amplitudes times cos(lead)."""
    truth = machine(work_ratio=0.2, work_ratio_slope=0.01, phase=0.7)
    cylinder = truth.cylinders[0]
    area = np.pi * pressure_amplitude(truth, cylinder, F, P) * cylinder.area * 0.018 * np.cos(0.7)
    assert pneumatic_power(truth, cylinder, F, P) == pytest.approx(F * area, rel=1e-4)
    assert area / (P * cylinder.area * 0.036) == pytest.approx(0.2 + 0.01 * F, rel=1e-4)


def test_rolling_bearing_power_follows_palmgren():
    """Load-independent moment ~ speed^(2/3) (Palmgren), so 8 times the speed costs 8 * 4 times the power."""
    law = TorqueLaw(rolling=1e-3)
    assert law.power(np.array(80.0)) / law.power(np.array(10.0)) == pytest.approx(32)


def test_input_of_a_published_motor():
    """Theraja & Theraja, Electrical Technology, Ex. 31.4: 400 V; 5 A idle, 50 A loaded; field 2 A, 0.5 ohm.

    Field = standby (800 W), constant loss 1995.5 W of which 1195.5 W turn the motor, output 16852.5 W.
    """
    truth = machine()
    motor = MotorTruth(supply="controller", resistance=0.5, torque_constant=1.0, standby=800.0)
    back_emf = np.array([400 - 3 * 0.5, 400 - 48 * 0.5])
    got = electrical(replace(truth, motor=motor), back_emf / (2 * np.pi), 1195.5 + np.array([0.0, 16852.5]))
    assert got["input"] == pytest.approx([2000, 20000], rel=1e-9)
    assert got["current"] == pytest.approx([3, 48], rel=1e-9)


def test_winding_resistance_rises_as_the_standard_says():
    """IEC 60034-1: copper (235 + t)/(235 + t_ref); at the settled temperature, loss over current squared."""
    truth = machine()
    truth = replace(truth, motor=replace(truth.motor, heating=2.0))
    got = electrical(truth, np.array([5.0]), np.array([20.0]))
    warm = got["winding"] - 273.15
    assert warm[0] > 30
    assert got["copper"] / got["current"] ** 2 == pytest.approx(0.5 * (235 + warm) / 255, rel=1e-9)


def test_transmission_takes_its_share_of_what_passes_through():
    """Seal friction and gas load, and nothing of the drive before it."""
    truth = replace(machine(), transmission_efficiency=0.9)
    parts = loaded_parts(truth, "one", F, P)
    idle = loaded_parts(replace(truth, cylinders=(replace(truth.cylinders[0], work_ratio=0.0),)), "one", F, P)
    load = sum(parts[key] - idle[key] for key in ("pneumatic_W", "transmission_W"))
    assert parts["pneumatic_W"] == pytest.approx(0.9 * load)
    assert idle["transmission_W"] == pytest.approx(idle["seal_W"] * (1 / 0.9 - 1))


@pytest.mark.parametrize("seed", range(30))
def test_random_benches_balance_and_are_plausible(seed, tmp_path):
    rng = np.random.default_rng(seed)
    answer = write_bench(tmp_path, *random_bench(rng), rng)
    for run in answer.runs:
        assert sum(run[part] for part in PARTS) == pytest.approx(run["input_W"], rel=1e-12)
        assert run["input_W"] == pytest.approx(answer.true_input[run["file"]][run["row"] - 1], rel=1e-12)
        assert 0.02 < run["efficiency_ceiling"] < 0.7
    cylinder = answer.truth.cylinders[0].name
    pressure = answer.runs[0]["mean_pressure_Pa"]
    losses = answer.no_load(cylinder, [5.0, 6.0], pressure)
    total = sum(losses[key] for key in ("standby_W", "motor_W", "linkage_W", "seal_W"))
    assert losses["total_W"] == pytest.approx(total, rel=1e-12)


@pytest.mark.parametrize("seed", range(30))
def test_random_benches_load(seed, tmp_path):
    """Every file that the simulator writes is one that driveloss reads, with the numbers written."""
    from driveloss.bench import load_bench

    rng = np.random.default_rng(seed)
    truth, protocol = random_bench(rng)
    write_bench(tmp_path, truth, protocol, rng)
    bench = load_bench(tmp_path)
    assert [sweep.file for sweep in bench.sweeps] == [sweep.file for sweep in protocol.sweeps]
    assert [len(sweep) for sweep in bench.sweeps] == [len(sweep.frequencies) for sweep in protocol.sweeps]


def read_rows(path: Path, delimiter: str = ",") -> list[dict[str, str]]:
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    header = lines[0].split(delimiter)
    return [dict(zip(header, line.split(delimiter), strict=True)) for line in lines[1:]]


def test_perfect_instruments_show_the_truth(tmp_path):
    truth = machine()
    protocol = Protocol(sweeps=ladder(truth, (3.0, 5.0), standby=1), power_digits=6)
    answer = write_bench(tmp_path, truth, protocol, np.random.default_rng(0))
    for sweep in protocol.sweeps:
        shown = [float(row["power [W]"]) for row in read_rows(tmp_path / sweep.file)]
        assert shown == pytest.approx(answer.true_input[sweep.file], abs=1e-6)
    rungs = ("standby", "motor-alone", "piston-disconnected", "one-no-load-1", "one-loaded-1")
    tops = [answer.true_input[f"{rung}.csv"][-1] for rung in rungs]
    assert all(np.diff(tops) > 0)


def test_noise_has_the_size_asked_for(tmp_path):
    """4000 readings: the sample standard deviation lies within 5 % with more than 99.99 % probability."""
    truth = machine()
    sweep = PlannedSweep("motor-alone", (5.0,) * 4000, "many.csv")
    protocol = Protocol(sweeps=(sweep,), noise_floor=0.03, noise_share=0.04, power_digits=6)
    answer = write_bench(tmp_path, truth, protocol, np.random.default_rng(1))
    shown = np.array([float(row["power [W]"]) for row in read_rows(tmp_path / "many.csv")])
    expected = np.hypot(0.03, 0.04 * answer.true_input["many.csv"][0])
    assert np.std(shown - answer.true_input["many.csv"]) == pytest.approx(expected, rel=0.05)


def test_common_errors_stay_inside_their_limits(tmp_path):
    truth = machine(port_diameter=0.008)
    limits = Limits(power_gain=0.01, power_zero=0.2, resistance=0.05, port_diameter=0.02, bore=1e-4)
    gains = []
    for seed in range(50):
        rng = np.random.default_rng(seed)
        stated = perturb(truth, limits, rng)
        assert abs(stated.motor.resistance / truth.motor.resistance - 1) <= 0.05
        assert abs(stated.cylinders[0].bore - 0.030) <= 1e-4
        protocol = Protocol(sweeps=ladder(truth, (3.0,)), limits=limits)
        gains.append(write_bench(tmp_path, truth, protocol, rng, stated).errors.power_gain)
    assert 0.007 < np.max(np.abs(gains)) <= 0.01


def test_the_same_seed_gives_the_same_files(tmp_path):
    for name in ("a", "b"):
        rng = np.random.default_rng(7)
        write_bench(tmp_path / name, *random_bench(rng), rng)
    files = sorted(path.name for path in (tmp_path / "a").iterdir())
    assert files
    for file in files:
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()


def test_demo_can_be_made_again_byte_for_byte(tmp_path):
    make_demo(tmp_path / "demo", tmp_path / "truth.json")
    made = sorted(path.name for path in (tmp_path / "demo").iterdir())
    kept = {path.name for path in (ROOT / "calib_data").iterdir() if path.suffix in (".toml", ".csv", ".md")}
    assert set(made) == kept  # calibration.json and figures come from using the program there
    for name in made:
        assert (tmp_path / "demo" / name).read_bytes() == (ROOT / "calib_data" / name).read_bytes(), name
    truth = ROOT / "tests" / "simulate" / "demo_truth.json"
    assert (tmp_path / "truth.json").read_bytes() == truth.read_bytes()


def test_demo_holds_its_one_mistyped_reading():
    """The written power lies far from its neighbours in frequency, the true one between them."""
    file, row = MISTYPED
    flaw = json.loads((ROOT / "tests" / "simulate" / "demo_truth.json").read_text())["mistyped"]
    rows = read_rows(ROOT / "calib_data" / file)
    before, wrong, after = (float(one["power [W]"]) for one in rows[row - 2 : row + 1])
    assert (flaw["file"], flaw["row"], flaw["written_W"]) == (file, row, wrong)
    assert before > flaw["read_W"] > after
    assert not before > wrong > after
    assert rows[row - 1]["note"] == ""


def test_demo_loads():
    from driveloss.bench import load_bench

    bench = load_bench(ROOT / "calib_data")
    assert bench.rig.cycle == "stirling"
    assert 90 <= sum(len(sweep) for sweep in bench.sweeps) <= 120
