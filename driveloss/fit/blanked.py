"""The blanked sweep: friction that grows with the rod's force and the lip's pressure, found in a closed cylinder.

The gas gives back what it takes but for heat and a leak, so what the sweep adds to the no-load one is the cost of force
and pressure: pins, guides and lip. Every draw finds its own values by Gauss and Newton's steps from what was drawn of
them beforehand, to which it is pulled as strongly as those limits are narrow, with its own scatter of the readings: so
the draws are a sample of what readings and limits say together (randomize then optimize: Bardsley, Solonen, Haario &
Laine, SIAM J. Sci. Comput. 36 (2014) A1895; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import Bench, FloatArray
from driveloss.fit.calibration import Calibration, scattered, shifted
from driveloss.fit.cycle import Cycle, cycle_of, measured_piston, pressure_wave
from driveloss.fit.estimate import Estimate, estimate
from driveloss.fit.family import TermReport
from driveloss.fit.findings import Finding
from driveloss.fit.indicated import indicated, runs_at
from driveloss.fit.meters import Meters, common_errors, stream
from driveloss.fit.motor_loss import Scattered, shaft_power
from driveloss.fit.readings import Readings, gather
from driveloss.fit.scatter import UNIFORM_SD
from driveloss.physics import cylinder, gas, gas_spring

PASSES = 3  # of Gauss and Newton's: what is looked for is nearly linear
STEP = 0.1  # of a standard deviation, for slopes
HELD = 1e9  # how much more strongly than by its limits a value is pulled to zero that would fall below it
BELOW = 3.5  # standard deviations under the power without load from which a reading cannot be right
GAS = ("hysteresis", "leak_rate")
SPRING = (*GAS, "blanked_seal")  # what the sweep itself depends on, and nothing else does
LIP = ("lip_drag", "pressure_friction")
TOLD = 0.7  # of what a spread in watts was, below which a sweep tells it
MILLI, BAR = 1e3, 1e5


@dataclass(frozen=True)
class Spring:
    """A closed cylinder's gas at each blanked reading, (n, 1 + draws)."""

    mean: FloatArray  # [Pa]
    amplitude: FloatArray  # [Pa]
    hysteresis: FloatArray  # [W] as still gas loses
    leak: FloatArray  # [J] for each 1/s of leak


@dataclass(frozen=True)
class RecordedSpring:
    """What the pressure recorded at some blanked readings says of the power that the gas keeps, (1 + draws,). [W]"""

    cylinder: str
    runs: NDArray[np.int64]
    power: FloatArray

    def residual(self, calibration: Calibration, readings: Readings) -> FloatArray:
        """Reckoned less recorded over that one's standard deviation, (1, 1 + draws)."""
        lost = _lost(calibration, self.cylinder, readings.only(self.runs)).mean(axis=0)
        spread = max(float(self.power[1:].std()), 1e-3 * abs(float(self.power[0])))
        return np.asarray((lost - self.power)[None, :] / spread)


