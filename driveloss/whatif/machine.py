"""One loaded run as laws, so that it can be run again with something changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown
from driveloss.fit.brake import Brake
from driveloss.fit.calibration import Calibration
from driveloss.fit.cycle import Cycle, cycle_of, measured_piston, pressure_wave
from driveloss.physics import crank

STEPS = 4  # of the secant, each an order of magnitude or two closer
FIRST = 0.02  # its first step, of the input

Laws = Callable[[FloatArray], tuple[FloatArray, FloatArray]]  # from net power to input and the seal's part. [W]


@dataclass(frozen=True)
class Change:
    """What is done to the machine, each as a factor on what it is now; one changes nothing."""

    seal: float = 1.0  # friction of the piston's seal
    pins: float = 1.0  # friction of pins and guides
    linkage: float = 1.0  # what the linkage takes without load (the whole drive where the motor is not told apart)
    motor_drag: float = 1.0  # what the motor takes without load
    resistance: float = 1.0  # of the winding
    torque_constant: float = 1.0
    standby: float = 1.0
    speed: float = 1.0  # of the crank; the mean pressure changes the other way
    transmission: float | None = None  # its efficiency, whatever it is now
    seal_of: str | None = None  # another cylinder, whose seal's friction for each metre of lip is taken


@dataclass(frozen=True)
class Outcome:
    """What the run then takes and gives, (1 + draws,) each. [W]"""

    input: FloatArray
    net: FloatArray
    heat: FloatArray  # at the aftercooler


@dataclass(frozen=True)
class Machine:
    """The machine at one run of a breakdown."""

    answer: Breakdown
    run: int

    @property
    def calibration(self) -> Calibration:
        """Its loss curves."""
        return self.answer.calibration

    @property
    def cylinder(self) -> str:
        """Which piston runs."""
        return str(self.answer.readings.cylinder[self.run])

    def part(self, name: str) -> FloatArray:
        """A part of the run's input as the breakdown has it, (1 + draws,), in SI."""
        return np.asarray(self.answer.draws[name][self.run])

    @property
    def frequency(self) -> float:
        """Of the crank. [Hz]"""
        return float(self.answer.readings.frequency[self.run])

    @property
    def pressure(self) -> float:
        """Mean. [Pa]"""
        return float(self.answer.readings.mean_pressure[self.run])

    def now(self) -> Outcome:
        """The run as it is."""
        return self.at_equal_work(Change())

    def at_equal_work(self, change: Change) -> Outcome:
        """The run with a change, the gas taking the power that it takes now."""
        return self._outcome(change, self.part("pneumatic"))

    def at_equal_input(self, change: Change) -> Outcome:
        """The run with a change, the gas taking all that the input of now then leaves: found by secants."""
        target, low = self.part("input"), self.part("pneumatic")
        short = target - self._outcome(change, low).input
        high = low + np.where(short == 0, FIRST * target, short)
        for _ in range(STEPS):
            left = target - self._outcome(change, high).input
            slope = np.where(left == short, 1.0, (short - left) / np.where(high == low, 1.0, high - low))
            low, short, high = high, left, high + left / np.where(slope > 0, slope, 1.0)
        return self._outcome(change, high)

    def _outcome(self, change: Change, net: FloatArray) -> Outcome:
        power, seal = self._changed(change)(net)
        return Outcome(power + self._unexplained, net, net + self.calibration.meters.seal_heat_share * seal)

    @cached_property
    def _unexplained(self) -> FloatArray:
        """What the run's own reading lies off the laws, by its scatter: the same with any change. [W]"""
        return np.asarray(self.part("input") - self._changed(Change())(self.part("pneumatic"))[0])

    @cached_property
    def _changed(self) -> Callable[[Change], Laws]:
        """The laws with a change, kept since a net power is looked for."""
        return cache(self._laws)

    def _laws(self, change: Change) -> Laws:
        known, at = _changed(self.calibration, change), np.array([self.frequency * change.speed])
        idle, drive, efficiency = change.standby * known.standby, self._drive(change, at), known.meters.efficiency
        cycle_at = self._cycle(change, known, at)

        def taken(net: FloatArray) -> tuple[FloatArray, FloatArray]:
            cycle = cycle_at(net)
            shaft = drive + (net + change.pins * cycle.pins + cycle.seal) / efficiency
            lost = known.load_loss(shaft[None], at, cycle.swing[None]).total[0]
            return np.asarray(idle + shaft + lost), cycle.seal

        return taken

    def _drive(self, change: Change, at: FloatArray) -> FloatArray:
        """Motor and linkage without load. [W]"""
        whole = self.calibration.drive(at)[0]
        motor = self.calibration.motor(at)[0] if self.calibration.has_motor else np.zeros_like(whole)
        return np.asarray(change.motor_drag * motor + change.linkage * (whole - motor))

    def _cycle(self, change: Change, known: Calibration, at: FloatArray) -> Callable[[FloatArray], Cycle]:
        """What tells what the cycle asks of pins and seal at a net power. [W]"""
        pressure = np.array([self.pressure / change.speed])
        piston, mean = measured_piston(known, self.cylinder, at), known.meters.pressure(pressure)[0]
        piston = replace(piston, lip_drag=piston.lip_drag[0])
        seal = change.seal * self._seal(change, at, pressure)
        volume, unread = piston.volume, np.full(mean.shape, np.nan)

        def cycle(net: FloatArray) -> Cycle:
            wave = pressure_wave(net / at, volume, self._phase, unread)
            return cycle_of(piston, (mean, *wave), at[0], seal, known.meters.efficiency)

        return cycle

    @cached_property
    def _phase(self) -> FloatArray:
        """Of the pressure in the run as it is: by its amplitude, where that was read. [rad]"""
        meters, piston = self.calibration.meters, measured_piston(self.calibration, self.cylinder, np.array([1.0]))
        read = self.answer.readings.pressure_amplitude[self.run] * meters.pressure_gain
        return pressure_wave(
            self.part("pneumatic") / self.frequency, piston.volume, meters.phase_of(self.cylinder), read
        )[1]

    def _seal(self, change: Change, at: FloatArray, pressure: FloatArray) -> FloatArray:
        """Friction of the seal without the pressure's swing: the piston's own, or that of another for its lip. [W]"""
        if change.seal_of is None:
            return np.asarray(self.calibration.seal(self.cylinder, at, pressure)[0])
        own, other = (self.calibration.meters.cylinders[name] for name in (self.cylinder, change.seal_of))
        like = at * (own.stroke[0] / other.stroke[0])  # the same speed of the piston
        power = self.calibration.seal(change.seal_of, like, pressure)[0]
        force = power / crank.mean_piston_speed(like[0], other.stroke)
        return np.asarray(force * own.bore / other.bore * crank.mean_piston_speed(at[0], own.stroke))


def _rebraked(brake: Brake, change: Change) -> Brake:
    """What a braked sweep would have told of another motor or transmission: its share holds the belt's."""
    current = 1 / change.torque_constant
    efficiency = (
        brake.efficiency if change.transmission is None else np.full_like(brake.efficiency, change.transmission)
    )
    return replace(
        brake,
        share=brake.share + 1 / efficiency - 1 / brake.efficiency,
        slope=brake.slope * current,
        square=brake.square * change.resistance * current**2,
        efficiency=efficiency,
    )


def _changed(calibration: Calibration, change: Change) -> Calibration:
    """The loss curves with another motor or transmission."""
    meters = calibration.meters
    if meters.brake is not None:
        return replace(calibration, meters=replace(meters, brake=_rebraked(meters.brake, change)))
    meters = replace(
        meters,
        resistance=meters.resistance * change.resistance,
        torque_constant=meters.torque_constant * change.torque_constant,
        efficiency=meters.efficiency if change.transmission is None else np.full(meters.size, change.transmission),
    )
    return replace(calibration, meters=meters, torque_constant=calibration.torque_constant * change.torque_constant)
