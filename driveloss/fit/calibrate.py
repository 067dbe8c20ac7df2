"""From a bench to its calibration: screen the readings, fit both families, keep what later questions need."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np

from driveloss.bench.records import Bench, FloatArray
from driveloss.fit.calibration import DRAWS, FAMILIES, SEED, Calibration, Evidence, Range
from driveloss.fit.curves import PhysicalCurves
from driveloss.fit.family import FamilyFit
from driveloss.fit.findings import Finding
from driveloss.fit.ladder import Ladder, build_ladder, ladder_power
from driveloss.fit.meters import SOURCES, Inputs, draw_inputs, first_column
from driveloss.fit.motor_loss import input_power, shaft_power
from driveloss.fit.readings import pressure_groups
from driveloss.physics import motor

if TYPE_CHECKING:
    from driveloss.fit.physical import Problem


def calibrate(
    bench: Bench,
    family: str = "physical",
    draws: int = DRAWS,
    seed: int = SEED,
    active: Collection[str] = SOURCES,
    keep_all: bool = False,
    compare: bool = True,
    inputs: Inputs | None = None,
) -> Calibration:
    """Screen the ladder of a bench, fit it and resample it.

    family: which curves to use, 'physical' or 'polynomial'; both are fitted where `compare` is true.
    active: sources of error at work, see SOURCES. keep_all: leave no outlier out. inputs: draws of the common
    inputs to use instead of the bench's own, for benches that share a meter.
    Raises InputError where the readings cannot be explained at all.
    """
    from driveloss.fit.outliers import screen

    whole = build_ladder(bench)
    inputs = draw_inputs(whole.rig, draws, seed, active) if inputs is None else inputs
    standby = _standby(whole, inputs, seed, "noise" in active)
    screened = screen(whole, first_column(inputs), standby[:1], keep_all)
    ladder = whole.only(screened.keep)
    fits, standby = _fits(FAMILIES if compare else (family,), ladder, inputs, standby, seed, active)
    findings = (*screened.findings, *_weaknesses(bench, ladder, inputs, standby, fits))
    evidence = Evidence(ladder, fits, tuple(active), whole.readings.only(~screened.keep))
    return _assemble(bench, inputs, standby, family, seed, evidence, findings)


def reweigh(bench: Bench, calibration: Calibration, active: Collection[str], draws: int) -> Calibration:
    """The same calibration with only some sources of error at work. Needs a fresh calibration, not a saved one."""
    evidence = calibration.evidence
    assert evidence is not None
    ladder, seed, family = evidence.ladder, calibration.seed, calibration.family
    inputs = draw_inputs(ladder.rig, draws, seed, active)
    standby = _standby(ladder, inputs, seed, "noise" in active)
    problem = evidence.fits[family].problem
    fits, standby = _fits((family,), ladder, inputs, standby, seed, active, problem)
    return _assemble(bench, inputs, standby, family, seed, Evidence(ladder, fits, tuple(active), evidence.left_out), ())


def _weaknesses(
    bench: Bench, ladder: Ladder, inputs: Inputs, standby: FloatArray, fits: dict[str, FamilyFit]
) -> list[Finding]:
    """Everything that screening says about whole sweeps and the meter."""
    from driveloss.fit.outliers import suspect_runs
    from driveloss.fit.unstated import idle_unknown, overpumped, unstated_meter, unused_drag
    from driveloss.fit.weaknesses import drifts, misfit, wrong_order

    stated = first_column(inputs)
    power = ladder_power(ladder, stated, standby[:1])[:, 0]
    found = suspect_runs(ladder.loaded) + drifts(ladder.readings, power)
    found += wrong_order(ladder, fits["polynomial"]) if "polynomial" in fits else []
    found += misfit(fits["physical"]) if "physical" in fits else []
    found += overpumped(ladder, stated, power)
    return found + idle_unknown(ladder) + unused_drag(ladder) + unstated_meter(bench)


def _fits(
    families: Sequence[str],
    ladder: Ladder,
    inputs: Inputs,
    standby: FloatArray,
    seed: int,
    active: Collection[str],
    problem: Problem | None = None,
) -> tuple[dict[str, FamilyFit], FloatArray]:
    """The families asked for, and the standby power, (1 + draws,): the physical family's where it is fitted. [W]"""
    from driveloss.fit.physical import fit_physical
    from driveloss.fit.polynomial import fit_polynomial

    fits: dict[str, FamilyFit] = {}
    if "physical" in families or ladder.scope.idle:
        fits["physical"] = fit_physical(ladder, inputs, standby, seed, active, problem)
    if ladder.scope.idle:
        curves = fits["physical"].curves
        assert isinstance(curves, PhysicalCurves)
        standby = curves.idle()
        ladder = replace(ladder, scope=replace(ladder.scope, idle=False))
    if "polynomial" in families:
        fits["polynomial"] = fit_polynomial(ladder, inputs, standby, seed, active)
    return {name: fits[name] for name in families}, standby


