"""Do the answers hold on ordinary benches, whose machines have losses that bench.toml does not state?

Simulated machines of about 10 W net. Each class adds what its name says to an otherwise plain machine and leaves out
of bench.toml what its owner would not know; the same index is the same machine in every class. Prints one row a
class, saves nothing. In tests/:

    python -m benchmark.ordinary --benches 60 --workers 2 [--class brush --class slip] [--old-keys]

bias: of the net power, summed over the loaded runs; |error|: its median size. held: share of the 95 % intervals that
hold the truth, benches weighing the same; spoilt readings count too. half-width: median, over the net power. warned:
share of benches with a finding or a flag that is not about temperatures alone; where readings were spoilt, share of
those that are named. x best: median half-width over that of a fit that knows the machine's laws and its limits of
error, where everything is stated.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from pathlib import Path

import numpy as np
from simulate import (
    Answer,
    CylinderTruth,
    Effects,
    Limits,
    MotorTruth,
    Pins,
    PlannedSweep,
    Protocol,
    Slip,
    Truth,
    perturb,
    write_bench,
)
from simulate.bench_toml import NEW_KEYS
from simulate.draw import draw_law, draw_seal, nice
from simulate.machine import FloatArray, loaded_parts, loaded_turn, open_turn, ripple_factor
from simulate.recording import PlannedRecording
from simulate.rig import in_order

import driveloss
from benchmark.coverage import THREADS, Oracle, quantiles, read_table

AMBIENT = 101325.0  # [Pa]
QUANTITIES = ("pneumatic", "aftercooler_heat", "seal")
ABOUT_TEMPERATURES = {"hot-end-assumed", "cold-end-missing", "not-cooling"}  # flags that say nothing of watts
POINTS = 7  # frequencies in a sweep
NOMINAL = {"bore": 0.040, "stroke": 0.028, "frequency": 10.0}  # the machine that port sizes are quoted for
LIMITS = Limits(
    power_gain=0.005,
    power_zero=0.05,
    frequency=0.02,
    voltage_gain=0.003,
    current_gain=0.005,
    resistance=0.02,
    torque_constant=0.02,
    transmission_efficiency=0.01,
    port_diameter=0.01,
    discharge_coefficient=0.05,
    bore=5e-5,
    stroke=5e-5,
)
ALL_LIMITS = replace(LIMITS, form_factor=0.01, brush_drop=0.1, controller_efficiency=0.01, pin_friction=0.3)
MOTOR_CONSTANTS = frozenset({"motor.winding_resistance", "motor.winding_temperature", "motor.torque_constant"})
NOTHING = MOTOR_CONSTANTS | {
    *("meter.power", "meter.current", "meter.voltage", "meter.frequency", "aftercooler.seal_heat_share"),
    *("transmission.ratio", "transmission.efficiency", "crank.rod_length", "cycle.kind"),
    *("cylinders.seal", "cylinders.gas", "cylinders.back_pressure"),
    *("cylinders.open_port_diameter", "cylinders.discharge_coefficient"),
}


@dataclass(frozen=True)
class Case:
    """A bench to be: what is true, how it is read, and what its owner believes beyond the limits of error."""

    truth: Truth
    protocol: Protocol
    believes: Callable[[Truth], Truth] = lambda stated: stated


Build = Callable[[np.random.Generator, Case], Case]


# The plain machine


def plain_case(rng: np.random.Generator) -> Case:
    """A lossy machine of 30 to 60 W in and about 10 W net without any effect, all of it stated."""
    truth = plain_machine(rng)
    sweeps = planned(truth, ("motor-alone", "piston-disconnected", "no-load", "loaded"))
    protocol = Protocol(
        sweeps=sweeps,
        title="Ordinary bench",
        limits=LIMITS,
        noise_floor=0.03,
        noise_share=0.004,
        frequency_jitter=0.003,
        set_point_scatter=0.01,
        winding_column=True,
        leaves_out=NEW_KEYS,
        electric_columns=str(rng.choice(["power", "volts-amps"])),
    )
    return Case(truth, protocol)


def plain_machine(rng: np.random.Generator) -> Truth:
    """Losses in watts at the top frequency, from which the constants follow."""
    bore, stroke, top, net = draw_size(rng)
    ratio, efficiency, speed = nice(rng.uniform(1, 4), 2), nice(rng.uniform(0.93, 0.97), 2), 2 * np.pi * top
    rotation, linkage, seal, copper = rng.uniform([3, 3, 4, 1.5], [8, 7, 7, 3.5])
    air_gap = rotation + linkage + (seal + net) / efficiency
    back_emf = rng.uniform(9, 18)  # [V]
    constant = nice(back_emf / (speed * ratio))
    motor = MotorTruth(
        resistance=nice(copper / (air_gap / (constant * speed * ratio)) ** 2),
        torque_constant=constant,
        law=draw_law(rng, rotation, speed * ratio),
    )
    cylinder = CylinderTruth(
        name="one",
        bore=bore,
        stroke=stroke,
        seal=draw_seal(rng, seal / (2 * stroke * top), 2 * stroke * top, 0.0),
        port_diameter=port(8.0, bore, stroke, top),
        work_ratio=net / (top * AMBIENT * np.pi * bore**2 / 4 * stroke),
        phase=-np.pi / 2 + np.radians(rng.uniform(30, 60)),  # pressure peaks so long before top dead centre
    )
    return Truth(
        motor=motor,
        linkage=draw_law(rng, linkage, speed),
        cylinders=(cylinder,),
        ratio=ratio,
        transmission_efficiency=efficiency,
        rod_length=nice(stroke * rng.uniform(1.6, 3), 3),
        cycle="stirling",
        top_frequency=top,
        effects=Effects(full_power=air_gap + copper),
    )


def draw_size(rng: np.random.Generator) -> tuple[float, float, float, float]:
    """Bore and stroke [m], top frequency [Hz] and net power [W] of a machine at ambient mean pressure."""
    while True:
        bore, stroke, top, net = rng.uniform([0.026, 0.02, 8, 8], [0.045, 0.036, 15, 12])
        if 0.15 < net / (top * AMBIENT * np.pi * bore**2 / 4 * stroke) < 0.45:
            return nice(bore, 3), nice(stroke, 3), nice(top, 3), net


def port(millimetres: float, bore: float, stroke: float, top: float) -> float:
    """The hole [m] that takes as much of this machine as one of so many millimetres takes of the nominal machine."""
    size = (bore / NOMINAL["bore"]) ** 1.5 * (stroke / NOMINAL["stroke"] * top / NOMINAL["frequency"]) ** 0.75
    return nice(millimetres * 1e-3 * size)


def planned(truth: Truth, stages: Iterable[str]) -> tuple[PlannedSweep, ...]:
    """Two passes in the ladder, the second downwards; one pass loaded; standby before a controller."""
    once = tuple(np.round(np.linspace(0.4, 1.0, POINTS) * truth.top_frequency, 2).tolist())
    twice = in_order(once, 2, up_and_down=True)
    standby = [PlannedSweep("standby", (0.0,) * 3, "standby.csv")] if truth.motor.supply == "controller" else []
    with_piston = {"no-load": ("one", AMBIENT), "loaded": ("one", AMBIENT)}
    sweeps = [
        PlannedSweep(stage, once if stage == "loaded" else twice, f"{stage}.csv", *with_piston.get(stage, ()))
        for stage in stages
    ]
    return (*standby, *sweeps)


# What a class adds to it


def having(case: Case, **effects) -> Case:
    return replace(case, truth=replace(case.truth, effects=replace(case.truth.effects, **effects)))


def leaving_out(case: Case, *keys: str) -> Case:
    return replace(case, protocol=replace(case.protocol, leaves_out=case.protocol.leaves_out | set(keys)))


def stating(case: Case, *keys: str) -> Case:
    return replace(case, protocol=replace(case.protocol, leaves_out=case.protocol.leaves_out - set(keys)))


def with_controller(rng: np.random.Generator, case: Case) -> Case:
    """The meter before a controller with a few watts of its own."""
    motor = replace(case.truth.motor, supply="controller", standby=rng.uniform(1.5, 4))
    truth = replace(case.truth, motor=motor)
    stages = [sweep.stage for sweep in case.protocol.sweeps]
    protocol = replace(case.protocol, sweeps=planned(truth, stages), electric_columns="power")
    return replace(case, truth=truth, protocol=protocol)


def pins(rng: np.random.Generator, truth: Truth, mu: float) -> Pins:
    """Radii that suit the crank."""
    crank = truth.cylinders[0].stroke / 2
    return Pins(mu, *(nice(share * crank, 2) for share in rng.uniform([0.3, 0.2, 0.3], [0.5, 0.35, 0.5])))


def with_ripple(case: Case, form_factor: float) -> Case:
    """As much ripple in the current as gives that form factor at the highest loaded run."""
    truth = having(case, ripple=1.0).truth
    f, p = np.array([truth.top_frequency]), np.array([AMBIENT])
    parts, turn = loaded_parts(truth, "one", f, p), loaded_turn(truth, truth.cylinders[0], f, p)
    air_gap = parts["linkage_W"] + parts["transmission_W"] + parts["seal_W"] + parts["pneumatic_W"]
    air_gap = air_gap + truth.motor.law.power(2 * np.pi * truth.ratio * f)
    whole = ripple_factor(truth, air_gap, turn)[0] ** 2 - 1
    return having(case, ripple=min(1.0, float(np.sqrt((form_factor**2 - 1) / whole))))


def with_swinging_lip(case: Case, share: float) -> Case:
    """A lip that the pressure wave presses on: about that share of its drag more when loaded."""
    truth = case.truth
    cylinder, top = truth.cylinders[0], np.array([truth.top_frequency])
    drag = loaded_parts(truth, "one", top, AMBIENT)["seal_W"][0] / (2 * cylinder.stroke * truth.top_frequency)
    turn = loaded_turn(truth, cylinder, top, np.array([AMBIENT]))
    over = np.abs(turn.axial - turn.drag * np.sign(turn.velocity)) / cylinder.area  # of the gas alone
    swing = np.average(over, weights=np.abs(turn.velocity))
    seal = replace(cylinder.seal, energised=share * drag / swing)
    return having(replace(case, truth=replace(truth, cylinders=(replace(cylinder, seal=seal),))), lip_swing=True)


def with_port(case: Case, millimetres: float, coefficient: float) -> Case:
    """Another hole, through which gas is squeezed, with its true discharge coefficient; the handbook's is believed."""
    this = case.truth.cylinders[0]
    hole = port(millimetres, this.bore, this.stroke, case.truth.top_frequency)
    cylinder = replace(this, port_diameter=hole, discharge_coefficient=coefficient)
    case = having(replace(case, truth=replace(case.truth, cylinders=(cylinder,))), breathing="isothermal")

    def believes(stated: Truth) -> Truth:
        return replace(stated, cylinders=(replace(stated.cylinders[0], discharge_coefficient=0.62),))

    return replace(case, believes=believes)


