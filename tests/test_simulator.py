"""Is the simulated bench itself true? Checked against closed forms and published worked examples."""

import json
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest
from simulate import (
    CylinderTruth,
    Effects,
    Limits,
    MotorTruth,
    Pins,
    PlannedSweep,
    Protocol,
    SealLaw,
    Slip,
    TorqueLaw,
    Truth,
    ladder,
    perturb,
    random_bench,
    write_bench,
)
from simulate.bearings import side_force
from simulate.bench_toml import NEW_KEYS
from simulate.breathing import Chamber, breathing_pressure, orifice_flow
from simulate.machine import (
    electrical,
    gas_density,
    loaded_parts,
    loaded_turn,
    open_pressure,
    open_turn,
    piston_velocities,
    pneumatic_power,
    port_drop,
    port_power,
    pressure_amplitude,
    ripple_factor,
    seal_power,
)
from simulate.make_demo import MISTYPED, make_demo
from simulate.turn import STEPS, middles, piston_accelerations, piston_position, rod_angles, rod_swing

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


# What ordinary benches have beyond that

EVERYTHING = Effects(
    brush_drop=0.8,
    controller_efficiency=0.95,
    light_load_drop=0.03,
    ripple=0.3,
    pins=Pins(mu=0.03, crank_pin=0.005, wrist_pin=0.004, main=0.006),
    wall_friction=0.05,
    moving_mass=0.15,
    lip_swing=True,
    warm_seal=0.9,
    breathing="adiabatic",
)


def with_effects(truth, **effects) -> Truth:
    return replace(truth, effects=replace(truth.effects, **effects))


@pytest.mark.parametrize(
    ("crank", "rod", "rpm", "degrees", "published", "exact"),
    [(0.3, 1.5, 180, 40, 85.36, 85.5989), (0.15, 0.6, 450, 60, 124.91, 124.949)],
)
def test_piston_acceleration_of_a_slider_crank(crank, rod, rpm, degrees, published, exact):
    """Khurmi & Gupta, Theory of Machines, Ex. 15.4 and 15.5; the book's formula is approximate, hence `exact`."""
    edge = round((180 - degrees) / 360 * STEPS)
    at_angle = -piston_accelerations([rpm / 60], 2 * crank, rod)[0][edge - 1 : edge + 1].mean()
    assert at_angle == pytest.approx(exact, rel=1e-4)
    assert at_angle == pytest.approx(published, rel=3e-3)


def test_side_force_of_a_published_engine():
    """Khurmi & Gupta, Theory of Machines, Ex. 15.11: 2255.6 N on the piston (its weight counted), 185.4 N on the wall.

    20 degrees after top dead centre; the book's formula for the acceleration is approximate and it rounds the angle.
    """
    bore, stroke, rod, mass = 0.1, 0.12, 0.25, 1.1
    after = round(200 / 360 * STEPS)
    acceleration = piston_accelerations([2000 / 60], stroke, rod)[0][after - 1 : after + 1].mean()
    push = 700e3 * np.pi * bore**2 / 4 + mass * (acceleration + 9.81)
    assert push == pytest.approx(2255.6, rel=3e-3)
    pressed = side_force(np.full(STEPS, 2255.6), stroke, rod)[after - 1 : after + 1].mean()
    assert pressed == pytest.approx(185.4, rel=3e-3)


def test_rod_swings_as_fast_as_it_leans():
    leaning = rod_angles(0.036, 0.06)
    swing = (np.roll(leaning, -1) - np.roll(leaning, 1)) * STEPS / (4 * np.pi)
    assert rod_swing(0.036, 0.06) == pytest.approx(swing, abs=1e-4)


@pytest.mark.parametrize("degrees", [30, 45, 60])
def test_journal_friction_over_gas_work(degrees):
    """Sine motion, work pi p V sin(phi): friction is (4/pi) mu (r_pin/r_crank)/sin(phi) of it (closed form)."""
    truth = machine(SealLaw(), phase=np.radians(degrees - 90))
    truth = with_effects(truth, pins=Pins(mu=0.05, crank_pin=0.0, wrist_pin=0.0, main=0.006))
    cylinder = truth.cylinders[0]
    expected = 4 / np.pi * 0.05 * 0.006 / 0.018 / np.sin(np.radians(degrees))
    p = np.full(2, cylinder.back_pressure)
    lost = loaded_turn(truth, cylinder, F, p).bearing
    assert lost / pneumatic_power(truth, cylinder, F, p) == pytest.approx(expected, rel=1e-3)


