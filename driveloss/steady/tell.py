"""Steady readings as tables for people, and plain data for scripts."""

from __future__ import annotations

from typing import Any

from driveloss.fit.estimate import Estimate
from driveloss.say.json_form import quantity
from driveloss.say.numbers import HALF_WIDTHS, NOT_KNOWN, PERCENT, ZERO_CELSIUS, bar, decimals, plus_minus
from driveloss.say.sheet import Item, Sheet
from driveloss.steady.ask import ENDS, OTHERS, Reading, Steady
from driveloss.steady.plateaus import Rejected
from driveloss.steady.settling import SEEN, WITHIN, Settled

MINUTE = 60.0  # [s]


def steady_tables(answer: Steady) -> list[Item]:
    """The readings, their ends' temperatures, and the stretches that give none."""
    items: list[Item] = [_readings(answer)] if answer.readings else []
    if any(reading.ends for reading in answer.readings):
        items += [_ends(answer), *settling_lines(answer)]
    if answer.rejected:
        items.append(_rejected(answer))
    return [*items, *steady_lines(answer)]


def _several(answer: Steady) -> bool:
    return len(answer.logs) > 1


def _from_to(start: float, end: float) -> str:
    """Minutes from and to.

    >>> _from_to(90.0, 600.0)
    '1.5–10.0'
    """
    return f"{start / MINUTE:.1f}–{end / MINUTE:.1f}"


def _readings(answer: Steady) -> Sheet:
    names = [name for name in ("mean_pressure", "winding") if any(name in r.means for r in answer.readings)]
    heads = {"mean_pressure": "bar", "winding": "Winding °C"}
    rows = []
    for number, r in enumerate(answer.readings, 1):
        drift = f"{PERCENT * r.drift:+.2f} ±{PERCENT * r.drift_error:.2f}"
        place = (r.file,) if _several(answer) else ()
        power, counts = plus_minus(r.power), (f"{r.effective:.0f}", str(r.readings))
        first = (str(number), *place, _from_to(r.start, r.end), f"{r.frequency:.3f}")
        rows.append((*first, power, drift, *counts, *(_mean(r, name) for name in names)))
    file = ("File",) if _several(answer) else ()
    columns = ("No.", *file, "Minutes", "Hz", "Power [W]", "Drift [%]", "Indep.", "of", *(heads[n] for n in names))
    return Sheet("Steady readings", columns, tuple(rows), left=("File", "Minutes"), keys=("Minutes",))


def _mean(r: Reading, name: str) -> str:
    if name not in r.means:
        return NOT_KNOWN
    return bar(r.means[name]) if name == "mean_pressure" else f"{r.means[name] - ZERO_CELSIUS:.1f}"


def _ends(answer: Steady) -> Sheet:
    rows = []
    for number, r in enumerate(answer.readings, 1):
        for name, end in r.ends.items():
            wait = NOT_KNOWN if end.wait is None else f"{end.wait / MINUTE:.0f}"
            words = name.replace("_", " ")
            rows.append((str(number), words, f"{end.last - ZERO_CELSIUS:.1f}", _settled(end), end.how, wait))
    heads = ("No.", "End", "Read °C", "Settled °C", "How", f"Wait [min] to {WITHIN:g} K")
    return Sheet("Temperatures of the ends, as last read and as they would settle", heads, tuple(rows), ("End", "How"))


def _celsius(temperature: Estimate) -> str:
    """In hundredths at most: no thermometer tells more.

    >>> _celsius(Estimate(263.15, 0.001, 263.148, 263.152)), _celsius(Estimate(263.15, 1.0, 261.15, 265.15))
    ('-10.00 ±0.01', '-10.0 ±2.0')
    """
    places = min(decimals(temperature.half_width), 2)
    return f"{temperature.value - ZERO_CELSIUS:.{places}f} ±{max(temperature.half_width, 0.01):.{places}f}"


def _settled(end: Settled) -> str:
    if end.value is not None:
        return _celsius(end.value)
    return f"{end.side} {end.last - ZERO_CELSIUS:.1f}, {end.rate * MINUTE:+.2f} K/min"


def settled_words(end: Settled) -> str:
    """An end's settled temperature in a few words.

    >>> settled_words(Settled(220.0, -0.01, None, "not settled", (), None))
    'settles below -53.1 degC, still falling 0.60 K/min'
    """
    if end.value is None:
        moving = "falling" if end.rate < 0 else "rising"
        rate = f"still {moving} {abs(end.rate) * MINUTE:.2f} K/min"
        return f"settles {end.side} {end.last - ZERO_CELSIUS:.1f} degC, {rate}"
    read = f"read {end.last - ZERO_CELSIUS:.1f} degC"
    how = "settles by extrapolation at" if end.how == "extrapolated" else "settled at"
    return f"{read}, {how} {_celsius(end.value)} degC"