def _standby(ladder: Ladder, inputs: Inputs, seed: int, noisy: bool) -> FloatArray:
    """Standby power, shape (1 + draws,): the mean of its readings with their scatter; zero without a sweep. [W]"""
    readings = ladder.standby
    count = len(readings)
    if count == 0:
        return np.zeros(inputs.size)
    spread = float(readings.power.std(ddof=1)) if count > 1 else 0.0
    least = float(readings.resolution.mean()) / np.sqrt(12)
    dof = max(count - 1, 2)  # with one, Student's t has no mean: two readings count as if they were three
    rng = np.random.default_rng([seed, 4])
    error = max(spread, least) / np.sqrt(count) * rng.standard_t(dof, inputs.size)
    error[0] = 0.0
    return input_power(readings, inputs).mean(axis=0) + error * noisy


def _assemble(
    bench: Bench,
    inputs: Inputs,
    standby: FloatArray,
    family: str,
    seed: int,
    evidence: Evidence,
    findings: tuple[Finding, ...],
) -> Calibration:
    ladder, fit = evidence.ladder, evidence.fits[family]
    cylinders = {name: _range(ladder, "no-load", name) for name in ladder.scope.pressures}
    return Calibration(
        program=version("driveloss"),
        title=bench.rig.title,
        family=family,
        seed=seed,
        rig=bench.rig,
        files={"bench.toml": bench.sha256} | {s.file: s.sha256 for s in bench.sweeps if s.stage != "loaded"},
        route=ladder.route,
        stated_pressure_friction=ladder.given_pressure_friction,
        inputs=inputs,
        standby=standby,
        has_standby=len(ladder.standby) > 0 or ladder.scope.idle,
        curves=fit.curves,
        torque_constant=_torque_constant(ladder, inputs, standby),
        winding=_winding(ladder, inputs, standby),
        scatter=fit.scatter,
        drive_range=_range(ladder, "piston-disconnected", ""),
        motor_range=_range(ladder, "motor-alone", "") if ladder.scope.motor_alone else None,
        ranges=cylinders,
        findings=findings,
        evidence=evidence,
    )


def _range(ladder: Ladder, stage: str, cylinder: str) -> Range:
    readings = ladder.readings
    mine = (readings.stage == stage) & (readings.cylinder == cylinder)
    frequency, pressure = readings.frequency[mine], readings.mean_pressure[mine]
    groups = pressure_groups(pressure) if cylinder else np.array([], dtype=int)
    levels = sorted(float(pressure[groups == g].mean()) for g in np.unique(groups))
    return Range(float(frequency.min()), float(frequency.max()), tuple(levels))


def _torque_constant(ladder: Ladder, inputs: Inputs, standby: FloatArray) -> FloatArray:
    """Stated, or the ratio of shaft power to speed times measured current over the ladder, (1 + draws,). [N m/A]"""
    if ladder.route != "measured current":
        return inputs.torque_constant
    readings = ladder.readings
    shaft = shaft_power(readings, inputs, standby, ladder.route).power
    amps = readings.current[:, None] * inputs.current_gain + inputs.current_zero
    speed_current = motor.motor_speed(readings.frequency[:, None], inputs.ratio) * amps
    squares = np.sum(speed_current**2, axis=0)
    return np.sum(shaft * speed_current, axis=0) / np.where(squares > 0, squares, np.nan)


def _winding(ladder: Ladder, inputs: Inputs, standby: FloatArray) -> tuple[float, float] | None:
    """Winding temperature as a straight line in shaft power over the ladder: intercept [K], slope [K/W]."""
    read = np.isfinite(ladder.readings.winding)
    if not read.any() or ladder.route in ("unknown", "incremental"):
        return None
    temperature = ladder.readings.winding[read]
    shaft = shaft_power(ladder.readings, first_column(inputs), standby[:1], ladder.route).power[read, 0]
    spread = float(np.sum((shaft - shaft.mean()) ** 2))
    slope = float(np.sum((shaft - shaft.mean()) * temperature)) / spread if spread > 0 else 0.0
    slope = max(slope, 0.0)  # losses warm a winding
    return float(temperature.mean()) - slope * float(shaft.mean()), slope