@dataclass(frozen=True)
class FittedBlanked:
    """What the blanked sweeps tell: draws of the fields of fit/meters that they found, by path, (1 + draws,)."""

    found: Mapping[str, FloatArray]
    readings: Readings
    recorded: tuple[str, ...] = ()  # cylinders whose pressure was recorded while blanked

    def known_to(self, calibration: Calibration) -> Calibration:
        """The calibration with them; what was drawn beforehand is kept, for it is what the rest of their spread is.

        What they tell is no longer assumed: what they leave about as open as it was still is.
        """
        gases = {f"cylinders.{name}.{field}" for name in self.recorded for field in GAS}
        kept = {p: draws for p, draws in self.found.items() if p.rpartition(".")[2] not in SPRING or p in gases}
        known = _with(calibration, kept, {path: _drawn(calibration.meters, path) for path in kept})
        told = self._told(calibration, known)
        left = {path: row for path, row in calibration.meters.assumed.items() if path not in told}
        return replace(known, meters=replace(known.meters, assumed=left))

    def _told(self, before: Calibration, after: Calibration) -> set[str]:
        """Which of them, by path, the sweeps made much narrower in the watts that they stand for."""
        told: set[str] = set()
        for name in dict.fromkeys(self.readings.cylinder.tolist()):
            fastest, cylinder = self._fastest(name), f"cylinders.{name}."
            if _narrowed(_grown(before, name, fastest), _grown(after, name, fastest)):
                told |= {path for path in self.found if "." not in path} | {cylinder + field for field in LIP}
            if _narrowed(_lost(before, name, fastest)[0], _lost(after, name, fastest)[0]):
                told |= {cylinder + field for field in GAS}
        return told

    def _fastest(self, name: str) -> Readings:
        """The blanked reading of a cylinder at its highest frequency."""
        mine = np.flatnonzero(self.readings.cylinder == name)
        return self.readings.only(mine[[int(np.argmax(self.readings.frequency[mine]))]])

    def terms(self, calibration: Calibration) -> tuple[TermReport, ...]:
        """For people: pins and guides, then the lip of each cylinder."""
        names = dict.fromkeys(self.readings.cylinder.tolist())
        stroke = calibration.meters.cylinders[next(iter(names))].stroke
        rows: list[tuple[str, str, Estimate | None]] = []
        if not all("." in path for path in self.found):
            length = MILLI * calibration.meters.load_friction_length(stroke)
            rows.append(("blanked sweep: friction torque at the crank per newton in the rod", "mm", estimate(length)))
        for name in names:
            if any(path in self.found for path in (f"cylinders.{name}.{field}" for field in LIP)):
                at = np.array([float(np.median(self.readings.frequency[self.readings.cylinder == name]))])
                drag = BAR * calibration.lip_drag(name, at)[0]
                rows.append((f"blanked sweep: drag of the seal of '{name}' under pressure", "N/bar", estimate(drag)))
        return tuple(TermReport(label, unit, one) for label, unit, one in rows if one is not None)

    def notes(self, calibration: Calibration) -> tuple[str, ...]:
        """In words: what force and pressure cost at each cylinder's fastest blanked reading."""
        return tuple(self._note(calibration, name) for name in dict.fromkeys(self.readings.cylinder.tolist()))

    def _note(self, calibration: Calibration, name: str) -> str:
        reading = self._fastest(name)
        grown = estimate(_grown(calibration, name, reading))
        watts = "nobody knows how much" if grown is None else f"{grown.value:.2g} ±{grown.half_width:.1g} W"
        swing = float(_spring(calibration, name, reading).amplitude[0, 0]) / BAR
        both = any("." not in path for path in self.found) and any(path.endswith(LIP) for path in self.found)
        split = ", which the sweep tells together: how they share it rests on the limits of each" if both else ""
        return (
            f"Blanked sweep of '{name}': the rod's force and the lip's pressure take {watts} more than without load at "
            f"{reading.frequency[0]:.3g} Hz with a swing of {swing:.2g} bar, in pins, guides and lip{split}."
        )


def fit_blanked(calibration: Calibration, bench: Bench) -> FittedBlanked | None:
    """Find load friction and the lip's drag in the blanked sweeps; None without one.

    What is exact stays; where no-load sweeps at two pressures tell the lip's drag, pins alone are left to find.
    Hysteresis, leak and the seal's drag on the day are found beside them, as far as their limits leave them open.
    """
    readings = gather(calibration.rig, bench.sweeps, ("blanked",))
    if len(readings) == 0:
        return None
    free = _free(calibration, readings)
    rng = stream(calibration.seed, "blanked")
    recorded = _recorded(calibration, readings, bench)
    chance = scattered(calibration, readings, rng)
    misread = calibration.meters.each_misread(readings.frequency, rng)
    quiet = _residual(calibration, readings, {}, None, np.zeros_like(misread))
    noise = _residual(calibration, readings, {}, chance, misread) - quiet
    floor = np.maximum(readings.resolution * UNIFORM_SD, 1e-6 * readings.power)
    sigma = np.maximum(noise[:, 1:].std(axis=1), floor)

    def residual(values: Mapping[str, FloatArray]) -> FloatArray:
        found = _residual(calibration, readings, values, chance, misread)
        told = [one.residual(_with(calibration, values), readings) for one in recorded]
        return np.vstack([found / sigma[:, None], *told])

    return FittedBlanked(_optimised(residual, free), readings, tuple(one.cylinder for one in recorded))


def _optimised(
    residual: Callable[[Mapping[str, FloatArray]], FloatArray], free: Mapping[str, tuple[FloatArray, float]]
) -> dict[str, FloatArray]:
    """Values, (1 + draws,) each, that make residuals over scatter small and stay near what was drawn beforehand."""
    if not free:
        return {}
    paths, spread = list(free), np.array([sd for _, sd in free.values()])[:, None]
    prior = np.array([draws for draws, _ in free.values()]) / spread
    value = prior

    def at(scaled: FloatArray) -> FloatArray:
        return residual(dict(zip(paths, scaled * spread, strict=True)))

    for _ in range(PASSES):
        here = at(value)
        moved = value + STEP * np.eye(len(paths))[:, :, None]
        slopes = np.array([(at(one) - here) / STEP for one in moved])
        value = _step(slopes, here, value, prior)
    return dict(zip(paths, value * spread, strict=True))


