"""A bench that has no readings yet: what a plan may assume of it, and says that it does."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from driveloss.bench.records import STAGES, Bench, FloatArray, Quantity, Sweep
from driveloss.bench.toml import Config
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.fit.checks import positive
from driveloss.fit.readings import Rung
from driveloss.physics import motor
from driveloss.plan.outlook import Given, Outlook, planned, weighted_fit

POINTS = 9  # assumed readings a rung
STANDBY = 0.05  # of the loaded power, before a controller
SHARES = {"motor-alone": 0.15, "piston-disconnected": 0.3, "no-load": 0.6, "loaded": 1.0}  # of the loaded power
COULOMB = 0.5  # share of a rung's power at the highest frequency that is in proportion to it; the rest to its square


@dataclass(frozen=True)
class Expected:
    """What the user expects: input of loaded runs at the highest frequency, scatter, last digit [W], range [Hz]."""

    loaded_power: float
    scatter: float
    low: float
    high: float
    digit: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.low < self.high:
            raise InputError(f"range: read {self.low:g} to {self.high:g} Hz, expected 0 < from < to")
        for name, value in (("loaded power", self.loaded_power), ("scatter", self.scatter)):
            positive(value, "W", name, "power")


def assumed_outlook(config: Config, folder: Path, expected: Expected) -> Outlook:
    """A bench of which only bench.toml is filled in, with readings made up of Coulomb and viscous drag.

    Raises InputError where bench.toml names no ladder.
    """
    sweeps = tuple(_sweep(config, rung, expected) for rung in _rungs(config))
    bench = Bench(folder, config.rig, sweeps, config.sha256)
    calibration = calibrate(bench, compare=False, keep_all=True)
    problem = weighted_fit(calibration)
    terms = tuple(term for term in problem.terms if term.kind != "stribeck")
    given = Given(expected.scatter, expected.digit, expected.loaded_power, expected.high)
    return Outlook(bench, calibration, problem, terms, given, _said(expected))


def _rungs(config: Config) -> list[Rung]:
    """The rungs that bench.toml names, once each; pressures are ambient where it leaves them to a column."""
    stages = {spec.stage for spec in config.sweeps}
    for stage in ("piston-disconnected", "no-load"):
        if stage not in stages:
            raise InputError(f"bench.toml, [[sweeps]]: expected a sweep of stage '{stage}' to plan, read none")
    ambient = config.rig.ambient_pressure.value
    named = (
        Rung(spec.stage, spec.cylinder, (spec.mean_pressure or ambient) if spec.cylinder else None)
        for spec in config.sweeps
    )
    return sorted(dict.fromkeys(named), key=lambda rung: STAGES.index(rung.stage))


def _sweep(config: Config, rung: Rung, expected: Expected) -> Sweep:
    idle = STANDBY * expected.loaded_power if config.rig.motor.supply == "controller" else 0.0
    if rung.stage == "standby":
        frequency, power, current = np.zeros(3), np.full(3, max(idle, expected.scatter)), None
    else:
        frequency = np.linspace(expected.low, expected.high, POINTS)
        share, top = frequency / expected.high, SHARES[rung.stage] * expected.loaded_power
        power = top * (COULOMB * share + (1 - COULOMB) * share**2) + idle
        current = _current(config, frequency, power)
    return planned(rung, frequency, power).replace(file=f"assumed-{rung.stage}", current=current)


def _current(config: Config, frequency: FloatArray, power: FloatArray) -> FloatArray | None:
    """Motor current at the terminals where the constants tell it; (n,). [A]"""
    known = config.rig.motor
    if known.supply != "terminals" or known.winding_resistance is None or known.torque_constant is None:
        return None
    speed = motor.motor_speed(frequency, config.rig.transmission.turns.value)
    ohms, form = known.winding_resistance.value, (known.current_form_factor or Quantity(1.0)).value
    return np.asarray(motor.motor_current(power, ohms, known.torque_constant.value, speed, form))


def _said(expected: Expected) -> tuple[str, ...]:
    rungs = ", ".join(f"{stage} {share:.0%}" for stage, share in SHARES.items() if stage != "loaded")
    digit = f"its last digit is {expected.digit:g} W" if expected.digit else "its last digit is far smaller (--digit)"
    return (
        f"no readings yet: loaded runs take {expected.loaded_power:g} W at {expected.high:g} Hz, and of "
        f"that {rungs}, half of it Coulomb and half viscous drag",
        f"every power reading scatters by {expected.scatter:g} W (standard deviation), and {digit}",
    )