def with_warm_winding(rng: np.random.Generator, case: Case) -> Case:
    """It settles 10 to 30 K above the room at full load, and nobody reads it."""
    lost = case.truth.effects.full_power / 5
    motor = replace(case.truth.motor, heating=rng.uniform(10, 30) / lost)
    return replace(case, truth=replace(case.truth, motor=motor))


def plain(rng: np.random.Generator, case: Case) -> Case:
    """Nothing added, and all of that stated: the control."""
    return stating(case, *NEW_KEYS)


def home(rng: np.random.Generator, case: Case) -> Case:
    """Eight mild effects together; three sweeps."""
    if rng.random() < 0.5:
        case = having(with_controller(rng, case), controller_efficiency=rng.uniform(0.94, 0.98), light_load_drop=0.02)
    else:
        case = having(case, wall_friction=rng.uniform(0.03, 0.08))
    case = with_port(case, 6.0, rng.uniform(0.65, 0.75))
    case = with_swinging_lip(with_warm_winding(rng, case), rng.uniform(0.03, 0.1))
    case = having(
        case,
        brush_drop=rng.uniform(0.3, 0.7),
        pins=pins(rng, case.truth, rng.uniform(0.01, 0.03)),
        warm_seal=rng.uniform(0.9, 1.0),
    )
    case = with_ripple(case, rng.uniform(1.02, 1.06))
    stages = ("piston-disconnected", "no-load", "loaded")
    protocol = replace(case.protocol, sweeps=planned(case.truth, stages), winding_column=False, meter_curve=0.5)
    return leaving_out(replace(case, protocol=protocol), "cylinders.discharge_coefficient")


