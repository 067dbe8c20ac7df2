"""What `driveloss recheck` says: tables, sentences and plain data."""

from __future__ import annotations

from typing import Any

from driveloss.fit.estimate import Estimate
from driveloss.fit.readings import Rung
from driveloss.recheck.ask import POWER, Change, Recheck
from driveloss.say.json_form import quantity
from driveloss.say.numbers import NOT_KNOWN, PERCENT, plus_minus
from driveloss.say.sheet import Item, Sheet

HEADS = ("Rung", "Readings", "Hz", "Before", "Change", "If ∝ f", "Chance [%]", "Verdict")
VERDICTS = {
    True: "The calibration is still valid as far as these readings go.",
    False: "The machine has changed: calibrate the bench again before the numbers are used.",
    None: "These readings cannot tell whether the calibration is still valid.",
}


def recheck_tables(answer: Recheck) -> list[Item]:
    """Rungs, the parts that they tell apart, a sentence for each part, and the verdict on the whole."""
    where = "power at the motor's shaft" if answer.calibration.route.is_known else "input power less idle"
    rows = tuple(_row(change, f"{change.power:.2f}") for change in answer.rungs)
    tables: list[Item] = [Sheet(f"Rungs measured anew, {where} [W]", HEADS, rows, ("Rung", "Verdict"))]
    if [part.change for part in answer.parts] != [rung.change for rung in answer.rungs]:
        heads = ("Part", *(head for head in HEADS[1:] if head != "Before"))
        parts = tuple(_row(change) for change in answer.parts)
        tables.append(Sheet("What changed between the rungs [W]", heads, parts, ("Part", "Verdict")))
    sentences = (sentence(change) for change in answer.parts)
    return [*tables, *sentences, "", VERDICTS[answer.still_valid], _how(answer)]


def _row(change: Change, *before: str) -> tuple[str, ...]:
    place = "\n".join(_place(change).lines)
    return (
        place.replace("piston-disconnected", "piston-\ndisconnected"),  # the one stage too long for its column
        str(change.readings),
        f"{change.frequency:.3g}" if change.frequency else NOT_KNOWN,
        *before,
        signed(change.change),
        signed(change.proportional),
        _chance(change.p_value),
        change.verdict,
    )


def _chance(p_value: float) -> str:
    return "< 0.1" if p_value < 1e-3 else f"{p_value * PERCENT:.2g}" if p_value < 0.995 else "100"


def _place(change: Change) -> Rung:
    """Of what, as rungs are called."""
    return Rung(change.name, change.cylinder, change.mean_pressure)


def sentence(change: Change) -> str:
    """The verdict on one part in words."""
    name = str(_place(change))
    at = f" at {change.frequency:.3g} Hz" if change.frequency else ""
    size = f"{signed(change.change)} W{at}"
    if change.verdict == "changed":
        little = "" if change.matters else f", less than the {change.worth:.2g} W that would matter"
        return f"{name}: changed by {size}{little}."
    if change.verdict == "unchanged":
        most = max(abs(change.change.low), abs(change.change.high))
        return f"{name}: as calibrated; a change, if any, is below {most:.2g} W ({change.worth:.2g} W would matter)."
    return f"{name}: too few readings to tell ({size}; {change.worth:.2g} W would matter). {_advice(change)}"


def signed(estimate: Estimate | None) -> str:
    """A difference with its sign and half-width."""
    text = plus_minus(estimate)
    return text if text.startswith(("-", NOT_KNOWN)) else f"+{text}"


def _advice(change: Change) -> str:
    if change.readings_needed is None:
        return (
            f"More readings would not do: the calibration is not known well enough there; a change of "
            f"{change.smallest_seen:.2g} W would be found."
        )
    return f"About {change.readings_needed} readings on each of its rungs would do."


def _how(answer: Recheck) -> str:
    return (
        f"Intervals are {answer.coverage * PERCENT:.0f} %. Chance: of so large a change anywhere above if nothing had "
        f"changed; below {answer.false_alarm * PERCENT:g} % it counts as a change, so that in all the tests together "
        f"the rate of false alarms is {answer.false_alarm * PERCENT:g} %. The same meters, warm-up and lubrication are "
        "assumed."
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
        "notes": list(answer.notes),
    }


def _change(change: Change) -> dict[str, Any]:
    return {
        "cylinder": change.cylinder,
        "mean_pressure_Pa": change.mean_pressure,
        "readings": change.readings,
        "frequency_Hz": change.frequency,
        "rung_power_W": change.power,
        "change_W": quantity(change.change),
        "proportional_change_W": quantity(change.proportional),
        "p_value": change.p_value,
        "worth_W": change.worth,
        "smallest_seen_W": change.smallest_seen,
        "readings_needed": change.readings_needed,
        "verdict": change.verdict,
        "matters": change.matters,
    }
