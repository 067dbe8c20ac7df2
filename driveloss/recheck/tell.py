"""What `driveloss recheck` says: tables, sentences and plain data."""

from __future__ import annotations

from typing import Any

from driveloss.fit.estimate import Estimate
from driveloss.fit.readings import Rung
from driveloss.recheck.ask import POWER, Change, Recheck
from driveloss.recheck.net import OPEN, NetChange, unmeasured
from driveloss.say.json_form import quantity
from driveloss.say.numbers import NOT_KNOWN, PERCENT, decimals, plus_minus
from driveloss.say.sheet import Item, Sheet

RUNGS = ("Rung", "Readings", "Hz", "Before", "Change", "Net power", "Tolerated")
PARTS = ("Part", "Hz", "Change", "Net power", "Chance [%]", "Plain test")
VERDICTS = {
    True: "The calibration is still valid.",
    False: "The calibration is no longer valid: calibrate the bench again before the numbers are used.",
    None: "Whether the calibration is still valid cannot be told from these readings.",
}


def recheck_tables(answer: Recheck) -> list[Item]:
    """Rungs, the parts that they tell apart, a sentence for each rung on net power, the plain test, the verdict."""
    where = "power at the motor's shaft" if answer.calibration.route.is_known else "input power less standby"
    rungs = tuple(_rung_row(rung, answer) for rung in answer.rungs)
    tables: list[Item] = [Sheet(f"Rungs measured anew, {where} [W]", RUNGS, rungs, ("Rung",))]
    if [part.change for part in answer.parts] != [rung.change for rung in answer.rungs]:
        parts = tuple(map(_part_row, answer.parts))
        tables.append(Sheet("What changed between the rungs [W]", PARTS, parts, ("Part", "Plain test")))
    sentences = [*map(sentence, answer.nets), _plain_test(answer), *_not_measured(answer)]
    return [*tables, _how(answer), "", *sentences, "", VERDICTS[answer.still_valid]]


def _rung_row(rung: Change, answer: Recheck) -> tuple[str, ...]:
    tolerated = {net.rung: _watts(net.tolerance) for net in answer.nets}.get(_place(rung), NOT_KNOWN)
    numbers = str(rung.readings), _hertz(rung), f"{rung.power:.2f}", signed(rung.change), signed(rung.net)
    return _name(rung), *numbers, tolerated


def _part_row(part: Change) -> tuple[str, ...]:
    return _name(part), _hertz(part), signed(part.change), signed(part.net), _chance(part.p_value), part.verdict


def _name(change: Change) -> str:
    """What was measured anew, one thing a line."""
    return "\n".join(_place(change).lines)


def _watts(power: float) -> str:
    return f"{power:.{decimals(power)}f}"


def _hertz(change: Change) -> str:
    return f"{change.frequency:.3g}" if change.frequency else NOT_KNOWN


def _chance(p_value: float) -> str:
    return "< 0.1" if p_value < 1e-3 else f"{p_value * PERCENT:.2g}" if p_value < 0.995 else "100"


def _place(change: Change) -> Rung:
    """Of what, as rungs are called."""
    return Rung(change.name, change.cylinder, change.mean_pressure)


def sentence(net: NetChange) -> str:
    """The verdict on one rung in words."""
    at = f" at {net.frequency:.3g} Hz" if net.frequency else ""
    moved = f"net power moves by {signed(net.change)} W{at}, {_watts(net.tolerance)} W tolerated"
    return f"{net.rung}: {net.verdict}; {moved}.{_advice(net)}"


def _advice(net: NetChange) -> str:
    if net.verdict != OPEN:
        return ""
    if net.more_readings is None:
        return " More readings would not tell: calibrate again, or tolerate more (--tolerance)."
    return f" Measure about {net.more_readings} more reading{'s' if net.more_readings > 1 else ''}."


def _plain_test(answer: Recheck) -> str:
    """Which parts have changed, whether that matters or not."""
    changed = [c for c in answer.parts if c.verdict == "changed"]
    changed = changed or [c for c in answer.rungs if c.verdict == "changed"]
    if not changed:
        return f"Plain test: no change shows; {_chance(_least(answer))} % of rechecks show as much by chance."
    return f"Plain test: {'; '.join(map(_changed, changed))}."


def _least(answer: Recheck) -> float:
    return min(change.p_value for change in answer.changes)


def _changed(change: Change) -> str:
    at = f" at {_hertz(change)} Hz" if change.frequency else ""
    return f"{_place(change)} changed by {signed(change.change)} W{at} (by chance {_chance(change.p_value)} %)"


def _not_measured(answer: Recheck) -> list[str]:
    """A sentence on the pistons whose verdict takes their seals for unchanged."""
    names = unmeasured(answer.calibration, (net.rung for net in answer.nets))
    return [f"Not measured again: the seal of {', '.join(map(repr, names))}."] if names else []


def signed(estimate: Estimate | None) -> str:
    """A difference with its sign and half-width."""
    text = plus_minus(estimate)
    return text if text.startswith(("-", NOT_KNOWN)) else f"+{text}"


def _how(answer: Recheck) -> str:
    return (
        f"± is half of the {answer.coverage * PERCENT:.0f} % interval. Net power: what the change at the shaft does to "
        "it. Tolerated unless stated: what the calibration and one reading's scatter leave open. Chance: of so large a "
        f"change anywhere here if nothing has changed; one is called so below {answer.false_alarm * PERCENT:g} %. "
        "Meters, warm-up and lubrication are taken as before."
    )


def recheck_data(answer: Recheck) -> dict[str, Any]:
    """`driveloss.recheck/1`."""
    return {
        "schema": "driveloss.recheck/1",
        "coverage": answer.coverage,
        "false_alarm": answer.false_alarm,
        "power": POWER,
        "still_valid": answer.still_valid,
        "rungs": [{"stage": change.name, **_change(change)} for change in answer.rungs],
        "parts": [{"part": change.name, **_change(change)} for change in answer.parts],
        "nets": [_net(net) for net in answer.nets],
        "notes": list(answer.notes),
    }


def _net(net: NetChange) -> dict[str, Any]:
    return {
        "stage": net.rung.stage,
        "cylinder": net.rung.cylinder,
        "mean_pressure_Pa": net.rung.mean_pressure,
        "frequency_Hz": net.frequency,
        "net_change_W": quantity(net.change),
        "tolerance_W": net.tolerance,
        "more_readings": net.more_readings,
        "verdict": net.verdict,
    }


def _change(change: Change) -> dict[str, Any]:
    return {
        "cylinder": change.cylinder,
        "mean_pressure_Pa": change.mean_pressure,
        "readings": change.readings,
        "frequency_Hz": change.frequency,
        "rung_power_W": change.power,
        "change_W": quantity(change.change),
        "net_change_W": quantity(change.net),
        "proportional_change_W": quantity(change.proportional),
        "p_value": change.p_value,
        "worth_W": change.worth,
        "smallest_seen_W": change.smallest_seen,
        "readings_needed": change.readings_needed,
        "verdict": change.verdict,
        "matters": change.matters,
    }
