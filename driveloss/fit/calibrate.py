"""From a bench to its calibration: screen the readings, fit both families, keep what later questions need."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from importlib.metadata import version

import numpy as np

from driveloss.bench.records import Bench, FloatArray
from driveloss.errors import InputError
from driveloss.fit import DRAWS, FAMILIES, SEED
from driveloss.fit.blanked import FittedBlanked, fit_blanked, told
from driveloss.fit.braked import at_the_crank, fit_braked
from driveloss.fit.calibration import Calibration, Evidence, Range
from driveloss.fit.curves import PhysicalCurves
from driveloss.fit.family import FamilyFit
from driveloss.fit.findings import Finding
from driveloss.fit.idle import idle_errors
from driveloss.fit.ladder import Ladder, build_ladder, ladder_power
from driveloss.fit.meters import SOURCES, Meters, Sampler, stream
from driveloss.fit.motor_constants import constants_disagree, fit_motor
from driveloss.fit.motor_loss import BRAKED, FITTED, UNKNOWN, shaft_power
from driveloss.fit.pins import bounded_pins
from driveloss.fit.readings import pressure_groups
from driveloss.physics import motor

MOST_NUMBERS = 10_000_000  # readings times draws: a dozen arrays of that size are held


def calibrate(  # noqa: PLR0913 - what a user may ask for
    bench: Bench,
    family: str = "physical",
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    active: Collection[str] = SOURCES,
    keep_all: bool = False,
    compare: bool = True,
    meters: Meters | None = None,
    judge: bool = True,
) -> Calibration:
    """Screen the ladder of a bench, fit it and resample it.

    family: which curves to use, 'physical' or 'polynomial'; both are fitted where `compare` is true.
    active: sources of error at work, see SOURCES. keep_all: leave no outlier out. meters: draws of the common
    errors to use instead of the bench's own, where benches share instruments. judge: say what screening finds.
    Raises InputError where the readings cannot be explained at all.
    """
    from driveloss.fit.outliers import screen

    has_brake, sampler = any(sweep.stage == "braked" for sweep in bench.sweeps), Sampler(draws, seed, active)
    rig, bench = bench.rig, at_the_crank(bench) if has_brake else bench
    whole = build_ladder(bench)
    _check_size(draws, len(whole.readings))
    meters = sampler.meters(rig) if meters is None else meters
    fitted = fit_motor(whole, meters, sampler)
    brake = fit_braked(bench, meters, _standby(whole, meters, sampler), sampler) if has_brake else None
    if brake is not None:
        meters, whole = brake.known_to(meters), whole.by_route(BRAKED)
    elif fitted is not None and whole.route is UNKNOWN:
        meters, whole = fitted.known_to(meters), whole.by_route(FITTED)
    meters = replace(meters, full_power=whole.full_power, idle=idle_errors(whole, bench))
    standby = _standby(whole, meters, sampler)
    screened = screen(whole, meters.as_stated(), standby[:1], keep_all=keep_all)
    ladder = whole.only(screened.keep)
    fits, standby = _fits(FAMILIES if compare else (family,), ladder, meters, standby, sampler)
    if fitted is not None and whole.route is FITTED and "physical" in fits:
        fits["physical"] = fitted.told_with(fits["physical"])
    if brake is not None and "physical" in fits:
        fits["physical"] = brake.told_with(fits["physical"])
    meters = bounded_pins(ladder, fits[family].curves, meters)
    evidence = Evidence(ladder, fits, sampler, whole.readings.only(~screened.keep))
    calibration = _assemble(bench, meters, standby, fits[family], evidence)
    blanked = fit_blanked(calibration, bench)
    below = [] if blanked is None else told(calibration, blanked)
    calibration = calibration if blanked is None else _with_blanked(calibration, blanked)
    if not judge:
        return calibration
    weaknesses = (*constants_disagree(bench.rig, fitted), *_weaknesses(bench, meters, standby, evidence))
    findings = (*screened.findings, *below, *_of_runs(bench, calibration, ladder), *weaknesses)
    return replace(calibration, findings=findings)


def _of_runs(bench: Bench, calibration: Calibration, ladder: Ladder) -> list[Finding]:
    """What screening says about loaded runs, and mix-ups that they help to see."""
    from driveloss.fit.mixups import mixups
    from driveloss.fit.suspects import loaded_course, suspect_runs

    course = loaded_course(calibration, ladder.loaded)
    return [*suspect_runs(ladder.loaded, course), *mixups(bench, calibration, ladder, course)]


def _with_blanked(calibration: Calibration, blanked: FittedBlanked) -> Calibration:
    """The calibration with what a blanked sweep tells, and its terms in the physical family's report."""
    known = blanked.known_to(calibration)
    evidence = known.evidence
    if evidence is None or "physical" not in evidence.fits:
        return known
    fit = evidence.fits["physical"]
    fits = evidence.fits | {
        "physical": replace(fit, terms=(*fit.terms, *blanked.terms(known)), notes=(*fit.notes, *blanked.notes(known)))
    }
    return replace(known, evidence=replace(evidence, fits=fits))


def _check_size(draws: int, readings: int) -> None:
    """Refuse what does not fit in memory. Raises InputError."""
    if draws * readings > MOST_NUMBERS:
        most = MOST_NUMBERS // readings
        raise InputError(f"--draws: read {draws}, expected at most {most} for a ladder of {readings} readings")


