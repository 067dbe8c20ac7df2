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
from driveloss.plan.floor import BETWEEN_SWEEPS, Cure, Floor
from driveloss.plan.prospects import Prospect
from driveloss.say.files import file_name
from driveloss.say.numbers import NOT_KNOWN, bar
from driveloss.say.sheet import Item, Sheet

HOPELESS = 100.0  # times as many readings: the curves are then determined by rounding at most
MOST_CURES = 6  # that a table shows
WITHIN_A_DIGIT = 0.475  # of the last digit: half of the 95 % interval of a rectangular error
COLUMNS = (
    "± chance shrinks with more readings (even: as many, spread evenly); ± floor (meter, motor constants, geometry, "
    "and what is assumed because bench.toml does not state it) does not. Of loaded readings take the mean. Every rung "
    "has at least one frequency more than the laws it brings, so that a law that does not hold can be seen. The sweep "
    "without load after the loaded runs, with everything still warm, tells how far the seal has changed and how far "
    "one sweep lies off another: list it behind them in bench.toml."
)


def plan_tables(plan: Plan) -> list[Item]:
    """What to measure, what it promises, and whether that is enough."""
    laws = "; ".join(f"{part}: {', '.join(laws)}" for part, laws in plan.laws.items())
    return [
        *_cures(plan),
        *_witnesses(plan),
        _readings(plan),
        _promise(plan),
        *([] if plan.wanted is None else [_wish(plan)]),
        *([] if plan.coarse_digit is None else [_digit(plan.coarse_digit)]),
        _gain(plan.gain),
        COLUMNS,
        f"Laws allowed for: {laws}.",
        *(f"Assumed: {a}." for a in plan.assumptions),
    ]


def _cures(plan: Plan) -> list[Item]:
    """What to measure before any reading, where what is assumed stands in the way, or in the way most."""
    worst = plan.worst
    cures, floor = worst.floor.cures[:MOST_CURES], worst.floor
    is_in_the_way = plan.impossible if plan.wanted is not None else floor.assumed > worst.by_chance
    if not cures or not is_in_the_way:
        return []
    heads = ("Assumed", "± alone", "± once known", "± with those above, too")
    rows = [(c.row.name, *(_two_digits(x) for x in (c.alone, c.without, c.with_those_before))) for c in cures]
    title = f"Measure first: ±{_two_digits(floor.half_width)} W {_at(worst)}, before any scatter [W]"
    how = tuple(f"{c.row.name} ({', '.join(c.keys)}): {c.row.cure}" for c in cures)
    return [Sheet(title, heads, tuple(rows), heads[:1]), how, ""]


def _witnesses(plan: Plan) -> list[Item]:
    """What a second way to the same watts would leave of the worst target."""
    if not plan.prospects:
        return []
    heads = ("Second witness", "± with it", "Hours, about", "How")
    rows = [(p.witness, _two_digits(p.half_width), f"{p.hours:g}", p.how) for p in plan.prospects]
    title = f"Or measure what is assumed: ±{_two_digits(plan.worst.floor.half_width)} W {_at(plan.worst)} [W]"
    return [Sheet(title, heads, tuple(rows), (heads[0], heads[3])), ""]


def _at(target: Target) -> str:
    return f"at {target.frequency:g} Hz ('{target.rung.cylinder}', {bar(target.rung.mean_pressure)} bar)"


def _readings(plan: Plan) -> Sheet:
    rows = []
    for points in by_sweep(plan):
        what = [f"{p.frequency:g}" + (f" × {p.count}" if p.count > 1 else "") for p in points]
        lines = [", ".join(what[i : i + 6]) for i in range(0, len(what), 6)]
        after = ("after the loaded runs",) if points[0].is_after else ()
        rows.append(("\n".join((*points[0].rung.lines, *after)), str(sum(p.count for p in points)), "\n".join(lines)))
    heads = ("Rung", "Readings", "Crank frequency [Hz] × times")
    return Sheet(f"{plan.readings} readings to take, in this order", heads, tuple(rows), (heads[0], heads[2]))


def by_sweep(plan: Plan) -> list[list[Point]]:
    """Points of each sweep, in the order to take them."""
    return [list(points) for _, points in groupby(plan.points, key=lambda p: (p.rung, p.is_after))]


def _promise(plan: Plan) -> Sheet:
    heads = ("Cylinder", "bar", "Hz", "Net [W]", "±", "± chance", "(even)", "± floor", "Largest of it")
    rows = [
        (
            str(t.rung.cylinder),
            bar(t.rung.mean_pressure),
            f"{t.frequency:g}",
            f"{t.net:.3g}",
            *(_two_digits(x) for x in (t.half_width, t.by_chance, t.evenly, t.floor.half_width)),
            next(iter(t.floor.sources), NOT_KNOWN),
        )
        for t in plan.targets
    ]
    title = "Net power at the targets: expected half-widths of the 95 % interval [W]"
    return Sheet(title, heads, tuple(rows), ("Cylinder", "Largest of it"))


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
    worst = plan.worst
    floor, no = worst.floor, f"No sensible number of readings gives ±{plan.wanted:g} W {_at(worst)}"
    reach = f"The readings above come to ±{_two_digits(max(t.half_width for t in plan.targets))} W."
    if floor.half_width < (plan.wanted or 0.0):
        return f"{no}: a single one scatters too much. {reach}"
    if floor.assumed > floor.known.half_width:
        return (
            f"{no}: assumptions alone leave ±{_two_digits(floor.assumed)} W; readings cannot bring it below that. "
            f"{_once_known(plan, floor)} {reach}"
        )
    source, size = next(iter(floor.known.sources.items()))
    return (
        f"{no}: errors common to all of them leave ±{_two_digits(floor.half_width)} W. In the way is {source} "
        f"(±{_two_digits(size)} W by itself): {ADVICE.get(source, STATE_IT)}. {reach}"
    )