def settling_lines(answer: Steady) -> list[str]:
    """Time constants found, and how long to record where none was."""
    lines = []
    for name in ENDS:
        told = [r.ends[name] for r in answer.readings if name in r.ends]
        if not told:
            continue
        words, taus = name.replace("_", " ").capitalize(), told[0].time_constants
        if taus:
            minutes = " and ".join(f"{tau / MINUTE:.3g} min" for tau in taus)
            bodies = "time constants, as of two bodies" if len(taus) > 1 else "time constant"
            lines.append(f"{words}: {bodies}, {minutes}, shared by all plateaus.")
            waits = [end.wait for end in told if end.wait]
            if waits:
                lines.append(f"{words}: to be within {WITHIN:g} K, wait another {max(waits) / MINUTE:.0f} min.")
        elif any(end.value is None for end in told):
            lines.append(
                f"{words}: no stretch at one setting shows {SEEN:g} time constants, so where it settles is not known: "
                "record one setting until it hardly moves, or the cool-down after it, or state --time-constant."
            )
    return [*lines, "Settled ± holds noise and extrapolation; the thermometers' limits are those of bench.toml."]


def _rejected(answer: Steady) -> Sheet:
    """Each with its reason; the changes of setting of a log in one row."""
    rows = []
    for log in answer.logs:
        place = (log.file,) if _several(answer) else ()
        mine = [one for one in answer.rejected if one.stretch.log is log]
        told = [one for one in mine if not one.is_change]
        rows += [(*place, _from_to(one.stretch.start, one.stretch.end), one.reason) for one in told]
        changes = [one.stretch.duration for one in mine if one.is_change]
        if changes:
            words = f"changes of speed or supply: {len(changes)}, {sum(changes):.0f} s in all"
            rows.append((*place, "", words))
    heads = (*(("File",) if _several(answer) else ()), "Minutes", "Why")
    return Sheet("Stretches that give no reading", heads, tuple(rows), left=heads, keys=("Minutes",))


def steady_lines(answer: Steady) -> list[str]:
    """What the numbers mean."""
    if not answer.readings:
        return []
    terms = answer.terms
    lines = [
        f"Steady: power and speed change by less than {PERCENT * terms.drift:g} % from a plateau's first reading to "
        "its last, by two one-sided tests at 5 %; Drift ± is their 90 % interval. Indep.: independent readings that "
        f"would tell the mean as well, were none like the one before. {HALF_WIDTHS}"
    ]
    slow = [str(i) for i, r in enumerate(answer.readings, 1) if r.wanders]
    if slow:
        lines.append(f"Slow wander in reading {', '.join(slow)}: its ± is what a tenth of the plateau differs by.")
    return lines


def steady_data(answer: Steady) -> dict[str, Any]:
    """`driveloss.steady/1`."""
    return {
        "schema": "driveloss.steady/1",
        "coverage": answer.coverage,
        "drift_limit": answer.terms.drift,
        "shortest_s": answer.terms.shortest,
        "logs": [
            {"file": log.file, "readings": log.readings, "interval_s": log.interval, "began": log.began or None}
            for log in answer.logs
        ],
        "rows": [_row(r) for r in answer.readings],
        "rejected": [_rejected_row(one) for one in answer.rejected],
        "notices": list(answer.notices),
    }


def _row(r: Reading) -> dict[str, Any]:
    ends = {f"{name}_{key}": value for name, end in r.ends.items() for key, value in _end(end).items()}
    return {
        "file": r.file,
        "start_s": r.start,
        "end_s": r.end,
        "frequency_Hz": r.frequency,
        "power_W": quantity(r.power),
        "scatter_W": r.scatter,
        "readings": r.readings,
        "effective_readings": r.effective,
        "drift": quantity(_drift(r)),
        "together": r.together,
        "passes_screen": r.screened,
        "slow_wander": r.wanders,
        **{f"{name}_{OTHERS[name]}": value for name, value in r.means.items()},
        **ends,
    }


def _drift(r: Reading) -> Estimate:
    """The drift with its 95 % interval; what was tested is that of 90 %."""
    from scipy.special import ndtri

    u = r.drift_error / float(ndtri(0.95))
    half = u * float(ndtri(0.975))
    return Estimate(r.drift, u, r.drift - half, r.drift + half)


def _end(end: Settled) -> dict[str, Any]:
    return {
        "as_read_K": end.last,
        "settled_K": quantity(end.value),
        "settles": end.side if end.value is None else None,
        "how": end.how,
        "rate_K_per_s": end.rate,
        "time_constants_s": list(end.time_constants),
        "wait_s": end.wait,
    }


def _rejected_row(one: Rejected) -> dict[str, Any]:
    stretch = one.stretch
    return {"file": stretch.log.file, "start_s": stretch.start, "end_s": stretch.end, "reason": one.reason}