def home_without_efficiency(rng: np.random.Generator, case: Case) -> Case:
    return leaving_out(home(rng, case), "transmission.efficiency")


def home_without_motor(rng: np.random.Generator, case: Case) -> Case:
    return leaving_out(home_without_efficiency(rng, case), *MOTOR_CONSTANTS)


def home_braked(rng: np.random.Generator, case: Case) -> Case:
    """The typical home bench without any motor constants, but driven against a brake at three speeds."""
    case = home_without_motor(rng, case)
    truth, protocol = case.truth, case.protocol
    speeds = np.repeat(np.round(np.array([0.45, 0.7, 0.95]) * truth.top_frequency, 2), 5)
    parts = loaded_parts(truth, "one", np.array([truth.top_frequency]), AMBIENT)
    most = float(parts["pneumatic_W"][0] + parts["seal_W"][0]) * 1.15 / (2 * np.pi * truth.top_frequency)
    torques = tuple(np.tile(np.array([0.2, 0.4, 0.6, 0.8, 1.0]) * most, 3).round(4).tolist())
    braked = PlannedSweep("braked", tuple(speeds.tolist()), "braked.csv", torques=torques)
    limits = replace(protocol.limits, torque_gain=0.01)
    return replace(case, protocol=replace(protocol, sweeps=(*protocol.sweeps, braked), limits=limits))


