"""A prediction as tables and as plain data; both say that it is one."""

from __future__ import annotations

from dataclasses import asdict
from math import degrees
from typing import Any

from driveloss.predict.ask import Prediction, Predictions
from driveloss.predict.rules import Rule
from driveloss.predict.scaling import Disagreement
from driveloss.predict.torque_margin import VERDICTS
from driveloss.predict.wanted import Wanted
from driveloss.say.flags import flag_letters
from driveloss.say.json_form import quantity
from driveloss.say.numbers import PERCENT, bar
from driveloss.say.quantities import QUANTITIES, columns, shown_parts
from driveloss.say.sheet import Item, Sheet

MILLIMETRES = 1000.0


def predict_data(answer: Predictions) -> dict[str, Any]:
    """`driveloss.predict/1`."""
    return {
        "schema": "driveloss.predict/1",
        "is_prediction": True,
        "coverage": answer.coverage,
        "cylinder": _wanted(answer.wanted) | {"scaled_from": list(answer.cylinders)},
        "rules": [asdict(rule) for rule in answer.rules],
        "rows": [_row(point) for point in answer.points],
    }


def _wanted(wanted: Wanted) -> dict[str, Any]:
    stated = {"bore": "m", "stroke": "m", "mean_pressure": "Pa", "back_pressure": "Pa", "pressure_amplitude": "Pa"}
    values = {f"{name}_{unit}": getattr(wanted, name) for name, unit in stated.items()}
    return {"like": wanted.like, "circuit": wanted.circuit} | {
        key: None if value is None else value.value for key, value in values.items()
    }


def _row(point: Prediction) -> dict[str, Any]:
    return {
        "frequency_Hz": point.frequency,
        "mean_piston_speed_m_per_s": point.mean_piston_speed,
        **point.data(),
        "peak_angle_deg": degrees(point.peak_angle),
        "verdict": point.verdict,
        "torque_cycle": [{"crank_angle_deg": degrees(a), "torque_Nm": quantity(t)} for a, t in point.cycle],
        "disagreement": {name: asdict(spread) for name, spread in point.spreads.items()},
        "flags": list(point.flags),
    }


def predict_tables(answer: Predictions) -> list[Item]:
    """What was asked, the parts of the input, what follows, what the motor must supply, a verdict and the rules."""
    points = answer.points
    return [
        _headline(answer),
        _parts_table(points),
        _outcome_table(points),
        *_torque_tables(points),
        *(f"At {p.frequency:g} Hz {VERDICTS[p.verdict]}" for p in points),
        "",
        "Rules of the prediction, and their sources:",
        tuple(_rule_line(rule, points) for rule in answer.rules),
        "",
    ]


def _headline(answer: Predictions) -> str:
    wanted, names = answer.wanted, ", ".join(repr(name) for name in answer.cylinders)
    size = f"bore {wanted.bore.value * MILLIMETRES:.4g} mm, stroke {wanted.stroke.value * MILLIMETRES:.4g} mm"
    charge = f"{bar(wanted.mean_pressure.value)} bar, {bar(wanted.back_pressure.value)} bar behind the piston"
    return f"PREDICTION, not measured: {size}, {charge}; scaled from {names}.\n"


def _parts_table(points: tuple[Prediction, ...]) -> Sheet:
    shown = shown_parts(points)
    rows = tuple((f"{p.frequency:g}", *p.cells(shown)) for p in points)
    return Sheet("Predicted parts of the input [W]", ("Hz", *(QUANTITIES[key].head for key in shown)), rows)


def _outcome_table(points: tuple[Prediction, ...]) -> Sheet:
    shown = ("efficiency_ceiling", "aftercooler_heat", "friction_heat", "cycle_work_ratio", "lip_friction")
    rows = (
        (f"{p.frequency:g}", *p.cells(shown), f"{p.mean_piston_speed:.3g}", flag_letters(p.flags, between=""))
        for p in points
    )
    title = "Predicted ceiling, heat at the aftercooler, and what they rest on"
    return Sheet(title, ("Hz", *columns(shown), "Piston [m/s]", "Flags"), tuple(rows), ("Flags",))


def _torque_tables(points: tuple[Prediction, ...]) -> list[Sheet]:
    """Torque, and current where a torque constant is known; a margin is the limit over the peak."""
    torque, current, wave = _known(points, "torque"), _known(points, "current"), ["pressure_amplitude"]
    heads = ("Hz", *columns(torque), "Peak at [deg]", *columns(wave))
    rows = ((f"{p.frequency:g}", *p.cells(torque), f"{degrees(p.peak_angle):.0f}", *p.cells(wave)) for p in points)
    tables = [Sheet("Predicted torque at the motor shaft through the cycle", heads, tuple(rows))]
    if any(p.peak_current for p in points):
        rows = ((f"{p.frequency:g}", *p.cells(current)) for p in points)
        tables.append(Sheet("Predicted motor current through the cycle", ("Hz", *columns(current)), tuple(rows)))
    return tables


def _known(points: tuple[Prediction, ...], of: str) -> list[str]:
    """What is known of torque or current at some frequency."""
    return [key for key in (f"mean_{of}", f"peak_{of}", f"peak_{of}_margin") if any(p.parts[key] for p in points)]


def _rule_line(rule: Rule, points: tuple[Prediction, ...]) -> str:
    spread = next((p.spreads[rule.spread] for p in points if rule.spread in p.spreads), None)
    words = "" if spread is None else f" {_spread_words(spread, rule)}"
    return f"{rule.step}: {rule.rule}{words} Source: {rule.source}."


def _spread_words(spread: Disagreement, rule: Rule) -> str:
    each = " for each doubling of pressure" if rule.spread == "work_by_pressure" else ""
    used = f"{spread.used * PERCENT:.0f} %{each}"
    if spread.observed is None:
        return f"Too few were measured to show how far it holds: a spread of {used} is assumed."
    return (
        f"The {spread.count} measured show a spread of {spread.observed * PERCENT:.0f} %{each}; joined with an assumed "
        f"one, {used} enters the interval."
    )
