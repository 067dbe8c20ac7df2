"""A quiet simulated bench with two cylinders, calibrated and broken down."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from simulate import Answer as Truths
from simulate import CylinderTruth, MotorTruth, Protocol, SealLaw, TorqueLaw, Truth, ladder, write_bench

from driveloss.bench.load import load_bench
from driveloss.breakdown.ask import Breakdown, breakdown
from driveloss.fit.calibrate import calibrate

FREQUENCIES = (5.0, 7.0, 9.0, 11.0, 13.0)  # [Hz]
PRESSURES = (1.2e5, 2.4e5)  # [Pa]
LIP = 60.0  # [N/m]
PRESSURE_DRAG = 1e-4  # [N/(m Pa)]
BORES = {"narrow": 0.030, "wide": 0.044}
STROKES = {"narrow": 0.036, "wide": 0.030}


def cylinder(name, bore, stroke):
    """A cylinder that obeys the scaling rules to the letter."""
    lip = np.pi * bore
    seal = SealLaw(coulomb=LIP * lip, energised=PRESSURE_DRAG * lip)
    return CylinderTruth(name, bore, stroke, seal, port_diameter=0.025, work_ratio=0.2, phase=-np.radians(45))


def truth(names=("narrow", "wide"), **changes):
    return Truth(
        motor=MotorTruth(
            supply="controller", standby=4.0, resistance=0.42, torque_constant=0.061, law=TorqueLaw(coulomb=0.02)
        ),
        linkage=TorqueLaw(coulomb=0.05, viscous=4e-4),
        cylinders=tuple(cylinder(name, BORES[name], STROKES[name]) for name in names),
        ratio=3.0,
        transmission_efficiency=0.95,
        rod_length=0.09,
        **changes,
    )


@dataclass(frozen=True)
class Measured:
    truths: Truths
    folder: Path
    breakdown: Breakdown


def measured(folder, names=("narrow", "wide"), motor_lines="", pressures=PRESSURES, draws=400, once=(), **told):
    """Write, load, calibrate. motor_lines: more of bench.toml's [motor]. once: cylinders swept without load
    at the lowest pressure only. told: of the protocol."""
    true = truth(names)
    sweeps = ladder(true, FREQUENCIES, pressures, repeats=2, standby=4)
    sweeps = [s for s in sweeps if not (s.stage == "no-load" and s.cylinder in once and s.pressure > pressures[0])]
    protocol = Protocol(
        sweeps=tuple(sweeps), noise_floor=0.01, noise_share=0.001, power_digits=3, winding_column=True, **told
    )
    truths = write_bench(folder, true, protocol, np.random.default_rng(5), stated=true)
    config = folder / "bench.toml"
    config.write_text(config.read_text().replace("[motor]\n", f"[motor]\n{motor_lines}\n"))
    bench = load_bench(folder)
    return Measured(truths, folder, breakdown(calibrate(bench, draws=draws, compare=False), bench.sweeps))
