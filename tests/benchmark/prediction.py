"""Does a prediction hold for a cylinder that was not measured? In tests/: `python -m benchmark.prediction`.

Simulated machines with four cylinders whose seals and cycles obey the scaling rules but for a random scatter from
one to the next; one is held out, the bench of the others is calibrated, and the one held out is predicted. With
--circuit same, all four work on one gas circuit, whose work is that of a lumped circuit followed through time.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from predict.lumped import random_gas, work_and_phase
from simulate import SealLaw, Truth, random_protocol, random_truth, write_bench
from simulate.machine import loaded_parts, piston_positions, piston_velocities, pressure_amplitude

import driveloss
from driveloss.bench.records import Quantity
from driveloss.predict import CIRCUITS
from driveloss.predict.ask import predict
from driveloss.predict.wanted import wanted_cylinder

SEAL_SCATTER = 0.15  # relative standard deviations between cylinders
WORK_SCATTER = {"scaled": 0.10, "same": 0.03}  # of the cycle work ratio, by the circuit
POWERS = ("input", "drive", "seal", "pneumatic", "aftercooler_heat")
RATIOS = ("efficiency_ceiling", "cycle_work_ratio")
TORQUES = ("mean_torque", "peak_torque")
QUANTITIES = POWERS + RATIOS + TORQUES


@dataclass(frozen=True)
class Row:
    """One predicted quantity beside the truth. `group` says where it was asked."""

    group: str
    quantity: str
    truth: float
    value: float
    low: float
    high: float

    @property
    def holds(self) -> bool:
        return self.low <= self.truth <= self.high


def machine(
    rng: np.random.Generator, measured: int, seal_scatter: float, work_scatter: float, circuit: str = "scaled"
) -> Truth:
    """A random machine with one cylinder more than are measured, sized and sealed by the scaling rules and scatter."""
    truth = random_truth(rng)
    first = truth.cylinders[0]
    grown = same_circuit(rng, truth) if circuit == "same" else lambda volumes: 1.0
    cylinders = []
    for number in range(measured + 1):
        size = rng.uniform(0.75, 1.3)
        stroke = first.stroke * float(rng.choice([1.0, rng.uniform(0.8, 1.1)]))
        seal, work = (max(1 + scatter * rng.standard_normal(), 0.2) for scatter in (seal_scatter, work_scatter))
        work *= grown(size**2 * stroke / first.stroke)
        cylinders.append(
            replace(
                first,
                name=f"c{number}",
                bore=first.bore * size,
                stroke=stroke,
                seal=scaled(first.seal, size * seal),
                work_ratio=first.work_ratio * work,
                work_ratio_slope=first.work_ratio_slope * work,
                phase=-rng.uniform(0, np.radians(60)),  # pressure peaks 30 to 90 degrees before top dead centre
                port_diameter=None,
            )
        )
    return replace(truth, cylinders=tuple(cylinders), motor=replace(truth.motor, heating=0.0))


def same_circuit(rng: np.random.Generator, truth: Truth) -> Callable[[float], float]:
    """Factor on work over pressure and swept volume by how much larger a cylinder is, on one lumped gas circuit."""
    has_displacer = {"pulse-tube": False, "none": bool(rng.random() < 0.5)}.get(truth.cycle, True)
    work = 0.0
    while work < 0.05:  # less is no machine
        gas = random_gas(rng, has_displacer)
        work = work_and_phase(gas, 1.0)[0]
    return lambda volumes: work_and_phase(gas, volumes)[0] / work / volumes


def scaled(seal: SealLaw, factor: float) -> SealLaw:
    """The same kind of lip, longer or tighter."""
    forces = ("coulomb", "static", "viscous", "energised")
    return replace(seal, **{name: factor * getattr(seal, name) for name in forces})


def true_torques(truth: Truth, name: str, frequency: float, pressure: float) -> dict[str, float]:
    """Mean and peak torque at the motor shaft, by the forces in each step of a turn; no formula of driveloss."""
    cylinder, f, p = truth.cylinder(name), np.array([frequency]), np.array([pressure])
    moved = np.diff(piston_positions(cylinder.stroke, truth.rod_length))  # towards top dead centre
    step = 2 * np.pi / len(moved)
    angle = (np.arange(len(moved)) + 0.5) * step
    wave = pressure + pressure_amplitude(truth, cylinder, f, p) * np.sin(angle + cylinder.phase)
    gas = (wave - cylinder.back_pressure) * cylinder.area * moved / step
    speed = np.abs(piston_velocities(f, cylinder.stroke, truth.rod_length))[0]
    drag = cylinder.seal.force(speed, pressure - cylinder.back_pressure) * np.abs(moved) / step
    eta, turning = truth.transmission_efficiency, 2 * np.pi * frequency * truth.ratio
    linkage = truth.linkage.power(2 * np.pi * f)[0] / turning
    asked = gas + drag
    cycle = np.where(asked > 0, asked / eta, asked * eta) / truth.ratio + linkage
    mean = asked.mean() / eta / truth.ratio + linkage
    return {"mean_torque": float(mean), "peak_torque": float(cycle.max())}


def hold_out(
    index: int,
    seed: int = 1,
    draws: int = 400,
    measured: int = 3,
    seal_scatter: float = SEAL_SCATTER,
    work_scatter: float | None = None,
    circuit: str = "scaled",
) -> list[Row]:
    """Predict the cylinder held out, at two frequencies inside the sweeps and at half as much pressure again."""
    rng = np.random.default_rng([seed, index])
    work_scatter = WORK_SCATTER[circuit] if work_scatter is None else work_scatter
    truth = machine(rng, measured, seal_scatter, work_scatter, circuit)
    bench_truth, held = replace(truth, cylinders=truth.cylinders[:-1]), truth.cylinders[-1]
    protocol = replace(random_protocol(rng, bench_truth), states_motor="constants", pressure_scatter=0.0)
    with tempfile.TemporaryDirectory() as folder:
        write_bench(Path(folder) / "bench", bench_truth, protocol, rng)
        bench = driveloss.load_bench(Path(folder) / "bench")
    calibration = driveloss.calibrate(bench, draws=draws, compare=False)
    measured_runs = driveloss.breakdown(calibration, bench.sweeps)
    span = calibration.drive_range
    inside = [span.low + share * (span.high - span.low) for share in (0.4, 0.8)]
    rows: list[Row] = []
    for group, pressure in (("as measured", truth.top_pressure), ("1.5 x pressure", 1.5 * truth.top_pressure)):
        size = {"bore": held.bore, "stroke": held.stroke, "mean_pressure": pressure}
        stated = {key: Quantity(value) for key, value in size.items()}
        wanted = wanted_cylinder(measured_runs, circuit=circuit, **stated)
        for point in predict(measured_runs, wanted, inside).points:
            rows += compare(group, truth, calibration, point, pressure)
    return rows


def compare(group: str, truth: Truth, calibration, point, pressure: float) -> Iterable[Row]:
    held = truth.cylinders[-1].name
    parts = loaded_parts(truth, held, point.frequency, pressure)
    true = {name: float(parts[f"{name}_W"][0]) for name in POWERS} | {name: float(parts[name][0]) for name in RATIOS}
    true |= true_torques(truth, held, point.frequency, pressure)
    if not calibration.curves.has_motor:  # the motor's own drag then counts as if it were outside
        own = truth.motor.law.power(2 * np.pi * truth.ratio * np.array([point.frequency]))[0]
        for name in TORQUES:
            true[name] += float(own) / (2 * np.pi * truth.ratio * point.frequency)
    for name in QUANTITIES:
        estimate = point.parts[name]
        yield Row(group, name, true[name], estimate.value, estimate.low, estimate.high)


def run(benches: int, workers: int, **options) -> list[list[Row]]:
    """Rows of each bench, in order; they do not depend on the number of workers."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return pool.map(partial(hold_out, **options), range(benches), chunksize=4)