def home_blanked(rng: np.random.Generator, case: Case) -> Case:
    """The typical home bench, its cylinder closed off after the sweep without load: its volume known, its gas not."""
    case = having(
        home(rng, case),
        closed_volume=nice(rng.uniform(1.2, 2.0), 2),
        wall_exchange=rng.uniform(0.7, 1.6),
        closed_leak=rng.uniform(0.0, 0.3),
        blanked_seal=rng.uniform(0.97, 1.01),
    )
    no_load, loaded = case.protocol.sweeps[-2:]
    blanked = replace(no_load, stage="blanked", file="blanked.csv")
    sweeps = (*case.protocol.sweeps[:-1], blanked, loaded)
    limits = replace(case.protocol.limits, closed_volume=0.05)
    return replace(case, protocol=replace(case.protocol, sweeps=sweeps, limits=limits))


def witnessed(rng: np.random.Generator, case: Case) -> Case:
    """The same braked, and the pressure recorded through the cycle at three speeds."""
    case = home_braked(rng, case)
    speeds = next(sweep for sweep in case.protocol.sweeps if sweep.stage == "loaded").frequencies
    recordings = tuple(
        PlannedRecording("one", speed, AMBIENT, f"recording-{number}.csv")
        for number, speed in enumerate(speeds[::3], 1)
    )
    return replace(case, protocol=replace(case.protocol, recordings=recordings))


def nothing_stated(rng: np.random.Generator, case: Case) -> Case:
    """Three sweeps of a bench supply's power, a bore and a stroke."""
    case = home(rng, case)
    motor = replace(case.truth.motor, supply="terminals", standby=0.0)
    truth = replace(case.truth, motor=motor)
    stages = ("piston-disconnected", "no-load", "loaded")
    limits = replace(LIMITS, bore=0.0, stroke=0.0)
    protocol = replace(case.protocol, sweeps=planned(truth, stages), electric_columns="power", limits=limits)
    case = having(replace(case, truth=truth, protocol=protocol), controller_efficiency=1.0, light_load_drop=0.0)
    return leaving_out(case, *NOTHING)


LAB = ("crank.bearings", "motor.brush_drop")


