"""The motor's constants from the bench's own volts and amperes: V = U_b + R I + K_e omega over all its readings.

On a bench supply the meter's volts and amperes are the motor's. At one speed a load changes the current alone, and at
one current a speed changes the back-emf alone, so the ladder and the loaded runs together tell all three.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from driveloss.bench.records import FloatArray, Rig
from driveloss.fit.estimate import Estimate, estimate
from driveloss.fit.family import FamilyFit, TermReport
from driveloss.fit.findings import Finding
from driveloss.fit.ladder import Ladder
from driveloss.fit.least_squares import Solution, curve_fit
from driveloss.fit.meters import Meters, Sampler, stream
from driveloss.fit.readings import Readings, joined
from driveloss.physics import motor

LEAST_READINGS = 8
APART = 1e4  # condition of the scaled readings beyond which they do not tell the constants apart
ALIKE = 0.9  # correlation of two constants from which on a note says so
WARMEST = 1.35  # times the resistance as measured: a winding some 90 K warmer, by IEC 60034-1
VAGUE = 0.5  # relative half-width of the resistance from which on the volts and amperes do not tell it
CONSTANTS = {  # field of Meters -> words, unit
    "resistance": ("winding resistance", "ohm"),
    "torque_constant": ("torque constant", "N m/A"),
    "brush_drop": ("brush drop", "V"),
}


@dataclass(frozen=True)
class FittedMotor:
    """Constants that a bench's volts and amperes tell; draws by field of Meters, (1 + draws,) each."""

    draws: dict[str, FloatArray]
    correlations: dict[tuple[str, str], float]

    @property
    def estimates(self) -> dict[str, Estimate]:
        """The constants with their intervals."""
        found = {name: estimate(draws) for name, draws in self.draws.items()}
        return {name: one for name, one in found.items() if one is not None}

    @property
    def terms(self) -> tuple[TermReport, ...]:
        """The constants as the table of terms shows them."""
        words = {name: (f"motor: {text}, from volts and amperes", unit) for name, (text, unit) in CONSTANTS.items()}
        return tuple(TermReport(*words[name], one) for name, one in self.estimates.items())

    def known_to(self, meters: Meters) -> Meters:
        """The draws of a bench with these constants among them."""
        return replace(
            meters,
            resistance=self.draws["resistance"],
            torque_constant=self.draws["torque_constant"],
            brush_drop=self.draws["brush_drop"],
            fitted=tuple(CONSTANTS),
        )

    def told_with(self, fit: FamilyFit) -> FamilyFit:
        """A family's report with the constants before its terms."""
        return replace(fit, terms=(*self.terms, *fit.terms), notes=(*self.notes, *fit.notes))

    @property
    def notes(self) -> tuple[str, ...]:
        """Which of them the readings hardly tell apart."""
        return tuple(
            f"motor: {CONSTANTS[a][0]} and {CONSTANTS[b][0]} correlate at {r:.2f}: trust what they give together."
            for (a, b), r in self.correlations.items()
            if abs(r) > ALIKE
        )


def fit_motor(ladder: Ladder, meters: Meters, sampler: Sampler) -> FittedMotor | None:
    """Fit the constants to a bench's readings with volts and amperes at the motor; None where they do not tell them.

    The best fit is lmfit's, with no constant below zero; every draw is fitted again with its own meter errors and
    scatter, as limits of error are common to all readings. Where the winding was read its temperature counts, and the
    resistance is at the reference temperature; other readings count as if they were at that, here as in `motor_loss`.
    """
    known = joined(ladder.readings, ladder.loaded)
    known = known.only(np.isfinite(known.voltage))
    if ladder.rig.motor.supply != "terminals" or len(known) < LEAST_READINGS:
        return None
    fit = _best(known, meters.as_stated())
    if fit is None:
        return None
    rng = stream(sampler.seed, "motor constants")
    size = fit.residual_sd * np.sqrt(fit.dof / rng.chisquare(fit.dof, meters.size)) * ("noise" in sampler.active)
    scatter = rng.standard_normal((len(known), meters.size)) * size
    scatter[:, 0] = 0.0
    drawn = _refitted(known, meters, scatter, len(fit.coefficients))
    drawn[: len(fit.coefficients), 0] = fit.coefficients
    draws = dict(zip(CONSTANTS, drawn, strict=True))
    resistance = estimate(draws["resistance"])
    if resistance is None or resistance.half_width > VAGUE * resistance.value:
        return None
    names = list(CONSTANTS)
    with np.errstate(divide="ignore", invalid="ignore"):  # a constant that does not vary correlates with none
        matrix = np.atleast_2d(np.nan_to_num(np.corrcoef(drawn[:, 1:])))
    pairs = ((a, b) for a in range(len(names)) for b in range(a))
    return FittedMotor(draws, {(names[b], names[a]): float(matrix[a, b]) for a, b in pairs})