def _once_known(plan: Plan, floor: Floor) -> str:
    """What measuring comes to."""
    if plan.once_known is None:
        left = f"±{_two_digits(floor.known.half_width)} W"
        return f"Were all of them known, stated limits of error would still leave {left}."
    enough = next((i for i, c in enumerate(floor.cures, 1) if c.with_those_before < (plan.wanted or 0.0)), None)
    first = f"the first {enough}" if enough and enough > 1 else "the first" if enough else "all of them"
    return (
        f"Measure {first} of the table above, state them in bench.toml and plan again: were all that is assumed known, "
        f"{plan.once_known} readings would do."
    )


def _digit(digit: float) -> str:
    return (
        f"The last digit of a power reading, {digit:g} W, is the same for all readings at one speed: however many, "
        f"they leave ±{WITHIN_A_DIGIT * digit:.2g} W there. So speeds are spread, around a loaded target too, and what "
        "they give is averaged. A meter that shows one digit more, or volts times amperes where both are read finer, "
        "would need far fewer."
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
    "meter linearity": "compare the power meter with volts times amperes on a resistor at several powers",
    BETWEEN_SWEEPS: "sweep without load once more, with the piston taken out and put back",
    "pins and guides": "measure the friction under the rod's force more accurately",
}
STATE_IT = "state it within narrower limits"


def plan_data(plan: Plan) -> dict[str, Any]:
    """`driveloss.plan/1`."""
    return {
        "schema": "driveloss.plan/1",
        "coverage": COVERAGE,
        "readings": plan.readings,
        "wanted_half_width_W": plan.wanted,
        "met": plan.met,
        "impossible": plan.impossible,
        "readings_once_all_is_known": plan.once_known,
        "coarse_digit_W": plan.coarse_digit,
        "gain_over_even": _or_null(plan.gain),
        "points": [_point(point) for point in plan.points],
        "targets": [_target(target) for target in plan.targets],
        "second_witnesses": [_prospect(one) for one in plan.prospects],
        "laws": {part: list(laws) for part, laws in plan.laws.items()},
        "assumptions": list(plan.assumptions),
    }


def _rung(rung: Rung) -> dict[str, Any]:
    return {"stage": rung.stage, "cylinder": rung.cylinder, "mean_pressure_Pa": rung.mean_pressure}


def _point(point: Point) -> dict[str, Any]:
    return {
        **_rung(point.rung),
        "after_the_loaded_runs": point.is_after,
        "frequency_Hz": point.frequency,
        "count": point.count,
    }


def _target(target: Target) -> dict[str, Any]:
    return {
        **_rung(target.rung),
        "frequency_Hz": target.frequency,
        "net_W": target.net,
        "half_width_W": target.half_width,
        "chance_half_width_W": target.by_chance,
        "evenly_spread_chance_half_width_W": _or_null(target.evenly),
        "common_half_width_W": target.floor.half_width,
        "common_sources_W": target.floor.sources,
        "assumed_half_width_W": target.floor.assumed,
        "measure_first": [_cure_data(cure) for cure in target.floor.cures],
        "limiting": target.limiting,
    }


def _prospect(one: Prospect) -> dict[str, Any]:
    return {"witness": one.witness, "half_width_W": one.half_width, "hours": one.hours, "how": one.how}


def _cure_data(cure: Cure) -> dict[str, Any]:
    return {
        "key": ", ".join(cure.keys),
        "name": cure.row.name,
        "half_width_W": cure.alone,
        "common_half_width_once_known_W": cure.without,
        "common_half_width_with_those_before_W": cure.with_those_before,
        "cure": cure.row.cure,
    }


def sheets(plan: Plan, order: str, seed: int, extra: tuple[str, ...] = ()) -> dict[str, bytes]:
    """Files to fill in, one a sweep: name to content. `order`: see ORDERS. `extra`: further empty columns' headings."""
    rng = np.random.default_rng([seed, 11])
    found: dict[str, bytes] = {}
    for points in by_sweep(plan):
        name = _file(points[0])
        while name in found:  # cylinders "a/b" and "a-b"
            name = f"other-{name}"
        found[name] = _sheet(points, order, rng, extra).encode()
    return found


def _file(point: Point) -> str:
    rung = point.rung
    if rung.cylinder is None:
        return f"{rung.stage}.csv"
    return f"{file_name(rung.cylinder)}-{rung.stage}-{bar(rung.mean_pressure)}bar{'-after' * point.is_after}.csv"


def _sheet(points: list[Point], order: str, rng: np.random.Generator, extra: tuple[str, ...]) -> str:
    rung, after = points[0].rung, ", again after the loaded runs, still warm" * points[0].is_after
    pressure = "" if rung.cylinder is None else f",{bar(rung.mean_pressure)}"
    heading = ["frequency [Hz]", "power [W]", *(["mean pressure [bar]"] if pressure else []), *extra, "note"]
    lines = [
        f"# {rung}{after}. Planned set points, {ORDERS[order]}: keep the order, and write what",
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