def test_pins_against_quadrature():
    """SciPy's quadrature of force times rubbing speed, the speeds by differences of the rod's angle."""
    from scipy.integrate import quad

    rod, crank, step = 0.06, 0.018, 1e-5
    truth = with_effects(machine(SealLaw(), rod, phase=-0.8), pins=Pins(0.03, 0.005, 0.004, 0.006))
    cylinder, p = truth.cylinders[0], np.full(2, 101325.0)
    amplitude = pressure_amplitude(truth, cylinder, F, p)[0]

    def lean(angle):
        return np.arctan2(crank * np.sin(angle), np.sqrt(rod**2 - crank**2 * np.sin(angle) ** 2))

    def torque(angle):
        swing = (lean(angle + step) - lean(angle - step)) / (2 * step)
        force = abs(amplitude * np.sin(angle - 0.8)) * np.pi * 0.015**2 / np.cos(lean(angle))
        return 0.03 * force * (0.006 + 0.005 * abs(1 - swing) + 0.004 * abs(swing))

    expected = F[0] * quad(torque, 0, 2 * np.pi, points=[0.8, np.pi + 0.8], limit=200)[0]
    assert loaded_turn(truth, cylinder, F, p).bearing[0] == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize(("degrees", "percent"), [(10, 6.4), (30, 2.7), (90, 2.2)])
def test_wall_friction_of_an_unguided_piston(degrees, percent):
    """Share of the gas work with r/l = 0.25, mu = 0.1, reckoned apart, to its two digits.

    The simulated wall friction presses the rod in turn, hence the tolerance.
    """
    truth = with_effects(machine(SealLaw(), 0.072, phase=np.radians(degrees - 90)), wall_friction=0.1)
    cylinder, p = truth.cylinders[0], np.full(2, 101325.0)
    share = loaded_turn(truth, cylinder, F, p).bearing / pneumatic_power(truth, cylinder, F, p)
    assert 100 * share == pytest.approx(percent, rel=0.04)


@pytest.mark.parametrize(("phase", "mean"), [(0.0, 1 / 2), (np.pi / 2 - 1e-6, 1 / np.pi)])
def test_swinging_lip_follows_pressure_and_speed(phase, mean):
    """Mean of |sin| |sin| is 1/2, of |cos| |sin| 1/pi; at equal mean pressures a lip without swing drags not at all."""
    truth = machine(SealLaw(energised=5e-5), phase=phase, work_ratio=1e-7)
    cylinder, p = truth.cylinders[0], np.full(2, 101325.0)
    amplitude = pressure_amplitude(truth, cylinder, F, p)
    assert loaded_turn(truth, cylinder, F, p).seal == pytest.approx(0)
    swinging = loaded_turn(with_effects(truth, lip_swing=True), cylinder, F, p).seal
    assert swinging == pytest.approx(5e-5 * amplitude * rates(truth) * mean, rel=1e-3)


def test_warm_seal_drags_less_in_loaded_runs_alone():
    truth = machine(SealLaw(coulomb=5.0))
    warm, cylinder = with_effects(truth, warm_seal=0.8), truth.cylinders[0]
    assert loaded_parts(warm, "one", F, P)["seal_W"] == pytest.approx(0.8 * seal_power(truth, cylinder, F, P))
    assert open_turn(warm, cylinder, F, P).seal == pytest.approx(seal_power(truth, cylinder, F, P))


def test_form_factor_of_a_sinusoidal_ripple():
    """I_rms^2/I_mean^2 = 1 + m^2/2: gas in phase with the velocity takes P (1 - cos 2 theta), m = P/whole."""
    truth = with_effects(machine(SealLaw(), phase=0.0), ripple=0.6)
    cylinder, p = truth.cylinders[0], np.full(2, 101325.0)
    gas = pneumatic_power(truth, cylinder, F, p)
    factor = ripple_factor(truth, 1.5 * gas, loaded_turn(truth, cylinder, F, p))
    assert factor**2 == pytest.approx(1 + (0.6 / 1.5) ** 2 / 2, rel=1e-5)


def test_unloaded_current_ripples_less():
    truth = with_effects(machine(SealLaw(coulomb=5.0), 0.06, phase=-0.8), ripple=0.3)
    cylinder, p = truth.cylinders[0], np.full(2, 101325.0)
    loaded = ripple_factor(truth, np.full(2, 30.0), loaded_turn(truth, cylinder, F, p))
    unloaded = ripple_factor(truth, np.full(2, 20.0), open_turn(truth, cylinder, F, p))
    assert np.all((unloaded > 1) & (loaded > unloaded))


