"""Why more power does not make it colder: what becomes of the drop that a rise of input lets expect.

From a series' weakest to its strongest run the input grows by some factor. Were the drop from hot to cold end to grow
with it, and the hot end to stay, the cold end would fall so much further below the coolant. What is missing is (a) net
power that grew less than the input, (b) a hot end that climbed, (c) a load at the cold end that grew faster than the
drop: D P'/P - D' + H' - H = D (P'/P - N'/N) + (H' - H) + (D N'/N - D'), with drop D, hot end H over the coolant, input
P, net N. Own reckoning; it adds up in every draw.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown
from driveloss.breakdown.settled import settled_ends
from driveloss.fit.estimate import Estimate, estimate
from driveloss.fit.meters import stream
from driveloss.fit.readings import by_rung
from driveloss.say.numbers import bar, plus_minus

GROWTH = 1.2  # of the input from the weakest to the strongest run, below which there is nothing to explain
READ = 0.2  # [K] standard uncertainty of one settled reading beside errors common to all: common practice
ALIKE = 0.02  # runs whose input differs by less than this fraction are taken together
CAUSES = {  # by field of Levelling: in words where it takes of the drop, and where it gives
    "net": ("net power that grew less than the input", "net power that grew faster than the input"),
    "hot_end": ("the hot end that climbed", "a hot end that sank"),
    "load": (
        "a load at the cold end that grew faster than the drop",
        "a load at the cold end that grew less than the drop",
    ),
}


@dataclass(frozen=True)
class Levelling:
    """One cylinder at one mean pressure, from its weakest to its strongest run; all in K but `growth`."""

    cylinder: str
    mean_pressure: float  # [Pa]
    low: int  # places of those runs among the loaded readings
    high: int
    growth: float  # of the input [1]
    expected: Estimate  # further drop, had it grown as the input did
    seen: Estimate  # further drop below the coolant
    net: Estimate  # (a)
    hot_end: Estimate  # (b)
    friction: Estimate | None  # of (b), by friction's share of the heat
    load: Estimate  # (c)


def levelling(answer: Breakdown) -> tuple[Levelling, ...]:
    """Every series of runs that reads both ends and grows by GROWTH or more."""
    readings = answer.readings
    both = np.isfinite(readings.cold_end) & np.isfinite(readings.hot_end)
    found = (_series(answer, mine[both[mine]]) for _, mine in by_rung(readings))
    return tuple(one for one in found if one is not None)


def _series(answer: Breakdown, mine: NDArray[np.int64]) -> Levelling | None:
    power = answer.readings.power[mine]
    if len(mine) < 2 or power.max() < GROWTH * power.min():
        return None
    ends = [mine[np.abs(power / end - 1) <= ALIKE] for end in (power.min(), power.max())]
    low, high = (_Ends.of(answer, places) for places in ends)
    grown, net = high.input / low.input, high.net / low.net
    climbed = high.hot - low.hot
    rise = climbed / np.where(high.heat == low.heat, np.nan, high.heat - low.heat) * (high.friction - low.friction)
    meters = answer.calibration.meters
    told = [
        estimate(one, meters)
        for one in (
            low.drop * (grown - 1),
            high.drop - low.drop - climbed,
            low.drop * (grown - net),
            climbed,
            low.drop * net - high.drop,
        )
    ]
    expected, seen, by_net, by_hot, by_load = told
    if expected is None or seen is None or by_net is None or by_hot is None or by_load is None:
        return None
    return Levelling(
        cylinder=str(answer.readings.cylinder[mine[0]]),
        mean_pressure=float(answer.readings.mean_pressure[mine].mean()),
        low=int(ends[0][0]),
        high=int(ends[1][0]),
        growth=float(grown[0]),
        expected=expected,
        seen=seen,
        net=by_net,
        hot_end=by_hot,
        friction=estimate(rise, meters),
        load=by_load,
    )


@dataclass(frozen=True)
class _Ends:
    """One end of a series, means of its runs, (1 + draws,) each."""

    input: FloatArray
    net: FloatArray
    heat: FloatArray
    friction: FloatArray
    drop: FloatArray  # from hot to cold end [K]
    hot: FloatArray  # hot end over the coolant [K]

    @classmethod
    def of(cls, answer: Breakdown, places: NDArray[np.int64]) -> _Ends:
        draws, readings, calibration = answer.draws, answer.readings, answer.calibration
        coolant = np.where(np.isfinite(readings.coolant), readings.coolant, calibration.rig.ambient_temperature.value)
        hot = settled_ends(calibration, readings).hot_end + calibration.meters.hot_end_zero
        over = hot - calibration.meters.temperature("coolant", coolant)
        keys = ("input", "pneumatic", "aftercooler_heat", "friction_heat", "hot_to_cold")
        power, net, heat, friction, drop = (draws[key][places].mean(axis=0) for key in keys)
        rng = stream(calibration.seed, f"levelling {places.min()}")
        off = READ / np.sqrt(len(places)) * rng.standard_normal((2, len(power)))
        off[:, 0] = 0.0
        return cls(power, net, heat, friction, drop + off[0], over[places].mean(axis=0) + off[1])


def levelling_lines(answer: Breakdown) -> list[str]:
    """A paragraph a series: what was to be expected, what came, and where the rest went."""
    return [_line(one, answer) for one in levelling(answer)]


def _line(one: Levelling, answer: Breakdown) -> str:
    place = f"'{one.cylinder}' at {bar(one.mean_pressure)} bar"
    first = (
        f"{place}: input grew {one.growth:.2f} times from run {one.low + 1} to run {one.high + 1}; had the drop grown "
        f"with it, the cold end would be {plus_minus(one.expected)} K colder, and it is {plus_minus(one.seen)} K."
    )
    causes = tuple((words, getattr(one, key)) for key, words in CAUSES.items())
    takes = [f"{words[0]} takes {plus_minus(cause)} K" for words, cause in causes if cause.low > 0]
    gives = [f"{words[1]} gives {plus_minus(cause, -1.0)} K" for words, cause in causes if cause.high < 0]
    open_ = [f"{words[0]} ({plus_minus(cause)} K)" for words, cause in causes if cause.low <= 0 <= cause.high]
    friction = ""
    if one.friction is not None and one.hot_end.low > 0:
        friction = f" Of the hot end's climb, friction at the seal heats {plus_minus(one.friction)} K."
    said = "; ".join([*takes, *gives]) or "No cause can be told for sure"
    cannot = f" Cannot be told: {'; '.join(open_)}." if open_ else ""
    return f"{first} {said[0].upper()}{said[1:]}.{cannot}{friction}"
