"""What `driveloss plan` says: tables, sentences, plain data, and sheets to fill in."""

from __future__ import annotations

from itertools import groupby
from math import isfinite
from typing import Any

import numpy as np

from driveloss.fit.estimate import COVERAGE
from driveloss.fit.readings import Rung
from driveloss.plan import ORDERS
from driveloss.plan.ask import Plan, Point, Target
from driveloss.say.numbers import NOT_KNOWN, bar
from driveloss.say.sheet import Item, Sheet

HOPELESS = 100.0  # times as many readings: the curves are then determined by rounding at most
COLUMNS = (
    "± chance shrinks with more readings (even: as many, spread evenly); ± common (meter, motor constants, "
    "geometry) does not. Of loaded readings take the mean. Every rung has at least one frequency more than the "
    "laws it brings, so that a law that does not hold can be seen."
)


def plan_tables(plan: Plan) -> list[Item]:
    """What to measure, what it promises, and whether that is enough."""
    laws = "; ".join(f"{part}: {', '.join(laws)}" for part, laws in plan.laws.items())
    return [
        _readings(plan),
        _promise(plan),
        *([] if plan.wanted is None else [_wish(plan)]),
        _gain(plan.gain),
        COLUMNS,
        f"Laws allowed for: {laws}.",
        *(f"Assumed: {a}." for a in plan.assumptions),
    ]


def _readings(plan: Plan) -> Sheet:
    rows = []
    for rung, points in by_rung(plan):
        what = [f"{p.frequency:g}" + (f" × {p.count}" if p.count > 1 else "") for p in points]
        lines = [", ".join(what[i : i + 6]) for i in range(0, len(what), 6)]
        rows.append(("\n".join(rung.lines), str(sum(p.count for p in points)), "\n".join(lines)))
    heads = ("Rung", "Readings", "Crank frequency [Hz] × times")
    return Sheet(f"{plan.readings} readings to take", heads, tuple(rows), (heads[0], heads[2]))


def by_rung(plan: Plan) -> list[tuple[Rung, list[Point]]]:
    """Points of each rung, in the order of the ladder."""
    return [(rung, list(points)) for rung, points in groupby(plan.points, key=lambda point: point.rung)]


def _promise(plan: Plan) -> Sheet:
    heads = ("Cylinder", "bar", "Hz", "Net [W]", "±", "± chance", "(even)", "± common", "Largest common")
    rows = [
        (
            str(t.rung.cylinder),
            bar(t.rung.mean_pressure),
            f"{t.frequency:g}",
            f"{t.net:.3g}",
            *(_two_digits(x) for x in (t.half_width, t.by_chance, t.evenly, t.common.half_width)),
            next(iter(t.common.sources), NOT_KNOWN),
        )
        for t in plan.targets
    ]
    title = "Net power at the targets: expected half-widths of the 95 % interval [W]"
    return Sheet(title, heads, tuple(rows), ("Cylinder", "Largest common"))


def _two_digits(value: float) -> str:
    return f"{value:#.2g}".rstrip(".") if isfinite(value) else NOT_KNOWN


def _or_null(value: float) -> float | None:
    """An even spread of few readings may not determine the curves at all: then there is no figure."""
    return value if isfinite(value) else None


def _gain(times: float) -> str:
    if times <= 1.005:
        return "Evenly spaced readings would do as well here."
    if times > HOPELESS:  # not a number either, where they determine nothing
        return "As many readings spread evenly would not determine the curves."
    return f"Readings spread evenly would have to be {times:.2f} times as many for the same chance errors."


def _wish(plan: Plan) -> str:
    worst = max(plan.targets, key=lambda t: t.half_width)
    if plan.impossible:
        return _impossible(plan)
    if plan.met:
        return f"These readings are enough for ±{plan.wanted:g} W: expect ±{_two_digits(worst.half_width)} W at worst."
    limit = f"; {worst.limiting} is the largest part of it" if worst.limiting else ""
    return (
        f"These readings are too few for ±{plan.wanted:g} W: expect ±{_two_digits(worst.half_width)} W at "
        f"{worst.frequency:g} Hz{limit}."
    )


