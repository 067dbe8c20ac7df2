"""A prediction as tables and as plain data; both say that it is one."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict
from math import degrees
from typing import Any

from driveloss.breakdown.tell import RUN_KEYS
from driveloss.predict.ask import Answer, Prediction, Wanted
from driveloss.predict.rules import ALL_FLAGS, Rule
from driveloss.predict.scaling import Disagreement
from driveloss.predict.torque_margin import VERDICTS
from driveloss.say.json_form import quantity
from driveloss.say.numbers import PASCAL_PER_BAR, bar, plus_minus
from driveloss.say.sheet import Sheet

PERCENT, MILLIMETRES = 100.0, 1000.0
TEMPERATURES = ("cooling_ceiling", "hot_end", "thermal_resistance", "below_ambient", "hot_to_cold")  # not predicted
KEYS = {
    **{name: key for name, key in RUN_KEYS.items() if name not in TEMPERATURES},
    "seal_force": "seal_force_N",
    "lip_friction": "lip_friction_N_per_m",
    "pressure_amplitude": "pressure_amplitude_Pa",
    "least_pressure_amplitude": "least_pressure_amplitude_Pa",
    "mean_torque": "mean_torque_Nm",
    "peak_torque": "peak_torque_Nm",
    "mean_current": "mean_current_A",
    "peak_current": "peak_current_A",
    "mean_torque_margin": "mean_torque_margin",
    "peak_torque_margin": "peak_torque_margin",
    "mean_current_margin": "mean_current_margin",
    "peak_current_margin": "peak_current_margin",
}


def predict_data(answer: Answer) -> dict[str, Any]:
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
    return {"like": wanted.like} | {key: None if value is None else value.value for key, value in values.items()}


def _row(point: Prediction) -> dict[str, Any]:
    return {
        "frequency_Hz": point.frequency,
        "mean_piston_speed_m_per_s": point.mean_piston_speed,
        **{key: quantity(point[name]) for name, key in KEYS.items()},
        "peak_angle_deg": degrees(point.peak_angle),
        "verdict": point.verdict,
        "torque_cycle": [{"crank_angle_deg": degrees(a), "torque_Nm": quantity(t)} for a, t in point.cycle],
        "disagreement": {name: asdict(spread) for name, spread in point.spreads.items()},
        "flags": list(point.flags),
    }


def predict_tables(answer: Answer) -> list[Sheet | str]:
    """What was asked, the parts of the input, what follows, what the motor must supply, a verdict and the rules."""
    points = answer.points
    verdicts = [f"At {p.frequency:g} Hz {VERDICTS[p.verdict]}" for p in points]
    tables: list[Sheet | str] = [
        _headline(answer),
        _parts_table(points),
        _outcome_table(points),
        *_torque_tables(points),
        *verdicts,
        "",
        "Rules of the prediction, and their sources:",
        *(f"- {_rule_line(rule, points)}" for rule in answer.rules),
        "",
    ]
    return tables


def _headline(answer: Answer) -> str:
    wanted, names = answer.wanted, ", ".join(repr(name) for name in answer.cylinders)
    size = f"bore {wanted.bore.value * MILLIMETRES:.4g} mm, stroke {wanted.stroke.value * MILLIMETRES:.4g} mm"
    charge = f"{bar(wanted.mean_pressure.value)} bar, {bar(wanted.back_pressure.value)} bar behind the piston"
    return f"PREDICTION, not measured: {size}, {charge}; scaled from {names}.\n"


def _parts_table(points: tuple[Prediction, ...]) -> Sheet:
    names = {"input": "Input", "standby": "Idle", "motor": "Motor", "linkage": "Linkage", "drive": "Drive"}
    names |= {"transmission": "Transm.", "seal": "Seal", "pneumatic": "Net"}
    hidden = {"drive"} if any(p["motor"] for p in points) else {"motor", "linkage"}
    hidden |= {n for n in ("standby", "transmission") if not any(e and e.value for e in (p[n] for p in points))}
    shown = [name for name in names if name not in hidden]
    rows = tuple((f"{p.frequency:g}", *(plus_minus(p[name]) for name in shown)) for p in points)
    return Sheet("Predicted parts of the input [W]", ("Hz", *(names[name] for name in shown)), rows)


def _outcome_table(points: tuple[Prediction, ...]) -> Sheet:
    heads = ("Hz", "Ceiling [%]", "Heat [W]", "of it friction", "Work ratio", "Seal [N/m lip]", "Piston [m/s]", "Flags")
    rows = (
        (
            f"{p.frequency:g}",
            plus_minus(p["efficiency_ceiling"], PERCENT),
            plus_minus(p["aftercooler_heat"]),
            plus_minus(p["friction_heat"]),
            plus_minus(p["cycle_work_ratio"]),
            plus_minus(p["lip_friction"]),
            f"{p.mean_piston_speed:.3g}",
            _letters(p.flags),
        )
        for p in points
    )
    return Sheet("Predicted ceiling, heat at the aftercooler, and what they rest on", heads, tuple(rows), ("Flags",))


def _torque_tables(points: tuple[Prediction, ...]) -> list[Sheet | str]:
    """Torque, and current where a torque constant is known; a margin is the limit over the peak."""
    torque = {"Mean [N m]": "mean_torque", "Peak [N m]": "peak_torque", "Limit/peak": "peak_torque_margin"}
    current = {"Mean [A]": "mean_current", "Peak [A]": "peak_current", "Limit/peak": "peak_current_margin"}
    wave = {"Pressure wave [bar]": lambda p: plus_minus(p["pressure_amplitude"], 1 / PASCAL_PER_BAR)}
    angle = {"Peak at [deg]": lambda p: f"{degrees(p.peak_angle):.0f}"}
    tables = [_demand_table("Predicted torque at the motor shaft through the cycle", points, torque, angle | wave)]
    if any(p["peak_current"] for p in points):
        tables.append(_demand_table("Predicted motor current through the cycle", points, current, {}))
    return list(tables)


def _demand_table(
    title: str,
    points: tuple[Prediction, ...],
    names: dict[str, str],
    more: dict[str, Callable[[Prediction], str]],
) -> Sheet:
    shown = {head: name for head, name in names.items() if any(p[name] for p in points)}
    rows = (
        (f"{p.frequency:g}", *(plus_minus(p[name]) for name in shown.values()), *(cell(p) for cell in more.values()))
        for p in points
    )
    return Sheet(title, ("Hz", *shown, *more), tuple(rows))


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


def _letters(flags: Iterable[str]) -> str:
    order = list(ALL_FLAGS)
    return "".join(chr(ord("a") + order.index(code)) for code in flags)


def prediction_flag_lines(flags: Iterable[str]) -> list[str]:
    """A lettered sentence for each flag that occurs, with the direction of its bias."""
    order = list(ALL_FLAGS)
    found = (ALL_FLAGS[code] for code in sorted(set(flags), key=order.index))
    return [f"{_letters([flag.code])}  {flag.code}: {flag.meaning} Bias: {flag.bias}" for flag in found]