def lab(rng: np.random.Generator, case: Case) -> Case:
    """Rolling pins, no brushes; the controller's efficiency from its data sheet; no-load again at the end."""
    case = having(case, pins=pins(rng, case.truth, rng.uniform(0.002, 0.005)))
    keys = list(LAB)
    if rng.random() < 0.5:
        case = having(with_controller(rng, case), controller_efficiency=rng.uniform(0.94, 0.98))
        keys.append("motor.controller_efficiency")
    limits = replace(case.protocol.limits, controller_efficiency=0.01)
    after = replace(case.protocol.sweeps[-2], file="no-load-after.csv")
    protocol = replace(case.protocol, limits=limits, sweeps=(*case.protocol.sweeps, after))
    return stating(replace(case, protocol=protocol), *keys)


def sleeve(mu: float, rng: np.random.Generator, case: Case) -> Case:
    case = stating(case, "motor.brush_drop")
    return having(case, pins=pins(rng, case.truth, mu))


def brush(rng: np.random.Generator, case: Case) -> Case:
    return having(stating(case, "crank.bearings"), brush_drop=1.0)


def converter(rng: np.random.Generator, case: Case) -> Case:
    return having(with_controller(rng, stating(case, *LAB)), controller_efficiency=0.93)


def ripple(rng: np.random.Generator, case: Case) -> Case:
    return with_ripple(stating(case, *LAB), 1.10)


def warm_seal(rng: np.random.Generator, case: Case) -> Case:
    return having(stating(case, *LAB), warm_seal=rng.uniform(0.75, 0.9))


def discharge(rng: np.random.Generator, case: Case) -> Case:
    return leaving_out(with_port(stating(case, *LAB), 5.0, 0.8), "cylinders.discharge_coefficient")


def small_port(rng: np.random.Generator, case: Case) -> Case:
    return with_port(stating(case, *LAB), 3.0, 0.62)


def slips(case: Case, *spoilt: Slip) -> Case:
    """Spoilt readings of a bench that states all else."""
    case = stating(case, *NEW_KEYS)
    return replace(case, protocol=replace(case.protocol, slips=spoilt))


def one_slip(rng: np.random.Generator, case: Case) -> Case:
    row = int(rng.integers(1, POINTS + 1))
    return slips(case, Slip("loaded.csv", row, 1 + float(rng.choice([-1, 1])) * rng.uniform(0.1, 0.2)))


def two_slips(rng: np.random.Generator, case: Case) -> Case:
    rows = rng.choice(np.arange(1, POINTS + 1), 2, replace=False)
    factors = 1 + rng.choice([-1, 1], 2) * rng.uniform(0.2, 0.35, 2)
    return slips(case, *(Slip("loaded.csv", int(row), float(by)) for row, by in zip(rows, factors, strict=True)))


def sweep_off(rng: np.random.Generator, case: Case) -> Case:
    """Swept without load before and after the runs, and one of the two sweeps is a tenth off."""
    after = replace(case.protocol.sweeps[-2], file="no-load-after.csv")
    case = replace(case, protocol=replace(case.protocol, sweeps=(*case.protocol.sweeps, after)))
    return slips(case, Slip("no-load.csv", None, float(rng.choice([0.9, 1.1]))))


def all_stated(rng: np.random.Generator, case: Case) -> Case:
    """Brushes, a form factor and rolling pins, each stated with its limits, and the winding's temperature read."""
    case = having(case, brush_drop=rng.uniform(0.4, 1.0), pins=pins(rng, case.truth, 0.003))
    motor = replace(with_warm_winding(rng, case).truth.motor, form_factor=1.03)
    truth = replace(case.truth, motor=motor)
    protocol = replace(case.protocol, limits=ALL_LIMITS, amplitude_column=True, motor_speed_column=True)
    return stating(replace(case, truth=truth, protocol=protocol), *NEW_KEYS)


