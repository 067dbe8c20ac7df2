"""What the report says in words: what was assumed, which way that pushes the net power, and what to mind."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from driveloss.bench.records import Quantity, Rig

if TYPE_CHECKING:
    from driveloss.fit.calibration import Calibration


@dataclass(frozen=True)
class Assumption:
    """`what` is taken to be so; `bias` is what that does to the net power where it is not."""

    what: str
    bias: str


def assumptions(calibration: Calibration) -> list[Assumption]:
    """The standing assumptions that bear on this calibration."""
    made = (rule(calibration) for rule in RULES)
    return [assumption for assumption in made if assumption is not None]


def _load_independent(calibration: Calibration) -> Assumption:
    beyond = " and motor copper" if calibration.route.has_copper else ""
    return Assumption(
        f"Linkage and motor lose under load what they lose without it, apart from the transmission{beyond}.",
        "Bearings and pins drag more under load: net power then comes out too high.",
    )


def _same_condition(calibration: Calibration) -> Assumption:
    return Assumption(
        "Seals, lubrication and alignment were in the same condition in the no-load and in the loaded runs.",
        "A seal that has run in, warmed or worn between them shifts net power either way.",
    )


def _seal_drag(calibration: Calibration) -> Assumption:
    return Assumption(
        "The seal drags under the oscillating pressure of a loaded run as it does at that run's mean pressure.",
        "No bias where drag grows in proportion to pressure and the cycle's peaks and troughs cancel; a lip that "
        "pressure of either sign presses on drags more, and net power then comes out too high.",
    )


def _form_factor(calibration: Calibration) -> Assumption | None:
    factor = calibration.rig.motor.current_form_factor
    if not calibration.route.has_copper or factor.limit:
        return None
    return Assumption(
        f"The form factor of the motor current (rms over mean) is taken as exactly {factor.value:g}.",
        "Current that pulsates more within a revolution heats the winding more under load: net power then comes out "
        "too high.",
    )


def _winding(calibration: Calibration) -> Assumption | None:
    if not calibration.route.has_copper:
        return None
    return Assumption(
        "The copper of the winding has the temperature recorded beside a reading, and where none was recorded the one "
        "at which its resistance was measured.",
        "Copper hotter than that loses more under load, 0.39 % for each kelvin: net power then comes out too high.",
    )


def _incremental(calibration: Calibration) -> Assumption | None:
    if calibration.route.has_copper or not calibration.route.is_known:
        return None
    return Assumption(
        "The motor's incremental efficiency is the same at every load and speed.",
        "It falls with load as copper loss grows: net power of the heaviest runs then comes out too high.",
    )


def _unknown_load_loss(calibration: Calibration) -> Assumption | None:
    if calibration.route.is_known:
        return None
    return Assumption("The motor's loss does not grow with load.", "It does: net power is an upper bound.")


def _transmission(calibration: Calibration) -> Assumption | None:
    efficiency = calibration.rig.transmission.efficiency
    if efficiency.limit:
        return None
    if efficiency.value == 1:
        return Assumption(
            "The transmission passes the load power on without loss.",
            "Net power comes out too high by the share that belt, chain or gears lose.",
        )
    return Assumption(
        f"The transmission's efficiency, {efficiency.value:g}, is taken as exact.",
        "Either way, in proportion: one per cent more efficiency is one per cent more net power.",
    )


def _heat_share(calibration: Calibration) -> Assumption | None:
    share = calibration.rig.aftercooler.seal_heat_share
    if share != Quantity(1.0):
        return None
    return Assumption(
        "All heat of seal friction enters the gas path and ends in the aftercooler.",
        "None on net power; aftercooler heat is an upper bound, the safe side for sizing.",
    )


def _port(calibration: Calibration) -> Assumption | None:
    if not _has_port(calibration.rig):
        return None
    return Assumption(
        "Gas passes the open port of a no-load sweep as an incompressible fluid, with a steady discharge coefficient.",
        "Either way, little while the peak pressure drop stays below 10 % of ambient pressure.",
    )


def _has_port(rig: Rig) -> bool:
    return any(cylinder.open_port_diameter is not None for cylinder in rig.cylinders.values())


def _limits(calibration: Calibration) -> Assumption:
    return Assumption(
        "Limits of error are rectangular, and each instrument's error is common to all of its readings.",
        "No bias; an instrument that errs differently between readings makes differences less sure than stated.",
    )


RULES: tuple[Callable[[Calibration], Assumption | None], ...] = (
    _unknown_load_loss,
    _incremental,
    _load_independent,
    _form_factor,
    _winding,
    _transmission,
    _seal_drag,
    _same_condition,
    _port,
    _heat_share,
    _limits,
)

CAUTIONS = (
    "These are estimates from readings; they certify nothing.",
    "Rotating and reciprocating parts trap fingers and shed loose clothing and hair. Guard them, and isolate the "
    "supply before touching the linkage.",
    "Cylinders, tubing and plastic pipe can burst. Stay inside the rated pressure, prove vessels by a method that "
    "local codes accept, and relieve before opening.",
    "Mains-side power measurement belongs to a competent person under the local electrical code.",
    "Hot aftercoolers burn, and cold ends freeze skin.",
)