def coverage(benches: Iterable[list[Row]], group: str, quantity: str) -> float:
    """Share of intervals that hold the truth."""
    return float(np.mean([r.holds for rows in benches for r in rows if (r.group, r.quantity) == (group, quantity)]))


def table(benches: list[list[Row]]) -> str:
    lines = [f"{'':<16}{'':<20}{'cover %':>9}{'error %':>9}{'half-width %':>14}   (medians, of the truth)"]
    for group, quantity in dict.fromkeys((r.group, r.quantity) for rows in benches for r in rows):
        mine = [r for rows in benches for r in rows if (r.group, r.quantity) == (group, quantity)]
        error = np.median([abs(r.value / r.truth - 1) for r in mine])
        width = np.median([(r.high - r.low) / 2 / abs(r.truth) for r in mine])
        held = coverage(benches, group, quantity)
        lines.append(f"{group:<16}{quantity:<20}{100 * held:>9.1f}{100 * error:>9.1f}{100 * width:>14.1f}")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m benchmark.prediction", description=__doc__.splitlines()[0])
    parser.add_argument("--benches", type=int, default=200)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--draws", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--measured", type=int, default=3, help="how many cylinders are measured")
    parser.add_argument("--seal-scatter", type=float, default=SEAL_SCATTER)
    parser.add_argument("--work-scatter", type=float)
    parser.add_argument("--circuit", choices=CIRCUITS, default="scaled")
    options = vars(parser.parse_args())
    print(table(run(options.pop("benches"), options.pop("workers"), **options)))


if __name__ == "__main__":
    main()
