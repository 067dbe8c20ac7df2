"""What the report says in words: what was assumed, which way that pushes the net power, and what to mind."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from driveloss.bench import template
from driveloss.bench.records import Quantity
from driveloss.fit.calibration import Calibration

CAUTIONS = ("These are estimates from readings; they certify nothing.", *template.CAUTIONS)


@dataclass(frozen=True)
class Assumption:
    """`what` is taken to be so; `bias` is what that does to the net power where it is not."""

    what: str
    bias: str


def assumptions(calibration: Calibration) -> list[Assumption]:
    """The standing assumptions that bear on this calibration."""
    return [*_of_the_drive(calibration), *_of_the_transmission(calibration), *_of_seal_and_gas(calibration), METERS]


def _of_the_drive(calibration: Calibration) -> Iterator[Assumption]:
    route, factor = calibration.route, calibration.rig.motor.current_form_factor
    if not route.is_known:
        yield Assumption("The motor's loss does not grow with load.", "It does: net power is an upper bound.")
    elif not route.has_copper:
        yield Assumption(
            "The motor's incremental efficiency is the same at every load and speed.",
            "It falls with load as copper loss grows: net power of the heaviest runs then comes out too high.",
        )
    beyond = " and motor copper" if route.has_copper else ""
    yield Assumption(
        f"Linkage and motor lose under load what they lose without it, apart from the transmission{beyond}.",
        "Bearings and pins drag more under load: net power then comes out too high.",
    )
    if route.has_copper and not factor.limit:
        yield Assumption(
            f"The form factor of the motor current (rms over mean) is taken as exactly {factor.value:g}.",
            "Current that pulsates more within a revolution heats the winding more under load: net power then comes "
            "out too high.",
        )
    if route.is_cold and calibration.rig.motor.brush_drop is None:
        yield Assumption(
            "No brush drop is stated, so the motor is taken to have no brushes.",
            "Brushes lose in proportion to the current: net power then comes out too high.",
        )
    if calibration.rig.motor.supply == "controller" and calibration.rig.motor.controller_efficiency is None:
        yield Assumption(
            "The controller loses nothing beyond its standby power.",
            "It does, in proportion to what passes: net power comes out too high.",
        )
    if route.is_cold:
        yield Assumption(
            "The copper of the winding has the temperature recorded beside a reading, and where none was recorded the "
            "one at which its resistance was measured.",
            "Copper hotter than that loses more under load, 0.39 % for each kelvin: net power then comes out too high.",
        )


def _of_the_transmission(calibration: Calibration) -> Iterator[Assumption]:
    efficiency = calibration.rig.transmission.efficiency
    if efficiency == Quantity(1.0):
        yield Assumption(
            "The transmission passes the load power on without loss.",
            "Net power comes out too high by the share that belt, chain or gears lose.",
        )
    elif not efficiency.limit:
        yield Assumption(
            f"The transmission's efficiency, {efficiency.value:g}, is taken as exact.",
            "Either way, in proportion: one per cent more efficiency is one per cent more net power.",
        )


def _of_seal_and_gas(calibration: Calibration) -> Iterator[Assumption]:
    rig = calibration.rig
    yield Assumption(
        "Net power is that at the piston's face, and includes what leaks past the seal.",
        "No bias by that meaning; what reaches the gas circuit is less by the leak.",
    )
    yield Assumption(
        "The seal drags under the oscillating pressure of a loaded run as it does at that run's mean pressure.",
        "No bias where drag grows in proportion to pressure and the cycle's peaks and troughs cancel; a lip that "
        "pressure of either sign presses on drags more, and net power then comes out too high.",
    )
    yield Assumption(
        "Seals, lubrication and alignment were in the same condition in the no-load and in the loaded runs.",
        "A seal that has run in, warmed or worn between them shifts net power either way.",
    )
    if any(cylinder.open_port_diameter is not None for cylinder in rig.cylinders.values()):
        yield Assumption(
            "Gas passes the open port of a no-load sweep with a steady discharge coefficient; it is squeezed where the "
            "peak pressure drop passes 3 % of the pressure outside.",
            "Either way, little below 5 %; beyond it by the volume behind the port and the heat that gas exchanges.",
        )
    if rig.aftercooler.seal_heat_share == Quantity(1.0):
        yield Assumption(
            "All heat of seal friction enters the gas path and ends in the aftercooler.",
            "None on net power; aftercooler heat is an upper bound, the safe side for sizing.",
        )


METERS = Assumption(
    "Limits of error are rectangular, and each instrument's error is common to all of its readings.",
    "No bias; an instrument that errs differently between readings makes differences less sure than stated.",
)
