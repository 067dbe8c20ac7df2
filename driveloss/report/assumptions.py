"""What the report says in words: what was assumed, which way that pushes the net power, and what to mind."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from driveloss.bench import template
from driveloss.breakdown.assumed import Assumed
from driveloss.breakdown.tell import heavy, light_line
from driveloss.fit.assumptions import COMMON
from driveloss.fit.assumptions import Assumption as Row
from driveloss.fit.calibration import Calibration
from driveloss.say.numbers import watts
from driveloss.say.sheet import ASSUMED, Item, Sheet

CAUTIONS = ("These are estimates from readings; they certify nothing.", *template.CAUTIONS)


@dataclass(frozen=True)
class Assumption:
    """`what` is taken to be so; `bias` is what that does to the net power where it is not."""

    what: str
    bias: str


HEADS = ("Assumed", "Limits", "What it moves", "Key (or column), and how to find it")
NO_SOURCE = "Limits without a source are common practice; none was published that we know of."


def assumed(calibration: Calibration, at_work: Sequence[Assumed] | None = None) -> list[Item]:
    """What stands in for keys of bench.toml: with watts of the net where there are loaded runs, heaviest first."""
    if at_work is None:
        rows = calibration.meters.assumptions(calibration.rig)
        return _with_sources([_words(keys, row) for keys, row in rows if not row.under_load], HEADS)
    words = [(_words(one.keys, one.row), watts(one.half_width)) for one in heavy(at_work)]
    cells = [(name, half_width, *more) for (name, *more), half_width in words]
    return [*_with_sources(cells, (HEADS[0], "± net [W]", *HEADS[1:])), *light_line(at_work)]


def _with_sources(rows: Sequence[tuple[str, ...]], heads: tuple[str, ...]) -> list[Item]:
    """A table of what is assumed, where anything is, and what to think of limits that name no source."""
    return [Sheet(ASSUMED, heads, tuple(rows), left=HEADS), NO_SOURCE] if rows else []


def _words(keys: Sequence[str], row: Row) -> tuple[str, ...]:
    """Name, limits with their source, which way, and what to state and how to find it."""
    limits = row.range if row.source == COMMON else f"{row.range}\n{row.source}"
    return (row.name, limits, row.moves, "\n".join([*keys, row.cure]))


def assumptions(calibration: Calibration) -> list[Assumption]:
    """The standing assumptions that bear on this calibration, beside those that stand in for keys of bench.toml."""
    return [*_of_the_drive(calibration), *_of_seal_and_gas(calibration), METERS]


def _of_the_drive(calibration: Calibration) -> Iterator[Assumption]:
    route = calibration.route
    if "incremental_efficiency" in route.uses:
        yield Assumption(
            "The motor's incremental efficiency is the same at every load and speed.",
            "It falls with load as copper loss grows: net power of the heaviest runs then comes out too high.",
        )
    yield Assumption(
        "Bearings of motor and transmission lose under load what they lose without it, apart from what is stated or "
        "assumed of pins, guides and the transmission.",
        "Where they drag more under load, net power comes out too high.",
    )


def _of_seal_and_gas(calibration: Calibration) -> Iterator[Assumption]:
    yield Assumption(
        "Net power is that at the piston's face, and includes what leaks past the seal.",
        "No bias by that meaning; what reaches the gas circuit is less by the leak.",
    )
    if any(cylinder.open_port_diameter is not None for cylinder in calibration.rig.cylinders.values()):
        yield Assumption(
            "Gas passes the open port of a no-load sweep with a steady discharge coefficient; it is squeezed where the "
            "peak pressure drop passes 3 % of the pressure outside.",
            "Either way, little below 5 %; beyond it by the volume behind the port and the heat that gas exchanges.",
        )


METERS = Assumption(
    "Limits of error are rectangular, and each instrument's error is common to all of its readings.",
    "No bias; an instrument that errs differently between readings makes differences less sure than stated.",
)