def _impossible(plan: Plan) -> str:
    worst = max(plan.targets, key=lambda t: t.common.half_width)
    at = f"at {worst.frequency:g} Hz ({worst.rung.cylinder}, {bar(worst.rung.mean_pressure)} bar)"
    reach = f"The readings above come to ±{_two_digits(max(t.half_width for t in plan.targets))} W."
    if not worst.common.sources:
        return f"No sensible number of readings gives ±{plan.wanted:g} W {at}: a single one scatters too much. {reach}"
    source, size = next(iter(worst.common.sources.items()))
    return (
        f"No sensible number of readings gives ±{plan.wanted:g} W {at}: errors common to all of them leave "
        f"±{_two_digits(worst.common.half_width)} W. In the way is {source} (±{_two_digits(size)} W by itself): "
        f"{ADVICE[source]}. {reach}"
    )


ADVICE = {
    "meter gain": "a more accurate power meter, or a calibration of this one, would help",
    "meter zero": "a more accurate power meter, or zeroing this one, would help",
    "motor constants": "measure winding resistance and torque constant more accurately",
    "transmission": "measure the transmission's efficiency more accurately",
    "pressure": "a more accurate pressure gauge would help",
    "seal heat share": "measure how much of the seal's heat enters the gas",
    "geometry": "measure bore, stroke and open port more accurately, or open the port wider",
    "frequency": "a more accurate frequency reading would help",
    "temperature": "a more accurate winding temperature would help",
}


def plan_data(plan: Plan) -> dict[str, Any]:
    """`driveloss.plan/1`."""
    return {
        "schema": "driveloss.plan/1",
        "coverage": COVERAGE,
        "readings": plan.readings,
        "wanted_half_width_W": plan.wanted,
        "met": plan.met,
        "impossible": plan.impossible,
        "gain_over_even": _or_null(plan.gain),
        "points": [{**_rung(p.rung), "frequency_Hz": p.frequency, "count": p.count} for p in plan.points],
        "targets": [_target(target) for target in plan.targets],
        "laws": {part: list(laws) for part, laws in plan.laws.items()},
        "assumptions": list(plan.assumptions),
    }


def _rung(rung: Rung) -> dict[str, Any]:
    return {"stage": rung.stage, "cylinder": rung.cylinder, "mean_pressure_Pa": rung.mean_pressure}


def _target(target: Target) -> dict[str, Any]:
    return {
        **_rung(target.rung),
        "frequency_Hz": target.frequency,
        "net_W": target.net,
        "half_width_W": target.half_width,
        "chance_half_width_W": target.by_chance,
        "evenly_spread_chance_half_width_W": _or_null(target.evenly),
        "common_half_width_W": target.common.half_width,
        "common_sources_W": target.common.sources,
        "limiting": target.limiting,
    }


def sheets(plan: Plan, order: str, seed: int, extra: tuple[str, ...] = ()) -> dict[str, bytes]:
    """Files to fill in, one a rung: name to content. `order`: see ORDERS. `extra`: further empty columns' headings."""
    rng = np.random.default_rng([seed, 11])
    return {_file(rung): _sheet(rung, points, order, rng, extra).encode() for rung, points in by_rung(plan)}


def _file(rung: Rung) -> str:
    if rung.cylinder is None:
        return f"{rung.stage}.csv"
    return f"{rung.cylinder.replace('/', '-')}-{rung.stage}-{bar(rung.mean_pressure)}bar.csv"


def _sheet(rung: Rung, points: list[Point], order: str, rng: np.random.Generator, extra: tuple[str, ...]) -> str:
    pressure = "" if rung.cylinder is None else f",{bar(rung.mean_pressure)}"
    heading = ["frequency [Hz]", "power [W]", *(["mean pressure [bar]"] if pressure else []), *extra, "note"]
    lines = [
        f"# {rung}. Planned set points, {ORDERS[order]}: keep the order, and write what",
        "# was read over what was planned. Let the machine warm up first and settle at every point.",
        ",".join(heading),
    ]
    tail = "," * (len(extra) + 1)
    return "\n".join([*lines, *(f"{f:g},{pressure}{tail}" for f in run_order(points, order, rng)), ""])


def run_order(points: list[Point], order: str, rng: np.random.Generator) -> list[float]:
    """Every planned frequency as often as planned: pass after pass up and down, or shuffled. [Hz]"""
    if order == "random":
        return [float(f) for f in rng.permutation([p.frequency for p in points for _ in range(p.count)])]
    passes = [[p.frequency for p in points if p.count > n] for n in range(max(p.count for p in points))]
    return [f for n, one in enumerate(passes) for f in (one if n % 2 == 0 else one[::-1])]