def _columns(readings: Readings, meters: Meters) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Volts, amperes (as at the reference temperature) and motor speed with the meters' errors, (n, 1 + draws)."""
    volts = meters.voltage(readings)
    speed = motor.motor_speed(meters.frequency(readings.frequency), meters.ratio)
    winding, reference = meters.temperature("winding", readings.winding), meters.reference_temperature
    warmth = motor.winding_resistance(1.0, reference, np.where(np.isfinite(winding), winding, reference))
    return volts, meters.current(readings) * warmth, speed


def _best(readings: Readings, stated: Meters) -> Solution | None:
    """lmfit's answer in the order of CONSTANTS, without a brush drop that would run below zero; None for none."""
    volts, amps, speed = (column[:, 0] for column in _columns(readings, stated))

    def model(p: Mapping[str, float]) -> FloatArray:
        return p["resistance"] * amps + p["torque_constant"] * speed + p.get("brush_drop", 0.0)

    highest = float(volts.max())
    start = {
        "resistance": 0.1 * highest / float(amps.max()),
        "torque_constant": 0.8 * highest / float(speed.max()),
        "brush_drop": 0.02 * highest,
    }
    columns = np.column_stack([amps, speed, np.ones_like(volts)])
    columns /= np.linalg.norm(columns, axis=0)
    for count in (len(CONSTANTS), len(CONSTANTS) - 1):  # all, then without the brushes
        told = dict(list(start.items())[:count])
        if np.linalg.cond(columns[:, :count]) < APART:
            fit = curve_fit(model, told, volts, None, dict.fromkeys(told, (0.0, np.inf)))
            if fit.converged:
                return fit
    return None


def _refitted(readings: Readings, meters: Meters, scatter: FloatArray, count: int) -> FloatArray:
    """Least squares in every draw by the normal equations of scaled columns; (3, 1 + draws), none below zero.

    count: of the constants that are told, 3 or without the brushes 2.
    """
    volts, amps, speed = _columns(readings, meters)
    sizes = np.array([amps.max(), speed.max(), 1.0])
    columns = [amps / sizes[0], speed / sizes[1], np.ones_like(volts)]
    normal = np.array([[np.sum(a * b, axis=0) for b in columns] for a in columns])  # (3, 3, 1 + draws)
    right = np.array([np.sum(a * (volts + scatter), axis=0) for a in columns])
    found = np.zeros((len(CONSTANTS), meters.size))
    found[:2] = _solved(normal[:2, :2], right[:2])
    if count == len(CONSTANTS):
        whole = _solved(normal, right)
        above = whole[2] > 0  # else no drop at the brushes fits best
        found[:, above] = whole[:, above]
    return np.asarray(np.maximum(found, 0.0) / sizes[:, None])


def _solved(normal: FloatArray, right: FloatArray) -> FloatArray:
    """Normal equations (k, k, draws) with right-hand sides (k, draws): (k, draws)."""
    return np.asarray(np.linalg.solve(np.moveaxis(normal, 2, 0), right.T[:, :, None])[:, :, 0].T)


def constants_disagree(rig: Rig, fitted: FittedMotor | None) -> list[Finding]:
    """Stated constants that the bench's own volts and amperes contradict."""
    stated = {
        "resistance": rig.motor.winding_resistance,
        "torque_constant": rig.motor.torque_constant,
        "brush_drop": rig.motor.brush_drop,
    }
    found = {} if fitted is None else fitted.estimates
    findings = []
    for name, one in found.items():
        words, unit = CONSTANTS[name]
        known, warmth = stated[name], WARMEST if name == "resistance" else 1.0
        if known is None:
            continue
        if known.value - known.limit > one.high or (known.value + known.limit) * warmth < one.low:
            text = (
                f"bench.toml, [motor]: {words} {known.value:.4g} {unit} is stated, but the bench's own volts and "
                f"amperes give {one.value:.3g} ±{one.half_width:.2g} {unit}: check the unit, the ratio and the columns."
            )
            findings.append(Finding("constants", text))
    return findings
