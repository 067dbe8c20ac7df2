"""The ladder as one weighted problem: shaft-side power of each rung, free of what is known beforehand.

Known beforehand are the gas pumped through open ports and, where the bench states it, the seal's drag under pressure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import Bench, FloatArray, Rig
from driveloss.fit.laws import Scope, port_power, rod_ratio, stated_pressure_power
from driveloss.fit.meters import Meters
from driveloss.fit.motor_loss import BRAKED, Route, choose_route, shaft_power
from driveloss.fit.readings import Readings, gather, pressure_groups
from driveloss.fit.scatter import SAME_FREQUENCY
from driveloss.physics import crank, cylinder

LEAST_FREQUENCIES = 3  # that tell an idle power from losses that grow with frequency
RUNGS = ("motor-alone", "piston-disconnected", "no-load")


@dataclass(frozen=True)
class Ladder:
    """What the fit sees of a bench."""

    rig: Rig
    readings: Readings  # of the rungs
    standby: Readings
    loaded: Readings  # not fitted; their repeats tell how the scatter grows with power
    route: Route  # how the loss that grows with load is known
    scope: Scope

    def only(self, keep: NDArray[np.bool_]) -> Ladder:
        """The ladder without the readings where keep, shape (n,), is false."""
        return replace(self, readings=self.readings.only(keep))

    def by_route(self, route: Route) -> Ladder:
        """The ladder with its load loss known another way."""
        scope = replace(self.scope, copper_unresolved=not route.has_copper)
        if route is BRAKED:  # a controller's idle power is in what the braked sweep tells of the drive
            scope = replace(scope, idle=False, idle_unknown=False)
        return replace(self, route=route, scope=scope)

    @property
    def full_power(self) -> float:
        """The highest input power read. [W]"""
        return float(max(self.readings.power.max(), self.loaded.power.max(initial=0.0)))

    @property
    def given_pressure_friction(self) -> tuple[str, ...]:
        """Cylinders whose drag under pressure the bench states and no sweep tells."""
        stated = (name for name, c in self.rig.cylinders.items() if c.pressure_friction is not None)
        return tuple(name for name in stated if self.scope.pressures.get(name, 0) == 1)


def build_ladder(bench: Bench) -> Ladder:
    """Gather the rungs of a bench."""
    rig = bench.rig
    readings = gather(rig, bench.sweeps, RUNGS)
    standby = gather(rig, bench.sweeps, ("standby",))
    loaded = gather(rig, bench.sweeps, ("loaded",))
    route = choose_route(rig, readings, loaded)
    return Ladder(rig, readings, standby, loaded, route, _scope(rig, readings, route, has_standby=len(standby) > 0))


def _scope(rig: Rig, readings: Readings, route: Route, *, has_standby: bool) -> Scope:
    wants_idle = rig.motor.supply == "controller" and not has_standby
    steps = np.diff(np.sort(readings.frequency)) > SAME_FREQUENCY * np.sort(readings.frequency)[:-1]
    tells_idle = int(steps.sum()) + 1 >= LEAST_FREQUENCIES
    pressures = {}
    for name in dict.fromkeys(readings.cylinder[readings.cylinder != ""]):
        own = readings.mean_pressure[readings.cylinder == name]
        pressed = np.maximum(own, rig.cylinders[str(name)].back_pressure.value)  # below it nothing presses the seal
        pressures[str(name)] = int(pressure_groups(pressed).max()) + 1
    return Scope(
        motor_alone=bool((readings.stage == "motor-alone").any()),
        idle=wants_idle and tells_idle,
        idle_unknown=wants_idle and not tells_idle,
        copper_unresolved=not route.has_copper,
        pressures=pressures,
        top_frequency=float(readings.frequency.max()),
    )


def ladder_power(ladder: Ladder, meters: Meters, standby: FloatArray) -> FloatArray:
    """What the terms have to explain at each reading, shape (n, 1 + draws). [W]

    Where idle power is fitted it stays in: `standby` then only serves to find the motor current.
    """
    swing = static_swing(ladder.rig, meters, ladder.readings)
    shaft = shaft_power(ladder.readings, meters, standby, ladder.route, swing=swing)
    power = shaft.power - known_load(ladder, meters)
    return power + standby if ladder.scope.idle else power


def known_load(ladder: Ladder, meters: Meters) -> FloatArray:
    """Open-port pumping and stated pressure drag within each reading, at the shaft, shape (n, 1 + draws). [W]"""
    readings = ladder.readings
    load = np.zeros((len(readings), meters.size))
    for name in ladder.scope.pressures:
        mine = readings.cylinder == name
        frequency, pressure = readings.frequency[mine], readings.mean_pressure[mine]
        pumped = port_power(ladder.rig, meters, name, frequency, pressure)
        load[mine] += np.nan_to_num(pumped) / meters.efficiency
        if name in ladder.given_pressure_friction:
            load[mine] += stated_pressure_power(meters, name, frequency, pressure) / meters.efficiency
    return load


def static_swing(rig: Rig, meters: Meters, readings: Readings) -> FloatArray:
    """By how much a mean pressure across the piston makes the motor's power swing, (n, 1 + draws). [W]

    It loads and helps by turns; the standard deviation over the cycle of pressure difference, area and speed.
    """
    swing = np.zeros((len(readings), meters.size))
    for name in np.unique(readings.cylinder[readings.cylinder != ""]):
        mine, geometry = readings.cylinder == name, meters.cylinders[str(name)]
        across = meters.pressure(readings.mean_pressure[mine]) - geometry.back_pressure
        lean = rod_ratio(rig, rig.cylinders[str(name)])
        speed = np.sqrt(crank.mean_square_speed(readings.frequency[mine, None], geometry.stroke, lean))
        swing[mine] = np.abs(across) * cylinder.disc_area(geometry.bore) * speed / meters.efficiency
    return swing
