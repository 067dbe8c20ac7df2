"""What each change would gain at one run: net power and ceiling at the same input, input saved for the same work."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown
from driveloss.errors import InputError
from driveloss.fit.estimate import COVERAGE, Estimate, estimate
from driveloss.physics import motor
from driveloss.say.answer import Answer
from driveloss.say.quantities import Named
from driveloss.whatif.levers import Lever, assumed_of, plain_levers, wished
from driveloss.whatif.machine import Change, Machine, Outcome


@dataclass(frozen=True, kw_only=True)
class Gain(Named):
    """One change: what gas, ceiling and aftercooler gain at the input of now, and what the same work then saves."""

    change: str
    net_gain: Estimate
    ceiling_gain: Estimate
    heat_gain: Estimate
    input_saved: Estimate
    rests_on: str | None  # an assumption, where the change's own part is not stated

    def __repr__(self) -> str:
        return f"Gain({self.change!r}: {self.net_gain.value:.3g} W net)"


@dataclass(frozen=True, kw_only=True)
class MotorLoad:
    """How hard the run works the motor: mean torque at its shaft, and the most that any run asked for."""

    torque: Estimate  # [N m]
    most: float  # [N m]
    most_run: int
    has_motor: bool  # told apart, so that its own drag is not in the torque


@dataclass(frozen=True, repr=False)
class Gains(Answer):
    """The changes, the one that gains most first, at one run of a breakdown."""

    answer: Breakdown
    run: int  # position among the loaded readings
    gains: tuple[Gain, ...]
    motor: MotorLoad
    coverage: float = COVERAGE
    told_by: ClassVar[str] = "driveloss.whatif.tell:whatif"
    lists: ClassVar[tuple[str, ...]] = ("gains",)
    columns: ClassVar[tuple[str, ...]] = ("change", *Gain.csv_columns(), "rests_on")

    def __repr__(self) -> str:
        return f"Gains({len(self.gains)} changes at run {self.run + 1})"


def whatif(answer: Breakdown, change: Change | None = None, *, run: int | None = None) -> Gains:
    """Reckon changes of the machine at one run, the best unless given (0 = the first loaded reading).

    change: what somebody wishes to know; all plain levers unless given. Raises InputError for a run that there is not,
    or a cylinder that was not swept.
    """
    last, index = len(answer.readings) - 1, answer.best_run if run is None else run
    if not 0 <= index <= last:
        raise InputError(f"run: read {index + 1}, expected 1 to {last + 1}")
    machine = Machine(answer, index)
    levers = list(plain_levers(machine)) if change is None else wished(change)
    if change is not None and change.seal_of not in (None, *answer.calibration.ranges):
        names = ", ".join(answer.calibration.ranges)
        raise InputError(f"--seal-of: read '{change.seal_of}', expected a cylinder swept without load: {names}")
    now = machine.now()
    found = [_gain(machine, lever, now) for lever in levers]
    ordered = found if change is not None else sorted(found, key=lambda gain: -gain.net_gain.value)
    return Gains(answer, index, tuple(ordered), _motor_load(answer, index))


def _gain(machine: Machine, lever: Lever, now: Outcome) -> Gain:
    then, saving = machine.at_equal_input(lever.change), machine.at_equal_work(lever.change)
    return Gain(
        change=lever.words,
        net_gain=_told(then.net - now.net, machine),
        ceiling_gain=_told((then.net - now.net) / now.input, machine),
        heat_gain=_told(then.heat - now.heat, machine),
        input_saved=_told(now.input - saving.input, machine),
        rests_on=assumed_of(lever, machine.calibration, lever.change.seal_of or machine.cylinder),
    )


def _told(draws: FloatArray, machine: Machine) -> Estimate:
    found = estimate(draws, machine.calibration.meters)
    if found is None:
        raise InputError("what the change would do is not determinable: the laws of this bench give no number for it")
    return found


def _motor_load(answer: Breakdown, run: int) -> MotorLoad:
    torque = motor_torque(answer)
    told = estimate(torque[run], answer.calibration.meters)
    if told is None:
        raise InputError("the motor's torque is not determinable")
    most = int(np.argmax(torque[:, 0]))
    return MotorLoad(torque=told, most=float(torque[most, 0]), most_run=most, has_motor=answer.calibration.has_motor)


def motor_torque(answer: Breakdown) -> FloatArray:
    """Mean torque at the motor's shaft in each run, with its own drag where not told apart, (n, 1 + draws). [N m]"""
    draws, speed = answer.draws, motor.motor_speed(answer.readings.frequency[:, None], answer.calibration.meters.ratio)
    own = draws["motor"] if answer.calibration.has_motor else draws.get("motor_copper", np.zeros(1))
    return np.asarray((draws["input"] - draws["standby"] - own) / speed)