def test_brushes_and_controller_balance():
    """At the terminals V = U_b + R I + K_t omega; a controller takes its share of what passes beyond standby."""
    plain = with_effects(machine(), brush_drop=0.9)
    got, speed = electrical(plain, F, np.array([12.0, 20.0])), 2 * np.pi * F
    assert got["input"] / got["current"] == pytest.approx(0.9 + 0.5 * got["current"] + 0.06 * speed)
    before = electrical(with_effects(plain, controller_efficiency=0.93), F, np.array([12.0, 20.0]))
    assert before["input"] == pytest.approx(got["input"] / 0.93)
    light = with_effects(plain, controller_efficiency=0.93, light_load_drop=0.05, full_power=2 * got["input"][0])
    assert electrical(light, F, np.array([12.0, 20.0]))["input"][0] == pytest.approx(got["input"][0] / 0.905)


@pytest.mark.parametrize("downstream", [99e3, 90e3, 70e3, 55e3])
def test_orifice_flow_against_the_energy_equation(downstream):
    """Isentropic expansion by `fluids`: speed from the fall of enthalpy, density at the throat."""
    import fluids

    upstream, temperature, kappa, gas_constant = 1e5, 293.15, 1.4, 287.05
    throat = max(downstream, fluids.P_critical_flow(upstream, kappa))
    cold = fluids.isentropic_T_rise_compression(temperature, upstream, throat, kappa)
    heat_capacity = kappa * gas_constant / (kappa - 1)
    expected = throat / (gas_constant * cold) * np.sqrt(2 * heat_capacity * (temperature - cold))
    got = orifice_flow(np.array(upstream), np.array(downstream), np.array(temperature), gas_constant, kappa)
    assert got == pytest.approx(expected, rel=1e-6)


def test_choked_flow_of_air():
    """Choked air passes 0.0404 p / sqrt(T) through each square metre (gas dynamics texts, from memory)."""
    got = orifice_flow(np.array(2e5), np.array(5e4), np.array(300.0), 287.05, 1.4)
    assert got == pytest.approx(0.0404 * 2e5 / np.sqrt(300), rel=1e-3)


def chamber(hole: float, is_isothermal: bool) -> Chamber:
    return Chamber(
        area=np.pi * 0.015**2,
        stroke=0.036,
        rod_length=0.095,
        hole=hole,
        dead_volume=2e-5,
        gas_constant=287.05,
        kappa=1.4,
        temperature=293.15,
        is_isothermal=is_isothermal,
    )


@pytest.mark.parametrize(("is_isothermal", "exponent"), [(True, 1.0), (False, 1.4)])
def test_gas_behind_a_shut_port_follows_boyle_or_poisson(is_isothermal, exponent):
    """p V^n stays: n = 1 or the ratio of heat capacities."""
    shut = chamber(1e-14, is_isothermal)
    wave = breathing_pressure(shut, F, np.full(2, 1e5))
    volumes = np.array([shut.volume(angle) for angle in middles()])
    assert wave[0] == pytest.approx(1e5 * (shut.volume(0.0) / volumes) ** exponent, rel=1e-4)


def test_breathing_cylinder_against_another_integration():
    """SciPy's Radau on the gas's mass alone, without turning it into a pressure's rate: p = m R T / V."""
    from scipy.integrate import solve_ivp

    here, omega = chamber(0.62 * np.pi * 0.0015**2, True), 2 * np.pi * 7.0

    def pressure(angle, mass):
        rise = piston_position(np.asarray(angle), 0.036, 0.095) - (0.095 - 0.018)
        return mass * 287.05 * 293.15 / (2e-5 + here.area * (0.036 - rise))

    def leaves(angle, mass):
        inside = pressure(angle, mass)
        high, low = np.maximum(inside, 1e5), np.minimum(inside, 1e5)
        return -np.sign(inside - 1e5) * here.hole * orifice_flow(high, low, np.array(293.15), 287.05, 1.4) / omega

    start = 1e5 * here.volume(0.0) / (287.05 * 293.15)
    ends = np.append(10 * np.pi + middles(), 12 * np.pi)
    path = solve_ivp(leaves, (0, 12 * np.pi), [start], method="Radau", t_eval=ends, rtol=1e-7, atol=1e-13)
    expected = pressure(middles(), path.y[0, :-1])
    got = breathing_pressure(here, np.array([7.0]), np.array([1e5]))[0]
    assert np.ptp(expected) > 1e4
    assert got == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize("breathing", ["isothermal", "adiabatic"])
def test_wide_port_costs_as_much_as_the_incompressible_law_says(breathing):
    """While the drop is below one per cent of ambient."""
    truth = machine(port_diameter=0.007)
    cylinder, p = truth.cylinders[0], np.full(2, 101325.0)
    velocity = piston_velocities(F, cylinder.stroke, None)
    assert port_drop(truth, cylinder, velocity, p).max() < 0.01 * 101325
    got = port_power(with_effects(truth, breathing=breathing), cylinder, F, p)
    assert got == pytest.approx(port_power(truth, cylinder, F, p), rel=0.02)


