"""Weaknesses of a bench: warm-up drift, rungs in the wrong order, curves that miss the repeats, things left unsaid."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from driveloss.bench.records import Bench, FloatArray, Quantity, Rig
from driveloss.bench.rules import keys_of
from driveloss.fit.assumptions import PERCENT, TOLERANCE
from driveloss.fit.curves import PolynomialCurves
from driveloss.fit.estimate import estimates
from driveloss.fit.family import FamilyFit
from driveloss.fit.findings import Finding
from driveloss.fit.ladder import Ladder, known_load
from driveloss.fit.meters import Meters
from driveloss.fit.readings import Readings
from driveloss.fit.scatter import LackOfFit
from driveloss.fit.sweeps import Departure, between_sweeps

FALSE_ALARM = 0.01  # for the whole bench
LEAST_READINGS = 6  # of a sweep in which drift can be seen
MOST_ALIKE = 0.9  # of the reading order explained by frequency alone: beyond it the two cannot be told apart
POINTS = 7  # frequencies at which rungs are compared
MISFIT = 0.01  # chance below which the curves are said to miss the repeats
WITH_TOLERANCE = ("winding_resistance", "torque_constant")  # that data sheets give limits of, if only in small print
ASIDE = {  # keys that hardly move the watts of a part
    *("ambient_temperature", "ambient_pressure", "rod_length", "back_pressure", "running_temperature"),
    *("peak_torque", "current_limit", "seal_heat_share", "thermal_resistance"),
}
WORTH = 0.002  # of a value: a last digit that says more is as good as a limit
STAKE = {  # stage: what a sweep that is off moves
    "motor-alone": "the motor and, the other way, the linkage",
    "piston-disconnected": "the drive and, the other way, the seal",
    "no-load": "the seal and, the other way, the net power",
}


def drifts(readings: Readings, power: FloatArray) -> list[Finding]:
    """Sweeps whose power moves with the order of the readings, beyond what frequency explains.

    readings in the order taken; power: shaft side, (n,) [W]. Student's t, Bonferroni over the sweeps.
    """
    files = list(dict.fromkeys(readings.file))
    findings = []
    for file in files:
        mine = np.flatnonzero(readings.file == file)
        found = _drift(readings.frequency[mine], power[mine], FALSE_ALARM / len(files))
        if found is not None:
            change, half = found
            verb = "falls" if change < 0 else "rises"
            cause = (
                "warm-up? run in longer, or go up and down"
                if change < 0
                else "heating or wear? repeat the first readings"
            )
            text = (
                f"{file}: shaft power {verb} by {abs(change):.2g} ±{half:.1g} W over the sweep "
                f"at equal frequency, by a straight line ({cause})."
            )
            findings.append(Finding("drift", text, str(file), None, change))
    return findings


def _drift(frequency: FloatArray, power: FloatArray, false_alarm: float) -> tuple[float, float] | None:
    """Change of power from the first to the last reading and its 95 % half-width; None where not significant."""
    from scipy.special import stdtrit

    n, distinct = len(power), len(np.unique(np.round(frequency / frequency.max(), 2)))
    degree = min(3, distinct - 1)
    if n < LEAST_READINGS or n - degree - 2 < 2:
        return None
    smooth = np.vander(frequency / frequency.max(), degree + 1)
    order = np.linspace(-0.5, 0.5, n)
    own = order - smooth @ np.linalg.lstsq(smooth, order, rcond=None)[0]
    if own @ own < (1 - MOST_ALIKE) * (order @ order):
        return None
    design = np.column_stack([smooth, order])
    best = np.linalg.lstsq(design, power, rcond=None)[0]
    dof = n - degree - 2
    size = np.sqrt(np.sum((power - design @ best) ** 2) / dof)
    u = float(size / np.sqrt(own @ own))
    change = float(best[-1])
    if abs(change) <= stdtrit(dof, 1 - false_alarm / 2) * u:
        return None
    return change, float(stdtrit(dof, 0.975)) * u


def departed(readings: Readings, power: FloatArray) -> list[Finding]:
    """Sweeps off the others of their rung beyond what their readings scatter by; power: shaft side, (n,) [W]."""
    return [_departed(found) for found in between_sweeps(readings, power).departures]


def _departed(found: Departure) -> Finding:
    count, stage = len(found.others), found.rung.stage
    of = f" of '{found.rung.cylinder}'" if found.rung.cylinder else ""
    open_by = abs(found.watts) / (count + 1)
    cure = (
        f"a third {stage} sweep tells which of the two is off"
        if count == 1
        else "leave it out of bench.toml if the machine was not the same"
    )
    text = (
        f"{found.file}: shaft power lies {abs(found.watts):.2g} ±{found.half_width:.1g} W "
        f"({abs(found.share):.1%}) {'above' if found.watts > 0 else 'below'} {' and '.join(found.others)} at equal "
        f"frequency, the {stage}{of} too, by more than readings scatter: the curves go between, which leaves "
        f"{STAKE[stage]} open by about {open_by:.2g} W (the intervals allow for it); {cure}."
    )
    return Finding("sweep", text, found.file, None, found.watts)


def wrong_order(ladder: Ladder, polynomial: FamilyFit) -> list[Finding]:
    """Rungs that lie below the rung under them, beyond their uncertainty, by the free polynomial curves."""
    curves = polynomial.curves
    if not isinstance(curves, PolynomialCurves):
        return []
    findings = []
    steps: list[tuple[str, str | None]] = [("piston-disconnected", None)] if curves.has_motor else []
    steps += [("no-load", name) for name in ladder.scope.pressures]
    for stage, cylinder in steps:
        worst = _worst_step(ladder, curves, stage, cylinder)
        if worst is not None:
            frequency, below = worst
            under = "motor-alone" if stage == "piston-disconnected" else "piston-disconnected"
            name = f"{stage} '{cylinder}'" if cylinder else stage
            text = (
                f"{name} lies {below:.2g} W below {under} at {frequency:.3g} Hz, beyond its uncertainty: "
                "a rung adds friction, so check the labels, the warm-up and the meter's range."
            )
            findings.append(Finding("order", text, None, None, -below))
    return findings


def _worst_step(
    ladder: Ladder, curves: PolynomialCurves, stage: str, cylinder: str | None
) -> tuple[float, float] | None:
    """Frequency and depth of the deepest significant dip below the rung under, or None."""
    readings = ladder.readings
    mine = (readings.stage == stage) & (readings.cylinder == (cylinder or ""))
    under = readings.stage == ("motor-alone" if stage == "piston-disconnected" else "piston-disconnected")
    low = max(readings.frequency[mine].min(), readings.frequency[under].min())
    high = min(readings.frequency[mine].max(), readings.frequency[under].max())
    if low > high:
        return None
    at = np.linspace(low, high, POINTS)
    if cylinder is None:
        step = curves.drive(at) - curves.motor(at)
    else:
        step = curves.seal(cylinder, at, np.full(POINTS, np.median(readings.mean_pressure[mine])))
    dips = [(float(f), -e.value) for f, e in zip(at, estimates(step), strict=True) if e is not None and e.high < 0]
    return max(dips, key=lambda dip: dip[1]) if dips else None


def misfit(fit: FamilyFit) -> list[Finding]:
    """One sentence where the curves miss the means of the repeats by more than chance."""
    test = fit.quality.lack_of_fit
    if test is None or test.p_value >= MISFIT:
        return []
    size = _misfit_size(fit, test)
    text = (
        f"The {fit.name} curves miss the means of the repeats by about {size:.2g} W (p = {test.p_value:.1g}): "
        "conditions changed between sweeps, or a loss follows none of the laws; the intervals allow for it."
    )
    return [Finding("lack-of-fit", text, None, None, size)]


def _misfit_size(fit: FamilyFit, test: LackOfFit) -> float:
    """Root mean square of what the curves miss, less what chance alone would leave; at the typical power. [W]"""
    residuals = (
        fit.residuals if fit.problem is None else (fit.residuals - fit.problem.sweeps.offset) / fit.problem.sigma
    )
    total = float(np.sum(residuals**2)) - test.pure_dof * test.pure_sd**2
    spare = fit.quality.n - test.pure_dof - fit.quality.parameters
    return float(np.sqrt(max(total - spare * test.chance_sd**2, 0.0) / fit.quality.n))


def overpumped(ladder: Ladder, stated: Meters, power: FloatArray) -> list[Finding]:
    """No-load readings in which the gas through the open port would take more than was read. power: (n,) [W].

    power is what the curves have to explain, the port's share taken out: not positive where the port takes all.
    """
    readings = ladder.readings
    wrong = np.flatnonzero((readings.stage == "no-load") & (power <= 0))
    if len(wrong) == 0:
        return []
    i = int(wrong[np.argmin(power[wrong])])
    pumped = float(known_load(ladder, stated)[i, 0])
    text = (
        f"{readings.where(i)}: the gas through the open port alone would take {pumped:.2g} W at "
        f"{readings.typed[i]}, more than reached the shaft ({len(wrong)} such readings): check the frequency "
        f"and, in bench.toml, open_port_diameter of '{readings.cylinder[i]}'."
    )
    return [Finding("port", text, str(readings.file[i]), int(readings.line[i]), float(power[i]))]


def idle_unknown(ladder: Ladder) -> list[Finding]:
    """A controller whose idle power neither a sweep nor the frequencies tell."""
    if not ladder.scope.idle_unknown:
        return []
    text = (
        "No standby sweep, and fewer than 3 frequencies to find the controller's idle power from: it counts as motor "
        "loss, the copper loss comes out too high and the net power too low; add a standby sweep."
    )
    return [Finding("idle", text)]


def unused_drag(ladder: Ladder) -> list[Finding]:
    """A stated pressure_friction that sweeps at several pressures overrule."""
    given = ladder.given_pressure_friction
    stated = [name for name, c in ladder.rig.cylinders.items() if c.pressure_friction is not None]
    unused = [name for name in stated if name in ladder.scope.pressures and name not in given]
    return [
        Finding(
            "drag",
            f"bench.toml, cylinders.{name}.pressure_friction: not used, since no-load sweeps at "
            f"{ladder.scope.pressures[name]} pressures across the seal tell the drag.",
        )
        for name in unused
    ]


def unused_controller(bench: Bench) -> list[Finding]:
    """A controller's efficiency where the meter sits behind it."""
    motor = bench.rig.motor
    if motor.controller_efficiency is None or motor.supply == "controller":
        return []
    text = (
        "bench.toml, motor.controller_efficiency: not used, since the meter sits on the motor's leads (supply = "
        '"terminals"), behind any controller.'
    )
    return [Finding("unused", text)]