def _step(slopes: FloatArray, here: FloatArray, value: FloatArray, prior: FloatArray) -> FloatArray:
    """The least squares of residuals, linear in k values, and of their distance from the prior; none below zero.

    slopes: (k, n, 1 + draws). here: residuals at `value`, (n, 1 + draws). value, prior: (k, 1 + draws).
    """
    normal = np.einsum("knd,lnd->dkl", slopes, slopes)
    at_zero = np.einsum("knd,nd->dk", slopes, np.einsum("knd,kd->nd", slopes, value) - here)
    pull, target = np.ones_like(value), prior
    for _ in range(len(value)):
        matrix = normal + pull.T[:, :, None] * np.eye(len(value))
        found = np.linalg.solve(matrix, (at_zero + (pull * target).T)[:, :, None])[:, :, 0].T
        if not np.any(below := found < 0):
            break
        pull, target = np.where(below, HELD, pull), np.where(below, 0.0, target)
    return np.asarray(np.maximum(found, 0.0))


def _free(calibration: Calibration, readings: Readings) -> dict[str, tuple[FloatArray, float]]:
    """What is to be found, by path: its draws beforehand and their standard deviation, where they have one."""
    names, meters = list(dict.fromkeys(readings.cylinder.tolist())), calibration.meters
    paths = ["load_friction_share", "load_friction"]
    for name in names:
        paths += [f"cylinders.{name}.{field}" for field in (*_lip(calibration, name), *SPRING)]
    drawn = {path: _drawn(meters, path) for path in paths}
    spread = {path: _spread(calibration, path, draws) for path, draws in drawn.items()}
    return {path: (draws, spread[path]) for path, draws in drawn.items() if spread[path] > 0}


def _lip(calibration: Calibration, name: str) -> tuple[str, ...]:
    """The field that holds a seal's drag under pressure, where a blanked sweep may find it.

    A stated drag is in what the ladder took off its sweeps, if they were made at pressure: then it stays as stated.
    """
    if name in calibration.stated_pressure_friction:
        at, back = calibration.ranges[name].pressures[-1], calibration.rig.cylinders[name].back_pressure.value
        return ("pressure_friction",) if at <= back else ()
    return () if calibration.tells_lip_drag(name) else ("lip_drag",)


def _spread(calibration: Calibration, path: str, draws: FloatArray) -> float:
    """Standard deviation of what was drawn; by its limits where its source is not at work."""
    if np.ptp(draws) > 0:
        return float(draws[1:].std())
    where, _, name = path.rpartition(".")
    cylinder = where.partition(".")[2]
    holder = calibration.rig.cylinders[cylinder] if cylinder else calibration.rig
    record = calibration.meters.cylinders[cylinder] if cylinder else calibration.meters
    (_, low, high), _ = common_errors(record)[name].drawn(name, holder)
    return float(np.nan_to_num(high - low) / np.sqrt(12))


def _drawn(meters: Meters, path: str) -> FloatArray:
    where, _, name = path.rpartition(".")
    found: FloatArray = getattr(meters.cylinders[where.partition(".")[2]] if where else meters, name)
    return found


def _with(
    calibration: Calibration, values: Mapping[str, FloatArray], prior: Mapping[str, FloatArray] | None = None
) -> Calibration:
    """The calibration with other draws of some fields, by path."""
    meters = calibration.meters
    cylinders = {
        name: replace(
            draws, **{p.rpartition(".")[2]: v for p, v in values.items() if p.startswith(f"cylinders.{name}.")}
        )
        for name, draws in meters.cylinders.items()
    }
    own: dict[str, Any] = {path: draws for path, draws in values.items() if "." not in path}
    kept = meters.prior if prior is None else {**meters.prior, **prior}
    return replace(calibration, meters=replace(meters, cylinders=cylinders, prior=kept, **own))


def _residual(
    calibration: Calibration,
    readings: Readings,
    values: Mapping[str, FloatArray],
    chance: Scattered | None,
    misread: FloatArray,
) -> FloatArray:
    """What of each reading nothing explains, at the piston, with some fields as given by path, (n, 1 + draws). [W]"""
    calibration = _with(calibration, values) if values else calibration
    meters, f = calibration.meters, readings.frequency
    swing, explained = np.empty_like(misread), np.empty_like(misread)
    for name in dict.fromkeys(readings.cylinder.tolist()):
        mine = readings.cylinder == name
        cycle, lost = _closed_cycle(calibration, name, readings.only(mine), misread[mine])
        swing[mine], explained[mine] = cycle.swing, cycle.pins + cycle.seal + lost
    shaft = shaft_power(readings, meters, calibration.standby, calibration.route, chance, swing).power
    return np.asarray(meters.efficiency * (shaft - shifted(calibration.drive, f, misread)) - explained)


def _recorded(calibration: Calibration, readings: Readings, bench: Bench) -> list[RecordedSpring]:
    """What recordings of blanked readings tell. Raises InputError for one that belongs to none."""
    found = []
    for recording in bench.recordings:
        if recording.stage == "blanked":
            told = indicated(calibration, recording)
            runs = runs_at(readings, recording, told.frequency)
            found.append(RecordedSpring(recording.cylinder, runs, told.work * told.frequency))
    return found