def test_narrow_port_costs_less_than_the_incompressible_law_says():
    """The gas is squeezed instead: the cylinder is a spring."""
    truth = machine(port_diameter=0.002)
    cylinder, p = truth.cylinders[0], np.full(2, 101325.0)
    squeezed = with_effects(truth, breathing="isothermal")
    share = port_power(squeezed, cylinder, F, p) / port_power(truth, cylinder, F, p)
    assert share[1] < share[0] < 1
    assert np.all(open_pressure(squeezed, cylinder, F, p) > 0)


def test_parts_of_an_ordinary_machine_add_up(tmp_path):
    """With every effect at once, and the readings show that input."""
    truth = replace(
        machine(SealLaw(coulomb=5.0, energised=5e-5), 0.06, phase=-0.8, port_diameter=0.006),
        transmission_efficiency=0.95,
        effects=EVERYTHING,
    )
    truth = replace(truth, motor=replace(truth.motor, supply="controller", standby=2.0, heating=1.0))
    protocol = Protocol(sweeps=ladder(truth, (3.0, 5.0), standby=1), power_digits=6)
    answer = write_bench(tmp_path, truth, protocol, np.random.default_rng(0), stated=truth)
    for run in answer.runs:
        assert sum(run[part] for part in PARTS) == pytest.approx(run["input_W"], rel=1e-12)
        assert run["input_W"] == pytest.approx(answer.true_input[run["file"]][run["row"] - 1], rel=1e-12)
        assert run["linkage_W"] > truth.linkage.power(2 * np.pi * np.array(run["frequency_Hz"]))


def test_slips_spoil_what_they_name(tmp_path):
    truth = machine()
    spoilt = (Slip("one-loaded-1.csv", 2, 1.15), Slip("one-no-load-1.csv", None, 0.9))
    protocol = Protocol(sweeps=ladder(truth, (3.0, 5.0)), power_digits=6, slips=spoilt)
    answer = write_bench(tmp_path, truth, protocol, np.random.default_rng(0))
    expected = {"one-loaded-1.csv": [1, 1.15], "one-no-load-1.csv": [0.9, 0.9], "piston-disconnected.csv": [1, 1]}
    for file, factors in expected.items():
        shown = np.array([float(row["power [W]"]) for row in read_rows(tmp_path / file)])
        assert shown / answer.true_input[file] == pytest.approx(factors, abs=1e-6)


def test_a_crooked_meter_stays_inside_its_limit(tmp_path):
    """And its error is no common factor: it does not cancel in differences."""
    truth, spreads = machine(), []
    sweep = PlannedSweep("motor-alone", tuple(np.linspace(2, 10, 30)), "many.csv")
    limits = Limits(power_gain=0.01)
    protocol = Protocol(sweeps=(sweep,), power_digits=6, limits=limits, meter_curve=0.7)
    for seed in range(20):
        answer = write_bench(tmp_path, truth, protocol, np.random.default_rng(seed), stated=truth)
        shown = np.array([float(row["power [W]"]) for row in read_rows(tmp_path / "many.csv")])
        off = shown / answer.true_input["many.csv"] - 1
        assert np.abs(off).max() <= 0.01 + 1e-6
        spreads.append(np.ptp(off))
    assert min(spreads) > 1e-3


def test_bench_toml_leaves_out_what_its_owner_does_not_know(tmp_path):
    from driveloss.bench.load import load_bench

    truth = replace(machine(port_diameter=0.008), effects=EVERYTHING)
    unknown = NEW_KEYS | {"transmission.efficiency", "motor.torque_constant", "motor.winding_resistance"}
    for leaves_out in (frozenset(), NEW_KEYS, unknown):
        protocol = Protocol(sweeps=ladder(truth, (3.0, 4.0, 5.0)), leaves_out=leaves_out)
        write_bench(tmp_path, truth, protocol, np.random.default_rng(0))
        text = (tmp_path / "bench.toml").read_text()
        # no controller here, and pins by their coefficient and radii
        for place in unknown - {"motor.controller_efficiency", "crank.load_friction"}:
            assert (f"\n{place.partition('.')[2]} =" in text) == (place not in leaves_out)
    assert load_bench(tmp_path).rig.motor.torque_constant is None


def test_demo_has_none_of_this():
    """Its true answers do not list the effects that it has not."""
    machine_of_demo = json.loads((ROOT / "tests" / "simulate" / "demo_truth.json").read_text())["machine"]
    assert set(asdict(machine())) - set(machine_of_demo) == {"effects"}


# Whole benches


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
    from driveloss.bench.load import load_bench

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
    from driveloss.bench.load import load_bench

    bench = load_bench(ROOT / "calib_data")
    assert bench.rig.cycle == "stirling"
    assert 90 <= sum(len(sweep) for sweep in bench.sweeps) <= 130