def without_limits(rig: Rig) -> list[Finding]:
    """Numbers of bench.toml that matter to the watts and carry no limits of error, in one sentence."""
    keys = list(_known_by_digit(rig))
    if not keys:
        return []
    constants = any(key.rpartition(".")[2] in WITH_TOLERANCE for key in keys)
    wider = f", {' and '.join(WITH_TOLERANCE)} to {PERCENT * TOLERANCE:g} %, which data sheets usually allow"
    verb = "has" if len(keys) == 1 else "have"
    text = (
        f"bench.toml: {', '.join(keys)} {verb} no limits of error, so each is taken as known to its last digit and no "
        f"better{wider if constants else ''} (calipers read to 0.05 mm); state limits, such as "
        '"0.42 ohm +/- 2 %"; "+/- 0" means exact.'
    )
    return [Finding("digits", text)]


def _known_by_digit(record: Any, path: str = "") -> Iterator[str]:
    """Keys of a record, and of those in it, whose last digit alone says how well they are known."""
    for rule in keys_of(type(record)):
        held, where = getattr(record, rule.field), path + (rule.at or rule.name)
        if rule.is_family:
            for name, inner in held.items():
                yield from _known_by_digit(inner, f"{where}.{name}.")
        elif rule.record:
            yield from _known_by_digit(held, f"{where}.")
        elif isinstance(held, Quantity) and held.by_digit and _matters(rule.field, held):
            yield where


def _matters(field: str, held: Quantity) -> bool:
    return field in WITH_TOLERANCE or (field not in ASIDE and held.limit > WORTH * abs(held.value))
