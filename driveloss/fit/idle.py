"""Which common errors a bench's answers do not depend on, so that nothing is said of what is assumed of them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from driveloss.bench.records import Bench
from driveloss.fit.ladder import Ladder
from driveloss.fit.laws import peak_drop
from driveloss.fit.motor_loss import ROUTES
from driveloss.physics.breathing import SMALL_DROP

BLANKED_FIELDS = ("closed_volume", "hysteresis", "leak_rate", "blanked_seal")
PORT_FIELDS = ("discharge_coefficient", "port_share", "open_ratio", "open_process")


def idle_errors(ladder: Ladder, bench: Bench) -> tuple[str, ...]:
    """Their names as fit/meters has them, 'cylinders.wide.lip_drag' of a cylinder's."""
    every = frozenset().union(*(route.uses for route in ROUTES.values()))
    by_bench = (*_of_meters(bench), *_of_blanked(bench))
    return (*sorted(every - ladder.route.uses), *by_bench, *_of_columns(ladder), *_of_cylinders(ladder))


def _of_meters(bench: Bench) -> Iterator[str]:
    if not bench.recordings:
        yield from ("dead_centre", "sensor_lag")
    if not bench.rundowns:
        yield from ("inertia", "coasting_aid", "free_load_loss", "free_load_rise")
    braked = [sweep for sweep in bench.sweeps if sweep.stage == "braked"]
    if all(sweep.torque is None for sweep in braked):
        yield from ("torque_gain", "torque_zero")
    if all(sweep.brake_force is None for sweep in braked):
        yield from ("force_gain", "force_zero", "brake_arm")
    products = any(sweep.from_volts_and_amps for sweep in bench.sweeps)
    watts = any(not sweep.from_volts_and_amps for sweep in bench.sweeps)
    currents = any(sweep.current is not None for sweep in bench.sweeps)
    unused = {"power": not watts, "voltage": not products, "current": not currents}
    for instrument, is_idle in unused.items():
        if is_idle:
            yield from (f"{instrument}_gain", f"{instrument}_zero")


def _of_columns(ladder: Ladder) -> Iterator[str]:
    """What a column tells of every reading."""
    if all(np.isfinite(group.winding).all() for group in (ladder.readings, ladder.loaded)):
        yield "winding_rise"
    if np.isfinite(ladder.loaded.pressure_amplitude).all():
        yield "phase"
    for place in ("winding", "cold_end", "hot_end", "coolant"):
        if not any(np.isfinite(getattr(group, place)).any() for group in (ladder.readings, ladder.loaded)):
            yield f"{place}_zero"


def _of_cylinders(ladder: Ladder) -> Iterator[str]:
    """Drag under pressure that sweeps or bench.toml tell; what no sweep was made of."""
    for name in ladder.rig.cylinders:
        known = ladder.scope.pressures.get(name, 0) > 1 or name in ladder.given_pressure_friction
        if known or name not in ladder.scope.pressures:
            yield f"cylinders.{name}.lip_drag"
        if name not in ladder.loaded.cylinder or name not in ladder.scope.pressures:
            yield f"cylinders.{name}.seal_change"
        if name in ladder.scope.pressures and not _is_squeezed(ladder, name):
            yield from (f"cylinders.{name}.{field}" for field in ("open_ratio", "open_process"))
        if name not in ladder.scope.pressures:
            yield from (f"cylinders.{name}.{field}" for field in PORT_FIELDS)


def _of_blanked(bench: Bench) -> Iterator[str]:
    """What only a closed cylinder depends on."""
    blanked = {sweep.cylinder for sweep in bench.sweeps if sweep.stage == "blanked"}
    for name in bench.rig.cylinders:
        if name not in blanked:
            yield from (f"cylinders.{name}.{field}" for field in BLANKED_FIELDS)


def _is_squeezed(ladder: Ladder, name: str) -> bool:
    """Whether gas was squeezed in a cylinder's no-load sweeps, so that more than the port's size matters."""
    mine = ladder.readings.only(ladder.readings.cylinder == name)
    return peak_drop(ladder.rig, name, float(mine.frequency.max()), float(mine.mean_pressure.max())) > SMALL_DROP
