"""The draws of loaded readings: the parts of their input, their ceilings and the heat at the aftercooler."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.breakdown.settled import Ends, same_setting
from driveloss.breakdown.temperatures import ceilings_and_ends
from driveloss.fit.calibration import Calibration, scattered, shifted
from driveloss.fit.cycle import Cycle, loaded_cycle
from driveloss.fit.meters import stream
from driveloss.fit.motor_loss import Scattered, shaft_power
from driveloss.fit.readings import Readings
from driveloss.fit.suspects import LADDER_DOF, Course
from driveloss.losses.no_load import no_load_draws
from driveloss.physics import aftercooler, ceilings

PASSES = 4  # each some thirty times closer than the one before

SIZE, DRAWS = 64, 2000  # readings whose draws are reckoned together, fewer of more draws: what a cache holds

Draws = dict[str, FloatArray]  # (n, 1 + draws) by name; what cannot be determined is absent, or nan in its row


@dataclass(frozen=True)
class Block:
    """Some loaded readings, their places among all, and what the others of their sweeps say of them.

    Each has random numbers of its own by its number: reckoned again, or in another order, it comes out the same.
    """

    number: int
    places: NDArray[np.int64]
    readings: Readings
    course: Course


def blocks_of(readings: Readings, course: Course, draws: int = DRAWS) -> list[Block]:
    """All readings in blocks; those of one setting at several times stay together."""
    size = min(max(SIZE * DRAWS // draws, 1), SIZE)
    may_end = np.flatnonzero(~same_setting(readings)) + 1
    ends = [0]
    while ends[-1] < len(readings):
        later = may_end[np.searchsorted(may_end, ends[-1] + size) :]
        ends.append(int(later[0]) if len(later) else len(readings))
    return [_block(readings, course, *each) for each in enumerate(pairwise(ends))]


def _block(readings: Readings, course: Course, number: int, ends: tuple[int, int]) -> Block:
    mine = slice(*ends)
    return Block(number, np.arange(*ends), readings.only(mine), Course(course.off[mine], course.spread[mine]))


def parts_of(calibration: Calibration, block: Block, some: slice = slice(None)) -> Draws:
    """The parts of the input power; they add up to it in every draw. [W]

    What pins, lip and ripple take follows from the cycle, which follows from the net power: found in a few passes.
    some: of the block's readings, whose random numbers are then those that they have among all.
    """
    rng, meters = stream(calibration.seed, "breakdown", block.number), calibration.meters
    chance = scattered(calibration, block.readings, rng, _doubt(calibration, block))
    scatter = Scattered(chance.power[some], chance.current[some])
    misread = meters.each_misread(block.readings.frequency, rng)[some]
    readings, shape = block.readings.only(some), misread.shape
    drive = shifted(calibration.drive, readings.frequency, misread)
    seal = shifted(partial(_seal, calibration, readings), readings.frequency, misread)
    cycle = Cycle(np.zeros(shape), seal, np.zeros((len(readings), 1)))
    cycle_at = loaded_cycle(calibration, readings)
    for _ in range(PASSES):
        shaft = shaft_power(readings, meters, calibration.standby, calibration.route, scatter, cycle.swing)
        load = shaft.power - drive  # what passes through the transmission: pins, the seal's friction and the gas
        net = meters.efficiency * load - cycle.pins - cycle.seal
        cycle = cycle_at(net, seal)
    drive = drive + meters.efficiency * load - cycle.seal - net  # and pins
    belt = calibration.belt(load)
    load_loss = shaft.load_loss - belt
    draws = {
        "input": shaft.input,
        "standby": np.broadcast_to(calibration.standby, shape),
        "drive": drive + load_loss,
        "transmission": (1 - meters.efficiency) * load + belt,
        "seal": cycle.seal,
        "pneumatic": net,
    }
    if calibration.has_motor:
        motor = shifted(calibration.motor, readings.frequency, misread)
        draws |= {"motor": motor + load_loss, "linkage": drive - motor}
    return draws | ({"motor_copper": shaft.copper} if calibration.route.has_copper else {})


def _doubt(calibration: Calibration, block: Block) -> FloatArray | float:
    """What the input of each run deviates by in each draw, (n, 1 + draws): zero for runs beyond suspicion. [W]

    A suspect is as it was read in one half of the draws and a slip in the other: then it is where the others put it.
    """
    course, shape = block.course, (len(block.readings), calibration.draws + 1)
    if not len(course.suspects):
        return 0.0
    rng = stream(calibration.seed, "suspect runs", block.number)
    is_slip = rng.random(shape) < 0.5
    is_slip[:, 0] = False
    return is_slip * (course.spread[:, None] * rng.standard_t(LADDER_DOF, shape) - course.off[:, None])


def _subtracted(calibration: Calibration, readings: Readings, parts: Draws) -> FloatArray:
    """Input less the no-load input at the same frequency: the most that the net can be, if nothing else grew. [W]"""
    least = np.empty_like(parts["input"])
    for name in np.unique(readings.cylinder):
        mine = readings.cylinder == name
        at = readings.frequency[mine], str(name), readings.mean_pressure[mine]
        least[mine] = no_load_draws(calibration, *at)["total"]
    return np.asarray(parts["input"] - least)


def _seal(calibration: Calibration, readings: Readings, frequency: FloatArray) -> FloatArray:
    """Seal friction of each reading's cylinder at frequency (n,), (n, 1 + draws). [W]"""
    friction = np.empty((len(readings), calibration.draws + 1))
    for name in np.unique(readings.cylinder):
        mine = readings.cylinder == name
        friction[mine] = calibration.seal(str(name), frequency[mine], readings.mean_pressure[mine])
    return friction


def beside(calibration: Calibration, readings: Readings, parts: Draws, ends: Ends) -> Draws:
    """What follows from the parts: ceilings, aftercooler heat, cycle work, temperatures of the ends, upper bound."""
    meters, pneumatic, seal = calibration.meters, parts["pneumatic"], parts["seal"]
    heat = aftercooler.aftercooler_heat(pneumatic, seal, meters.seal_heat_share)
    frequency = meters.frequency(readings.frequency)
    pressure = meters.pressure(readings.mean_pressure)
    bore, stroke = (_by_cylinder(calibration, readings, key) for key in ("bore", "stroke"))
    return {
        "efficiency_ceiling": ceilings.efficiency_ceiling(pneumatic, parts["input"]),
        "aftercooler_heat": heat,
        "friction_heat": meters.seal_heat_share * seal,
        "cycle_work_ratio": ceilings.cycle_work_ratio(pneumatic, frequency, pressure, bore, stroke),
        **ceilings_and_ends(calibration, readings, pneumatic, heat, ends),
        "subtraction": _subtracted(calibration, readings, parts),
    }


def _by_cylinder(calibration: Calibration, readings: Readings, key: str) -> FloatArray:
    """A dimension of each reading's cylinder, (n, 1 + draws)."""
    return np.array([getattr(calibration.meters.cylinders[name], key) for name in readings.cylinder])
