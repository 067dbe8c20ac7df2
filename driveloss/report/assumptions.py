"""What the report says in words: what was assumed, which way that pushes the net power, and what to mind."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from driveloss.bench import template
from driveloss.fit.calibration import Calibration

CAUTIONS = ("These are estimates from readings; they certify nothing.", *template.CAUTIONS)


@dataclass(frozen=True)
class Assumption:
    """`what` is taken to be so; `bias` is what that does to the net power where it is not."""

    what: str
    bias: str


def assumptions(calibration: Calibration) -> list[Assumption]:
    """The standing assumptions that bear on this calibration, beside those that stand in for keys of bench.toml."""
    return [*_of_the_drive(calibration), *_of_seal_and_gas(calibration), METERS]


def _of_the_drive(calibration: Calibration) -> Iterator[Assumption]:
    route = calibration.route
    if not route.has_copper:
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
