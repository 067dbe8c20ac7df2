"""A prediction as tables and as plain data; both say that it is one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from math import degrees
from typing import Any

from driveloss.fit.contributions import SCATTER
from driveloss.predict.ask import Prediction, Predictions
from driveloss.predict.rules import Rule
from driveloss.predict.scaling import Disagreement
from driveloss.predict.torque_margin import VERDICTS
from driveloss.predict.wanted import Wanted
from driveloss.say.flags import flag_letters
from driveloss.say.json_form import quantity
from driveloss.say.numbers import HALF_WIDTHS, PERCENT, bar
from driveloss.say.quantities import QUANTITIES, columns, shown_parts
from driveloss.say.sheet import Item, Sheet

MILLIMETRES = 1000.0
TWO_SIGMA = 1.96  # half of a 95 % interval in standard deviations, normal
DOUBTS = {  # what a rule leaves open, and the cure
    "cycle_work_ratio": ("work at another swept volume", "run it loaded"),
    "work_by_pressure": ("work at another pressure", "run a measured cylinder at that pressure"),
}
MARGINS = {  # a verdict in short
    "can drive": "the motor can drive it",
    "peak too high": "the mean is within its limits, the peak is not",
    "stalls": "the motor stalls",
    "cannot be told": "whether it can is not to be told",
    "no limit given": "no limit stated",
}
CHANCE = ("scatter of the readings", "repeat readings")  # and no rule more than that
MORE = "--rules tells by which rules, --all every number with them."


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
    """What was asked, and five lines of answer for each frequency."""
    return [*_answer(answer), HALF_WIDTHS, MORE]


def predict_everything(answer: Predictions) -> list[Item]:
    """The same, the parts of the input, what follows, what the motor must supply, and the rules."""
    points = answer.points
    return [
        *_answer(answer),
        "",
        _parts_table(points),
        _outcome_table(points),
        *_torque_tables(points),
        *(f"At {p.frequency:g} Hz {VERDICTS[p.verdict]}" for p in points),
        *rule_items(answer),
        HALF_WIDTHS,
    ]


def rule_items(answer: Predictions) -> list[Item]:
    """By which rules, and where those come from."""
    return [
        "",
        "Rules of the prediction, and their sources:",
        tuple(_rule_line(rule, answer.points) for rule in answer.rules),
    ]


def _answer(answer: Predictions) -> list[Item]:
    """What was asked, and five lines for each frequency."""
    calibration = answer.calibration
    cures = {row.name: row.cure for _, row in calibration.meters.assumptions(calibration.rig)}
    return [_headline(answer), *(item for point in answer.points for item in _five_lines(point, cures))]


def _five_lines(point: Prediction, cures: Mapping[str, str]) -> list[Item]:
    """Input, net power, heat, the motor's margin and the main doubt."""
    cell = {key: QUANTITIES[key].cell(found) for key, found in point.parts.items()}
    told = (
        f"Input: {cell['input']} W",
        f"Net: {cell['pneumatic']} W, ceiling {cell['efficiency_ceiling']} %",
        f"Heat: {cell['aftercooler_heat']} W at the aftercooler, {cell['friction_heat']} W of it by friction",
        f"Torque: {_torque_words(point, cell)}",
        f"Doubt: {_doubt_words(point, cures)}",
    )
    return [f"At {point.frequency:g} Hz:", told]


def _torque_words(point: Prediction, cell: dict[str, str]) -> str:
    """Peak and mean at the motor's shaft, and how far the motor's limits are."""
    margins = [
        f", {kind} limit over peak {cell[f'peak_{kind}_margin']}"
        for kind in ("torque", "current")
        if point.parts[f"peak_{kind}_margin"]
    ]
    return f"peak {cell['peak_torque']} N m, mean {cell['mean_torque']} N m{''.join(margins)}; {MARGINS[point.verdict]}"


def _doubt_words(point: Prediction, cures: Mapping[str, str]) -> str:
    """What leaves most of the net power open, by how much alone, and the cure; cures: of what is assumed, by name."""
    half_widths = point.pneumatic.components()
    chance = half_widths.pop(SCATTER, 0.0)  # the rules' spreads with it
    doubts = {DOUBTS[key]: TWO_SIGMA * share * abs(point.pneumatic.value) for key, share in point.doubts.items()}
    common = {(name, cures.get(name, "state it within narrower limits")): watts for name, watts in half_widths.items()}
    every = common | (doubts or {CHANCE: chance})
    (what, cure), most = max(every.items(), key=lambda pair: pair[1])
    return f"{what}, ±{most:.2g} W of net alone; cure: {cure}"


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