CLASSES: dict[str, Build] = {
    "plain": plain,
    "home": home,
    "home, no efficiency": home_without_efficiency,
    "home, no motor": home_without_motor,
    "home, blanked": home_blanked,
    "home, braked": home_braked,
    "home, witnessed": witnessed,
    "nothing stated": nothing_stated,
    "lab": lab,
    "sleeve 0.05": partial(sleeve, 0.05),
    "sleeve 0.10": partial(sleeve, 0.10),
    "brush": brush,
    "converter": converter,
    "ripple": ripple,
    "warm seal": warm_seal,
    "discharge": discharge,
    "small port": small_port,
    "slip": one_slip,
    "two slips": two_slips,
    "sweep off": sweep_off,
    "all stated": all_stated,
}
KNOWABLE = ("plain", "all stated")  # benches of which someone may know everything


# What can be known where everything is stated


class Knowing(Oracle):
    """An oracle that also knows of brushes, of the form factor's limits and of pins, at the terminals."""

    def _evenly(self, limit: float) -> FloatArray:
        return limit * np.concatenate([[0.0], self.rng.uniform(-1, 1, self.size - 1)])

    @cached_property
    def _form(self) -> FloatArray:
        return self.answer.stated.motor.form_factor + self._evenly(self.answer.protocol.limits.form_factor)

    @cached_property
    def _brush(self) -> FloatArray:
        return self.answer.stated.effects.brush_drop + self._evenly(self.answer.protocol.limits.brush_drop)

    def _back_emf(self, frequency: FloatArray) -> FloatArray:
        return super()._back_emf(frequency) + self._brush

    def _copper(self, amps: FloatArray, winding: FloatArray) -> FloatArray:
        return super()._copper(amps, winding) + self._brush * amps

    def net(self) -> FloatArray:
        """Net power of the loaded readings [W], (n, 1 + draws)."""
        stated, f, p = self.answer.stated, self.loaded.frequency, self.loaded.pressure
        cylinder, mu = stated.cylinders[0], 1 + self._evenly(self.answer.protocol.limits.pin_friction)
        grown = loaded_turn(stated, cylinder, f, p).bearing - open_turn(stated, cylinder, f, p).bearing
        return self.breakdown()["pneumatic"] - grown[:, None] * mu


# One bench


@dataclass(frozen=True, slots=True)
class Row:
    """One interval beside the truth. [W]"""

    quantity: str
    truth: float
    value: float
    low: float
    high: float

    @property
    def holds(self) -> bool:
        return self.low <= self.truth <= self.high


@dataclass(frozen=True, slots=True)
class Outcome:
    """One bench's rows, the share of what should be warned of that is, or why it was refused."""

    rows: tuple[Row, ...] = ()
    warned: float = 0.0
    ratio: float = np.nan  # half-width over the oracle's
    refused: str = ""

    def of(self, quantity: str) -> list[Row]:
        return [row for row in self.rows if row.quantity == quantity]


def run_bench(job: tuple[str, int], seed: int, draws: int, old_keys: bool) -> Outcome:
    """Simulate, calibrate, break down, and lay every answer beside the truth."""
    name, index = job
    rng = np.random.default_rng([seed, index, *name.encode()])
    case = CLASSES[name](rng, plain_case(np.random.default_rng([seed, index])))
    if old_keys:
        case = leaving_out(case, *NEW_KEYS)
    stated = case.believes(perturb(case.truth, case.protocol.limits, rng))
    with tempfile.TemporaryDirectory() as folder:
        answer = write_bench(Path(folder) / "bench", case.truth, case.protocol, rng, stated)
        try:
            bench = driveloss.load_bench(Path(folder) / "bench")
            calibration = driveloss.calibrate(bench, draws=draws, compare=False)
            runs = driveloss.breakdown(calibration, bench.sweeps, bench.recordings).runs
        except (driveloss.InputError, np.linalg.LinAlgError) as error:
            return Outcome(refused=f"{type(error).__name__}: {error}")
    rows = tuple(row for run in runs for row in compared(answer, run))
    ratio = np.nan
    if name in KNOWABLE:
        ratio = over_the_best(Knowing(answer, read_table(bench), draws, rng), rows)
    return Outcome(rows, warned(case.protocol, calibration.findings, runs), ratio)


def compared(answer: Answer, run) -> Iterable[Row]:
    true = answer.run(run.file, run.row)
    for name in QUANTITIES:
        estimate = getattr(run, name)
        yield Row(name, *map(float, (true[f"{name}_W"], estimate.value, estimate.low, estimate.high)))


