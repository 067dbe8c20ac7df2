"""The top of the page: one sentence on the best run, and its numbers with what bounds them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import hypot

from driveloss.breakdown.ask import Breakdown, Run
from driveloss.breakdown.budget import SEEN, is_assumed
from driveloss.say.flags import flag_letters
from driveloss.say.numbers import PERCENT, bar, hertz, plus_minus, watts
from driveloss.say.quantities import PARTS, QUANTITIES
from driveloss.whatif.ask import Gain, Gains

LARGE = {
    "input": "Input",
    "pneumatic": "Net pneumatic power",
    "efficiency_ceiling": "Efficiency ceiling",
    "aftercooler_heat": "Aftercooler heat",
}


@dataclass(frozen=True)
class Number:
    """One that is set large: what it is, value with half-width and unit, and what bounds or carries it."""

    name: str
    text: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Opening:
    """What the page begins with."""

    sentence: str
    numbers: tuple[Number, ...]
    flags: str  # of that run, or ""


def opening(answer: Breakdown, gains: Gains) -> Opening:
    """Where the input of the best run goes, what limits it, what to change first."""
    run = answer.runs[answer.best_run]
    flags = f"Flags {flag_letters(run.flags)}" if run.flags else ""
    place = f"In the best run, {run.cylinder} at {bar(run.mean_pressure)} bar and {hertz(run.frequency)} Hz"
    sentence = f"{place}, {_net(run)}; {_largest_loss(run)}; {_first(gains)}."
    return Opening(sentence, tuple(_numbers(answer, run)), flags)


def _net(run: Run) -> str:
    most = f" (at most {plus_minus(run.at_most)} W)" if run.at_most else ""
    if run.pneumatic.value < 0:
        return f"nothing of {plus_minus(run.input)} W reaches the gas: net power is {plus_minus(run.pneumatic)} W{most}"
    return f"{plus_minus(run.pneumatic)} W{most} of {plus_minus(run.input)} W reach the gas"


def _largest_loss(run: Run) -> str:
    """The part that takes most; motor and linkage as one where they cannot be told apart."""
    hidden = {"pneumatic", "drive" if run.motor else ""}
    losses = {name: part for name in PARTS if name not in hidden and (part := run.parts[name])}
    largest = max(losses, key=lambda name: losses[name].value)
    return f"what takes most is {QUANTITIES[largest].words}, {plus_minus(losses[largest])} W"


def _first(gains: Gains) -> str:
    """The change that gains most, and what to think of it."""
    if not gains.gains or gains.gains[0].net_gain.value <= 0:
        return "none of the plain changes would gain anything"
    gain = gains.gains[0]
    doubts = "".join(f", {doubt}" for doubt in _doubts(gain))
    return f"what would gain most is '{gain.change}', {plus_minus(gain.net_gain)} W at the same input{doubts}"


def _doubts(gain: Gain) -> Iterator[str]:
    if gain.net_gain.low <= 0:
        yield "which may be nothing"
    if gain.rests_on:
        yield f"as far as what is assumed of {gain.rests_on} holds"


def _numbers(answer: Breakdown, run: Run) -> Iterator[Number]:
    notes = {"pneumatic": [], "efficiency_ceiling": []} if run.at_most is None else _bounds(run, run.at_most.value)
    assumed = _assumed(answer)
    if assumed > SEEN * run.pneumatic.half_width:
        notes["pneumatic"].append(f"±{watts(assumed)} W of it by what is assumed")
        share = PERCENT * assumed / run.input.value
        notes["efficiency_ceiling"].append(f"±{watts(share)} points of it by what is assumed")
    for name, head in LARGE.items():
        text = f"{QUANTITIES[name].cell(run.parts[name])} {QUANTITIES[name].unit_for_people}"
        yield Number(head, text, tuple(notes.get(name, ())))


def _bounds(run: Run, most: float) -> dict[str, list[str]]:
    """Where the motor's load loss is assumed: the plain subtraction."""
    ceiling = PERCENT * most / run.input.value
    return {
        "pneumatic": [f"at most {plus_minus(run.at_most)} W, by plain subtraction"],
        "efficiency_ceiling": [f"at most {ceiling:.3g} %, by plain subtraction"],
    }


def _assumed(answer: Breakdown) -> float:
    """Half-width of the best run's net interval by all that is assumed. [W]"""
    best = answer.best_run
    return hypot(*(float(widths[best]) for source, widths in answer.shares.items() if is_assumed(answer, source)))
