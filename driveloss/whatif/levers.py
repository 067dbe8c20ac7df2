"""The plain levers: what a builder can change, and on which machines it can be told what that does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields

import numpy as np

from driveloss.fit.calibration import Calibration
from driveloss.whatif.machine import Change, Machine

LESS = 0.7  # of a friction, where a better part is put in: the size is ours
COOLER = 30.0  # [K]
WARM = 60.0  # [degC] a winding at work: common practice
COPPER_ZERO = 235.0  # [K] below 0 degC where copper's resistance would vanish (IEC 60034-1, from memory)
SLOWER = 0.8

WORDS: dict[str, Callable[[float], str]] = {  # a factor on what is now, in words
    "seal": lambda x: f"seal friction {_percent(x)}",
    "pins": lambda x: f"friction of pins and guides {_percent(x)}",
    "linkage": lambda x: f"drag of the linkage {_percent(x)}",
    "motor_drag": lambda x: f"the motor's own drag {_percent(x)}",
    "resistance": lambda x: f"winding resistance {_percent(x)}",
    "torque_constant": lambda x: f"torque constant times {x:g} at the same resistance",
    "standby": lambda x: f"the controller's idle power {_percent(x)}",
    "speed": lambda x: f"speed {_percent(x)}, mean pressure {_percent(1 / x)}",
    "transmission": lambda x: f"transmission that passes {100 * x:g} %",
}


def _percent(factor: float) -> str:
    """A change as people say it.

    >>> _percent(0.7), _percent(1.25)
    ('-30 %', '+25 %')
    """
    return f"{100 * (factor - 1):+.3g} %"


def words_of(change: Change) -> str:
    """A change in words, its parts one after the other."""
    changed = [item.name for item in fields(Change) if getattr(change, item.name) != item.default]
    return ", ".join(
        f"the seal of '{change.seal_of}'" if name == "seal_of" else WORDS[name](getattr(change, name))
        for name in changed
    )


@dataclass(frozen=True)
class Lever:
    """One change; `applies` where the machine has that part and the laws tell it; `field`: the error it rests on."""

    words: str
    change: Change
    applies: Callable[[Calibration], bool] = lambda calibration: True
    field: str = ""  # of fit/meters, by which it may be assumed


def _tells_copper(calibration: Calibration) -> bool:
    return calibration.route.has_copper or calibration.meters.brake is not None


def _has_idle(calibration: Calibration) -> bool:
    return bool(calibration.standby[0] > 0)


def _has_transmission(calibration: Calibration) -> bool:
    brake = calibration.meters.brake
    return bool(np.any((calibration.meters if brake is None else brake).efficiency < 1))


LEVERS = (
    Lever("seal friction 30 % less", Change(seal=LESS)),
    Lever("half the friction of pins and guides", Change(pins=0.5), field="load_friction_share"),
    Lever("linkage with 30 % less drag", Change(linkage=LESS), lambda c: c.has_motor),
    Lever("motor with 30 % less drag of its own", Change(motor_drag=LESS), lambda c: c.has_motor),
    Lever("drive with 30 % less drag", Change(linkage=LESS), lambda c: not c.has_motor),
    Lever(
        "motor with twice the torque constant",
        Change(torque_constant=2.0),
        _tells_copper,
        field="torque_constant",
    ),
    Lever(
        f"winding {COOLER:g} K cooler",
        Change(resistance=1 - COOLER / (COPPER_ZERO + WARM)),
        _tells_copper,
        field="resistance",
    ),
    Lever("no belt or gears, driven directly", Change(transmission=1.0), _has_transmission, field="efficiency"),
    Lever("controller with half the idle power", Change(standby=0.5), _has_idle),
    Lever("a fifth slower at a quarter more pressure", Change(speed=SLOWER), field="lip_drag"),
)


def plain_levers(machine: Machine) -> Iterator[Lever]:
    """Those that this machine has, and the seals of its other cylinders."""
    yield from (lever for lever in LEVERS if lever.applies(machine.calibration))
    for name in machine.calibration.ranges:
        if name != machine.cylinder:
            yield Lever(f"the seal of '{name}'", Change(seal_of=name), field="lip_drag")


def wished(change: Change) -> list[Lever]:
    """A change that somebody asked for: each part alone, then all of them together."""
    parts = {item.name: getattr(change, item.name) for item in fields(Change)}
    changed = {name: value for name, value in parts.items() if value != getattr(Change(), name)}
    alone = [Lever(words_of(Change(**{name: value})), Change(**{name: value})) for name, value in changed.items()]
    return [*alone, *([Lever("all of these together", change)] if len(alone) > 1 else [])]


def assumed_of(lever: Lever, calibration: Calibration, cylinder: str) -> str | None:
    """What the lever rests on that bench.toml does not state, in words; None where nothing."""
    meters = calibration.meters
    for path in (lever.field, f"cylinders.{cylinder}.{lever.field}"):
        if path in meters.assumed and path not in meters.idle and path not in meters.fitted:
            return meters.assumed[path]
    return None