def warned(protocol: Protocol, findings: Sequence, runs: Sequence) -> float:
    """Share of the spoilt readings that are named; where none is spoilt, whether anything is said of the watts."""
    said = [run for run in runs if set(run.flags) - ABOUT_TEMPERATURES]
    if not protocol.slips:
        return float(bool(findings) or bool(said))
    places = {(f.file, f.line) for f in findings} | {(run.file, run.line) for run in said}
    files = {file for file, _ in places}
    named = [s.file in files if s.row is None else (s.file, s.row + 1) in places for s in protocol.slips]
    return float(np.mean(named))


def over_the_best(oracle: Knowing, rows: Iterable[Row]) -> float:
    widths = np.array([row.high - row.low for row in rows if row.quantity == "pneumatic"])
    best = quantiles(oracle.net())
    return float(np.median(widths / (best[:, 2] - best[:, 1])))


def run_classes(
    names: Sequence[str], benches: int, workers: int, seed: int = 1, draws: int = 400, old_keys: bool = False
) -> dict[str, list[Outcome]]:
    """Outcomes of each class; they do not depend on the number of workers."""
    for name in THREADS:  # one thread a process: inherited by the workers
        os.environ.setdefault(name, "1")
    jobs = [(name, index) for name in names for index in range(benches)]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        found = pool.map(partial(run_bench, seed=seed, draws=draws, old_keys=old_keys), jobs, chunksize=2)
    return {name: found[i * benches : (i + 1) * benches] for i, name in enumerate(names)}


# Table


@dataclass(frozen=True)
class Score:
    """How a class fares, in percent; benches weigh the same."""

    benches: int
    bias: float
    error: float
    held: dict[str, float]
    width: float  # half
    warned: float
    ratio: float


def score(outcomes: Iterable[Outcome]) -> Score | None:
    """None where every bench was refused."""
    counted = [o for o in outcomes if not o.refused]
    if not counted:
        return None
    nets = [o.of("pneumatic") for o in counted]
    return Score(
        benches=len(counted),
        bias=100 * float(np.mean([sum(r.value for r in rows) / sum(r.truth for r in rows) - 1 for rows in nets])),
        error=100 * float(np.median([np.median([abs(r.value / r.truth - 1) for r in rows]) for rows in nets])),
        held={q: 100 * float(np.mean([np.mean([r.holds for r in o.of(q)]) for o in counted])) for q in QUANTITIES},
        width=100 * float(np.median([np.median([(r.high - r.low) / 2 / r.truth for r in rows]) for rows in nets])),
        warned=100 * float(np.mean([o.warned for o in counted])),
        ratio=float(np.median([o.ratio for o in counted])),
    )


def table(found: dict[str, list[Outcome]]) -> str:
    head = (
        "benches",
        "bias %",
        "|error| %",
        "net held %",
        "heat held",
        "seal held",
        "half-width",
        "warned %",
        "x best",
    )
    lines = [f"{'':<22}" + "".join(f"{word:>11}" for word in head)]
    for name, outcomes in found.items():
        s = score(outcomes)
        if s is None:
            lines.append(f"{name:<22}    refused: {outcomes[0].refused}")
            continue
        held = "".join(f"{s.held[q]:>11.1f}" for q in QUANTITIES)
        ratio = f"{s.ratio:>11.2f}" if np.isfinite(s.ratio) else ""
        lines.append(
            f"{name:<22}{s.benches:>11}{s.bias:>+11.1f}{s.error:>11.1f}{held}{s.width:>11.1f}{s.warned:>11.1f}{ratio}"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m benchmark.ordinary", description=__doc__.splitlines()[0])
    parser.add_argument("--benches", type=int, default=60, help="of each class")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--draws", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--class", dest="names", action="append", choices=CLASSES, help="only this one; may be repeated"
    )
    parser.add_argument("--old-keys", action="store_true", help="state nothing of brushes, controller and bearings")
    options = vars(parser.parse_args())
    print(table(run_classes(options.pop("names") or list(CLASSES), **options)))


if __name__ == "__main__":
    main()