def _weaknesses(bench: Bench, meters: Meters, standby: FloatArray, evidence: Evidence) -> list[Finding]:
    """Everything that screening says about whole sweeps and the meter."""
    from driveloss.fit.weaknesses import (
        departed,
        drifts,
        idle_unknown,
        misfit,
        overpumped,
        unused_controller,
        unused_drag,
        without_limits,
        wrong_order,
    )

    ladder, fits, stated = evidence.ladder, evidence.fits, meters.as_stated()
    power = ladder_power(ladder, stated, standby[:1])[:, 0]
    found = drifts(ladder.readings, power) + departed(ladder.readings, power)
    found += wrong_order(ladder, fits["polynomial"]) if "polynomial" in fits else []
    found += misfit(fits["physical"]) if "physical" in fits else []
    found += overpumped(ladder, stated, power)
    found += idle_unknown(ladder) + unused_drag(ladder) + unused_controller(bench) + without_limits(bench.rig)
    return found


def _fits(
    families: Sequence[str], ladder: Ladder, meters: Meters, standby: FloatArray, sampler: Sampler
) -> tuple[dict[str, FamilyFit], FloatArray]:
    """The families asked for, and the standby power, (1 + draws,): the physical family's where it is fitted. [W]"""
    from driveloss.fit.physical import fit_physical
    from driveloss.fit.polynomial import fit_polynomial

    fits: dict[str, FamilyFit] = {}
    if "physical" in families or ladder.scope.idle:
        fits["physical"] = fit_physical(ladder, meters, standby, sampler)
    if ladder.scope.idle and isinstance(curves := fits["physical"].curves, PhysicalCurves):
        standby = curves.idle()
        ladder = replace(ladder, scope=replace(ladder.scope, idle=False))
    if "polynomial" in families:
        fits["polynomial"] = fit_polynomial(ladder, meters, standby, sampler)
    return {name: fits[name] for name in families}, standby


def _standby(ladder: Ladder, meters: Meters, sampler: Sampler) -> FloatArray:
    """Standby power, shape (1 + draws,): the mean of its readings with their scatter; zero without a sweep. [W]"""
    readings = ladder.standby
    count = len(readings)
    if count == 0:
        return np.zeros(meters.size)
    spread = float(readings.power.std(ddof=1)) if count > 1 else 0.0
    least = float(readings.resolution.mean()) / np.sqrt(12)
    dof = max(count - 1, 2)  # with one, Student's t has no mean: two readings count as if they were three
    rng = stream(sampler.seed, "standby")
    error = max(spread, least) / np.sqrt(count) * rng.standard_t(dof, meters.size)
    error[0] = 0.0
    return np.asarray(meters.power(readings).mean(axis=0) + error * ("noise" in sampler.active))


def _assemble(bench: Bench, meters: Meters, standby: FloatArray, fit: FamilyFit, evidence: Evidence) -> Calibration:
    ladder = evidence.ladder
    cylinders = {name: _range(ladder, "no-load", name) for name in ladder.scope.pressures}
    return Calibration(
        program=version("driveloss"),
        title=bench.rig.title,
        family=fit.name,
        seed=evidence.sampler.seed,
        rig=bench.rig,
        files={"bench.toml": bench.sha256} | {s.file: s.sha256 for s in bench.sweeps if s.stage != "loaded"},
        route=ladder.route,
        stated_pressure_friction=ladder.given_pressure_friction,
        meters=meters,
        standby=standby,
        has_standby=len(ladder.standby) > 0 or ladder.scope.idle,
        curves=fit.curves,
        torque_constant=_torque_constant(ladder, meters, standby),
        winding=_winding(ladder, meters, standby),
        scatter=fit.scatter,
        drive_range=_range(ladder, "piston-disconnected", ""),
        motor_range=_range(ladder, "motor-alone", "") if ladder.scope.motor_alone else None,
        ranges=cylinders,
        evidence=evidence,
    )


def _range(ladder: Ladder, stage: str, cylinder: str) -> Range:
    readings = ladder.readings
    mine = (readings.stage == stage) & (readings.cylinder == cylinder)
    frequency, pressure = readings.frequency[mine], readings.mean_pressure[mine]
    groups = pressure_groups(pressure) if cylinder else np.array([], dtype=int)
    levels = sorted(float(pressure[groups == g].mean()) for g in np.unique(groups))
    return Range(float(frequency.min()), float(frequency.max()), tuple(levels))


def _torque_constant(ladder: Ladder, meters: Meters, standby: FloatArray) -> FloatArray:
    """Stated, or the ratio of shaft power to speed times measured current over the ladder, (1 + draws,). [N m/A]"""
    if not ladder.route.needs_current:
        return meters.torque_constant
    readings = ladder.readings
    shaft = shaft_power(readings, meters, standby, ladder.route).power
    amps = meters.current(readings)
    speed_current = motor.motor_speed(readings.frequency[:, None], meters.ratio) * amps
    squares = np.sum(speed_current**2, axis=0)
    return np.asarray(np.sum(shaft * speed_current, axis=0) / np.where(squares > 0, squares, np.nan))


def _winding(ladder: Ladder, meters: Meters, standby: FloatArray) -> tuple[float, float] | None:
    """Winding temperature as a straight line in shaft power over the ladder: intercept [K], slope [K/W]."""
    read = np.isfinite(ladder.readings.winding)
    if not read.any() or not ladder.route.has_copper:
        return None
    temperature = ladder.readings.winding[read]
    shaft = shaft_power(ladder.readings, meters.as_stated(), standby[:1], ladder.route).power[read, 0]
    spread = float(np.sum((shaft - shaft.mean()) ** 2))
    slope = float(np.sum((shaft - shaft.mean()) * temperature)) / spread if spread > 0 else 0.0
    slope = max(slope, 0.0)  # losses warm a winding
    return float(temperature.mean()) - slope * float(shaft.mean()), slope
