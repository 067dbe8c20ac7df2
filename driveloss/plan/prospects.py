"""What a second witness would leave of the net power's interval: measured, not assumed."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import Bench, FloatArray
from driveloss.breakdown.ask import Breakdown
from driveloss.breakdown.joint import judge
from driveloss.breakdown.ways import Way
from driveloss.fit.calibration import Calibration
from driveloss.fit.meters import CylinderDraws, common_errors, strata, stream
from driveloss.fit.motor_loss import BRAKED, ROUTES
from driveloss.physics import cylinder, gas, gas_spring, torque
from driveloss.plan.floor import Floor, half_interval

PHASE = np.radians(45.0)  # of a pressure nobody recorded: the best guess of fit/assumptions
DEAD_CENTRE = np.radians(1.0)  # limit that a dial gauge on both sides comes to: common practice
INERTIA = 0.05  # limit as a fraction: of what turns, reckoned from weights and radii
LOOP_CHANCE = 0.005  # standard uncertainty of a mean loop's work, from turn to turn
HYSTERESIS = 0.75  # limit of a gas spring's loss over what conduction tells: 0.5 to 2 times
WORTH = 0.95  # of the floor: what takes less than a twentieth off is not worth its hour


@dataclass(frozen=True)
class Prospect:
    """One witness that the bench does not have yet, and the half-width [W] at the target with it."""

    witness: str
    hours: float  # that it takes, about: common practice
    how: str
    half_width: float


@dataclass(frozen=True)
class _Target:
    """The net power at one target as it is expected, and the bench it comes from; draws (1 + draws,). [W]"""

    calibration: Calibration
    name: str
    frequency: float
    parts: dict[str, FloatArray]
    floor: Floor

    def rng(self, witness: str) -> np.random.Generator:
        return stream(self.calibration.seed, f"prospect {witness}")

    def even(self, witness: str) -> FloatArray:
        """Errors between -1 and 1, zero first, (1 + draws,)."""
        even: FloatArray = np.append(0.0, 2 * strata(self.rng(witness), self.calibration.draws) - 1)
        return even

    def joined(self, part: FloatArray, error: FloatArray) -> FloatArray:
        """Net power after a witness has told a part with an error of its own, all (1 + draws,). [W]"""
        way = Way("planned", "pneumatic", self.name, self.frequency, None, part, part[0] + error)
        return judge([way]).moved(self.parts["pneumatic"])


def prospects(bench: Bench, answer: Breakdown, run: int, floor: Floor) -> tuple[Prospect, ...]:
    """The witnesses worth their while at one expected run, the one that leaves least first."""
    parts = {key: draws[run] for key, draws in answer.draws.items()}
    name, frequency = str(answer.readings.cylinder[run]), float(answer.readings.frequency[run])
    target = _Target(answer.calibration, name, frequency, parts, floor)
    has = {sweep.stage for sweep in bench.sweeps if sweep.cylinder in (None, name)}
    has |= {"recording" for one in bench.recordings if one.cylinder == name} | {"rundown" for _ in bench.rundowns}
    found = [
        Prospect(witness, hours, how, half_interval(draws(target)))
        for key, (witness, hours, how, draws) in WITNESSES.items()
        if key not in has
    ]
    return tuple(sorted((p for p in found if p.half_width < WORTH * floor.half_width), key=lambda p: p.half_width))


def _braked(target: _Target) -> FloatArray:
    """What lies between meter and crank is told by torque, with the torque's limits of error instead."""
    meters = target.calibration.meters
    electrical = {name for name in common_errors(type(meters)) if name.startswith(("power_", "voltage_", "current_"))}
    fields = frozenset().union(*(route.uses for route in ROUTES.values())) - BRAKED.uses | {"efficiency"} | electrical
    at_crank = target.parts["pneumatic"][0] + target.parts["seal"][0]
    return np.asarray(_without(target, fields) + at_crank * (meters.torque_gain - 1))


def _blanked(target: _Target) -> FloatArray:
    """Pins and lip are told under the pressure's swing, but for what the closed gas loses by itself."""
    lip = {f"cylinders.{target.name}.lip_drag"}
    return _without(target, {"load_friction", "load_friction_share"} | lip) + _gas_spring(target) * target.even(
        "blanked"
    )


def _gas_spring(target: _Target) -> float:
    """By how much the loss of the closed gas is not known, at the swing of the run. [W]"""
    rig, meters = target.calibration.rig, target.calibration.meters
    kind, geometry = rig.cylinders[target.name].gas, meters.cylinders[target.name]
    bore, swept = float(geometry.bore[0]), float(cylinder.swept_volume(geometry.bore, geometry.stroke)[0])
    swing = float(torque.wave_amplitude(target.parts["pneumatic"][0] / target.frequency, PHASE, swept))
    pressure, ratio = float(rig.ambient_pressure.value), gas.HEAT_CAPACITY_RATIO[kind]
    volume = float(gas_spring.closed_volume(pressure, swing, swept, ratio))
    gap = gas_spring.half_gap(volume, cylinder.disc_area(bore), bore)
    spread = gas.thermal_diffusivity(kind, pressure, rig.ambient_temperature.value)
    lost = gas_spring.hysteresis_power(swing, pressure, volume, gap, spread, target.frequency, ratio)
    return HYSTERESIS * float(lost)


def _recording(target: _Target) -> FloatArray:
    """The loop's work, with the errors of dead centre, pressure gauge and turns, and of the swept volume."""
    meters, net = target.calibration.meters, target.parts["pneumatic"][0]
    geometry = meters.cylinders[target.name]
    volume = cylinder.swept_volume(geometry.bore, geometry.stroke)
    turned = DEAD_CENTRE * target.even("recording") / np.tan(PHASE)
    chance = LOOP_CHANCE * target.rng("turns").standard_normal(meters.size)
    chance[0] = 0.0
    error = net * (turned + chance + volume / volume[0] - 1 + meters.pressure_gain - 1)
    return target.joined(target.parts["pneumatic"], error)


def _rundown(target: _Target) -> FloatArray:
    """The drive without load, with the error of the inertia."""
    drive = target.calibration.drive(np.array([target.frequency]))[0]
    return target.joined(drive, drive[0] * INERTIA * target.even("rundown"))


def _without(target: _Target, fields: Collection[str]) -> FloatArray:
    """The floor without what some errors of fit/meters move it by."""
    meters = target.calibration.meters
    sources = {name: error.source for name, error in common_errors(type(meters)).items()}
    sources |= {f"cylinders.{target.name}.{name}": error.source for name, error in common_errors(CylinderDraws).items()}
    gone = {meters.assumed.get(name, sources[name]) for name in fields}
    return np.asarray(target.floor.without(gone))


WITNESSES: dict[str, tuple[str, float, str, Callable[[_Target], FloatArray]]] = {
    "recording": (
        "pressure recording",
        3.0,
        "[[recordings]]: pressure against crank angle through some twenty turns of this run",
        _recording,
    ),
    "braked": (
        "braked sweep",
        1.5,
        "stage braked: piston off, a rope or disc brake on the crank, three speeds and five torques",
        _braked,
    ),
    "blanked": (
        "blanked sweep",
        1.0,
        "stage blanked: the cylinder closed on a small volume, five speeds, with the pressure's swing",
        _blanked,
    ),
    "rundown": (
        "run-down",
        0.5,
        "[[rundowns]]: cut the supply without load and log the speed until it stands; state the inertia",
        _rundown,
    ),
}