def _lost(calibration: Calibration, name: str, readings: Readings) -> FloatArray:
    """What heat and leak take of a closed cylinder's gas, (n, 1 + draws). [W]"""
    spring, own = _spring(calibration, name, readings), calibration.meters.cylinders[name]
    return np.asarray(own.hysteresis * spring.hysteresis + own.leak_rate * spring.leak)


def _closed_cycle(
    calibration: Calibration, name: str, readings: Readings, misread: FloatArray
) -> tuple[Cycle, FloatArray]:
    """The cycle of one cylinder's blanked readings, and what heat and leak take of the gas, (n, 1 + draws). [W]"""
    meters, f, spring = calibration.meters, readings.frequency, _spring(calibration, name, readings)
    own = meters.cylinders[name]
    lost = _lost(calibration, name, readings)
    piston = replace(measured_piston(calibration, name, f), seal_change=own.blanked_seal)
    seal = shifted(lambda at: calibration.seal(name, at, readings.mean_pressure), f, misread)
    wave = pressure_wave(lost / f[:, None], piston.volume, np.zeros(1), spring.amplitude)
    return cycle_of(piston, (spring.mean, *wave), f[:, None], seal, meters.efficiency), lost


def _spring(calibration: Calibration, name: str, readings: Readings) -> Spring:
    """The gas closed in: how far it swings, as read, else by its volume; its volume, as stated, else by the swing."""
    meters, own, f = calibration.meters, calibration.meters.cylinders[name], readings.frequency[:, None]
    fill = calibration.rig.cylinders[name].gas
    mean, kappa = meters.pressure(readings.mean_pressure), gas.HEAT_CAPACITY_RATIO[fill]
    read, swept = (
        readings.pressure_amplitude[:, None] * meters.pressure_gain,
        cylinder.swept_volume(own.bore, own.stroke),
    )
    heat = gas.thermal_diffusivity(fill, mean, meters.ambient_temperature)
    by_swing = gas_spring.closed_volume(mean, np.where(np.isfinite(read), read, 0.1 * mean), swept, kappa)
    volume = np.where(np.isfinite(own.closed_volume), own.closed_volume + swept / 2, by_swing)
    gap = gas_spring.half_gap(volume, cylinder.disc_area(own.bore), own.bore)
    power = np.abs(gas_spring.exponent(gap, heat, f, kappa))
    amplitude = np.where(np.isfinite(read), read, gas_spring.closed_swing(mean, volume, swept, power))
    return Spring(
        mean=mean,
        amplitude=amplitude,
        hysteresis=gas_spring.hysteresis_power(amplitude, mean, volume, gap, heat, f, kappa),
        leak=gas_spring.leak_power(amplitude, mean, volume, 1.0),
    )


def _grown(calibration: Calibration, name: str, reading: Readings) -> FloatArray:
    """What force and pressure cost at one blanked reading beyond the power without load, (1 + draws,). [W]"""
    f, p, still = reading.frequency, reading.mean_pressure, np.zeros((1, calibration.draws + 1))
    cycle, _ = _closed_cycle(calibration, name, reading, still)
    drag = calibration.meters.cylinders[name].blanked_seal * calibration.seal(name, f, p)
    return np.asarray((cycle.pins + cycle.seal - drag - calibration.pins(name, f, p))[0])


def _narrowed(before: FloatArray, after: FloatArray) -> bool:
    """Whether draws, (1 + draws,), spread much less than before."""
    return bool(after[1:].std() < TOLD * before[1:].std())


def told(calibration: Calibration, fitted: FittedBlanked) -> list[Finding]:
    """Blanked readings that take less than the machine does without load, one sentence each."""
    readings = fitted.readings
    shaft = shaft_power(readings, calibration.meters, calibration.standby, calibration.route).power
    short = shaft - calibration.shaft_power(readings)
    scatter = scattered(calibration, readings, stream(calibration.seed, "blanked"))
    spread = np.hypot(short[:, 1:].std(axis=1), scatter.power[:, 1:].std(axis=1))
    low = np.flatnonzero(short[:, 0] < -BELOW * np.maximum(spread, readings.resolution))
    return [_below(readings, int(i), float(-short[i, 0])) for i in low]


def _below(readings: Readings, i: int, short: float) -> Finding:
    text = (
        f"{readings.where(i)}: {readings.power[i]:g} W at {readings.typed[i]} with cylinder "
        f"'{readings.cylinder[i]}' blanked is {short:.2g} W less at the shaft than the machine takes without load, and "
        "a closed cylinder takes more: was the head open? Close it, or sweep without load again straight before."
    )
    return Finding("blanked", text, str(readings.file[i]), int(readings.line[i]), short)
