"""Prediction: losses, net power and motor torque for a bore, stroke, charge pressure or frequency not yet tried."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from driveloss.bench.records import FloatArray, Quantity, Rig
from driveloss.breakdown.ask import Balance, Breakdown
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.checks import known_cylinder, positive
from driveloss.fit.estimate import COVERAGE, Estimate, estimate
from driveloss.fit.meters import stream
from driveloss.losses.ask import shifted
from driveloss.physics import aftercooler, ceilings, crank, cylinder
from driveloss.predict import scaling, torque_margin
from driveloss.predict.rules import Rule, rules
from driveloss.predict.scaling import Disagreement, Seal
from driveloss.say.answer import Answer
from driveloss.say.quantities import reported

SAME_SIZE = 1e-3  # a bore or stroke closer than this fraction is that of the measured cylinder
MILLIMETRES, BARS = (1e-3, "mm"), (1e5, "bar")
SHOWN_ANGLES = slice(None, None, 5)  # of ANGLES: every 10 degrees

Spreads = dict[str, Disagreement]  # that entered, by the name that a Rule gives


@dataclass(frozen=True)
class Wanted:
    """The cylinder to predict, complete."""

    bore: Quantity  # [m]
    stroke: Quantity  # [m]
    mean_pressure: Quantity  # [Pa]
    back_pressure: Quantity  # [Pa]
    like: str | None  # the measured cylinder whose seal and cycle are scaled; None pools them all
    pressure_amplitude: Quantity | None = None  # [Pa] half of peak to peak


@dataclass(frozen=True, kw_only=True)
class Prediction(Balance):
    """One frequency; SI units, None where not determinable."""

    frequency: float  # [Hz]
    mean_piston_speed: float  # [m/s]
    cycle_work_ratio: Estimate
    seal_force: Estimate
    lip_friction: Estimate
    pressure_amplitude: Estimate | None
    least_pressure_amplitude: Estimate | None
    mean_torque: Estimate | None
    peak_torque: Estimate | None
    mean_current: Estimate | None
    peak_current: Estimate | None
    mean_torque_margin: Estimate | None = None
    peak_torque_margin: Estimate | None = None
    mean_current_margin: Estimate | None = None
    peak_current_margin: Estimate | None = None
    spreads: Spreads
    peak_angle: float  # [rad] after top dead centre, where the motor must supply most
    cycle: tuple[tuple[float, Estimate | None], ...]  # crank angle [rad], torque at the motor shaft [N m]
    verdict: str  # a key of torque_margin.VERDICTS
    flags: tuple[str, ...]
    draws: dict[str, FloatArray] = field(compare=False)  # (1 + draws,) each

    def __repr__(self) -> str:
        return f"Prediction({self.frequency:g} Hz: {self.input.value:.4g} W in, {self.pneumatic.value:.3g} W net)"


@dataclass(frozen=True, repr=False)
class Predictions(Answer):
    """What was asked, by which rules, and what follows at each frequency."""

    calibration: Calibration
    wanted: Wanted
    cylinders: tuple[str, ...]  # whose seals were scaled
    rules: tuple[Rule, ...]
    points: tuple[Prediction, ...]
    coverage: float = COVERAGE
    told_by: ClassVar[str] = "driveloss.predict.tell:predict"

    def __repr__(self) -> str:
        return f"Predictions({self.calibration.title!r}, {len(self.points)} frequencies)"

    def rows(self) -> list[dict[str, Any]]:
        """As of every answer, without the torque through the cycle."""
        return [{key: item for key, item in row.items() if key != "torque_cycle"} for row in super().rows()]


def wanted_cylinder(answer: Breakdown, like: str | None = None, **stated: Quantity) -> Wanted:
    """Complete what is stated of `Wanted` by the cylinder `like`, or by what all measured cylinders share.

    Raises InputError for an unknown cylinder, a size that cannot be, or a quantity that stays open.
    """
    rig, names = answer.calibration.rig, list(answer.calibration.ranges)
    if like is not None:
        known_cylinder(answer.calibration, like, "--like", "a cylinder")
    like = names[0] if len(names) == 1 else like
    chosen = [rig.cylinders[name] for name in ([like] if like else names)]
    measured = {
        "bore": ([c.bore for c in chosen], MILLIMETRES),
        "stroke": ([c.stroke for c in chosen], MILLIMETRES),
        "mean_pressure": (_loaded_pressures(answer, like), BARS),
        "back_pressure": ([c.back_pressure for c in chosen], BARS),
    }
    shared = {key: _shared(key, *found, like) for key, found in measured.items() if key not in stated}
    wanted = Wanted(like=like, **shared, **stated)
    _check(rig, wanted)
    return wanted


def _shared(key: str, values: Sequence[Quantity], unit: tuple[float, str], like: str | None) -> Quantity:
    """The one value that all have."""
    distinct = {value.value: value for value in values}
    if len(distinct) == 1:
        return next(iter(distinct.values()))
    found = " and ".join(_in(value, unit) for value in sorted(distinct)) or "none"
    whose = f"cylinder '{like}' was measured with" if like else "the cylinders were measured with"
    other = "" if like else ", or name one of them with --like"
    option = f"--{key.replace('_', '-')}"
    raise InputError(f"{option} is missing: {whose} {found}; give {option}{other}")


def _in(value: float, unit: tuple[float, str]) -> str:
    """A value [SI] for a message, in a unit that people use."""
    return f"{value / unit[0]:.4g} {unit[1]}"


def _loaded_pressures(answer: Breakdown, like: str | None) -> list[Quantity]:
    levels = scaling.work_levels(answer)
    return [Quantity(level.pressure) for name in ([like] if like in levels else levels) for level in levels[name]]


def _check(rig: Rig, wanted: Wanted) -> None:
    rod, stroke, pressure, amplitude = rig.rod_length, wanted.stroke, wanted.mean_pressure, wanted.pressure_amplitude
    if rod is not None and rod.value <= stroke.value / 2:
        raise InputError(
            f"--stroke: expected less than twice the rod length of {_in(rod.value, MILLIMETRES)}, "
            f"read {_in(stroke.value, MILLIMETRES)}"
        )
    if amplitude is not None and not 0 < amplitude.value < pressure.value:
        raise InputError(
            f"--pressure-amplitude: expected half of peak to peak, less than the mean pressure of "
            f"{_in(pressure.value, BARS)}; read {_in(amplitude.value, BARS)}"
        )


def predict(answer: Breakdown, wanted: Wanted, frequencies: Iterable[float]) -> Predictions:
    """Predict a cylinder at each frequency [Hz] from a bench's calibration and its loaded runs.

    Raises InputError for a frequency that is not positive, or an amplitude too small for the cycle's work.
    """
    scaler = _Scaler(answer, wanted)
    points = tuple(scaler.point(positive(frequency, "Hz", "--at")) for frequency in frequencies)
    return Predictions(answer.calibration, wanted, tuple(scaler.names), scaler.rules(), points)


class _Scaler:
    """The measured side of one request and the draws of what it states, the same at every frequency."""

    def __init__(self, answer: Breakdown, wanted: Wanted):
        self.calibration, self.wanted = answer.calibration, wanted
        self.levels = scaling.work_levels(answer)
        self.seals = {name: Seal(self.calibration, name) for name in self.calibration.ranges}
        self.names = [wanted.like] if wanted.like else list(self.seals)
        self.chosen = [self.seals[name] for name in self.names]
        self.with_runs = [name for name in self.names if name in self.levels] or list(self.levels)
        self.own_seal = self._same("bore")
        self.own_cycle = self._same("bore", "stroke") and self.with_runs == self.names
        self.drag_is_known = any(seal.tells_drag for seal in self.seals.values())
        self.across = max(wanted.mean_pressure.value - wanted.back_pressure.value, 0.0)  # [Pa]
        pressure, runs = wanted.mean_pressure.value, [self.levels[name] for name in self.with_runs]
        self.octaves = max(scaling.octaves_outside(levels, pressure) for levels in runs)
        self.size = self.calibration.draws + 1
        self.rng = stream(self.calibration.seed, "predict")
        self.bore, self.stroke = self._dimension("bore"), self._dimension("stroke")
        self.pressure, self.back_pressure = self._stated(wanted.mean_pressure), self._stated(wanted.back_pressure)
        self.amplitude = None if wanted.pressure_amplitude is None else self._stated(wanted.pressure_amplitude)
        motor = self.calibration.rig.motor
        limits = {"torque": motor.peak_torque, "current": motor.current_limit}
        self.limits = {kind: self._stated(limit) for kind, limit in limits.items() if limit is not None}
        self.phase = self._between(torque_margin.PHASE, torque_margin.LEAST_PHASE, torque_margin.MOST_PHASE)

    def _between(self, best: float, low: float, high: float) -> FloatArray:
        return np.concatenate([[best], self.rng.uniform(low, high, self.size - 1)])

    def _stated(self, quantity: Quantity) -> FloatArray:
        value, limit = quantity.value, quantity.limit
        return self._between(value, value - limit, value + limit)

    def _dimension(self, key: str) -> FloatArray:
        """A dimension kept from a measured cylinder keeps that cylinder's draws."""
        quantity, like = getattr(self.wanted, key), self.wanted.like
        if like and quantity == getattr(self.calibration.rig.cylinders[like], key):
            return np.asarray(getattr(self.calibration.meters.cylinders[like], key))
        return self._stated(quantity)

    def _same(self, *keys: str) -> bool:
        """Whether these dimensions are those of the cylinder it is like: then it is that very one."""
        if self.wanted.like is None:
            return False
        measured = self.calibration.rig.cylinders[self.wanted.like]
        pairs = ((getattr(self.wanted, key).value, getattr(measured, key).value) for key in keys)
        return all(abs(new - old) <= SAME_SIZE * old for new, old in pairs)

    def rules(self) -> tuple[Rule, ...]:
        """The steps taken."""
        return rules(
            own_seal=self.own_seal,
            own_cycle=self.own_cycle,
            drag_known=self.drag_is_known,
            amplitude_stated=self.amplitude is not None,
            copper=self.calibration.route.has_copper,
        )

    def point(self, frequency: float) -> Prediction:
        """Everything at one frequency. [Hz]"""
        rng = stream(self.calibration.seed, "predict disagreement")
        speed = float(crank.mean_piston_speed(frequency, self.wanted.stroke.value))
        force, spreads = self._seal_force(speed, rng)
        ratio, further = self._work_ratio(frequency, rng)
        load = self._load(frequency, force, ratio)
        wants, cycle = torque_margin.demands(self.calibration, load, self.amplitude, self.phase, self.limits)
        draws = self._powers(load) | {"cycle_work_ratio": ratio} | wants
        known, meters = (q.key for q in reported(Prediction) if q.key in draws), self.calibration.meters
        parts: dict[str, Any] = {key: estimate(draws[key], meters) for key in known}
        shown = zip(torque_margin.ANGLES[SHOWN_ANGLES], cycle[SHOWN_ANGLES], strict=True)
        return Prediction(
            frequency=frequency,
            mean_piston_speed=speed,
            **parts,
            spreads=spreads | further,
            peak_angle=float(torque_margin.ANGLES[np.argmax(cycle[:, 0])]),
            cycle=tuple((float(angle), estimate(row)) for angle, row in shown),
            verdict=torque_margin.verdict(parts),
            flags=self._flags(frequency, speed),
            draws=draws,
        )

    def _seal_force(self, speed: float, rng: np.random.Generator) -> tuple[FloatArray, Spreads]:
        """Mean friction force of the new seal at the piston, (1 + draws,), and the disagreements in it. [N]"""
        drags, spread = scaling.pressure_drags(self.seals, speed, self.size, rng)
        every = {name: seal.friction(speed, self.across, drags[name]) for name, seal in self.seals.items()}
        lip = scaling.disagreement(np.array(list(every.values())), scaling.LIP_SPREAD)
        factor = lip.factor(rng, self.size, np.sqrt(1 + 1 / len(self.names)))
        friction = np.mean([every[name] for name in self.names], axis=0)
        borrowed = any(not seal.tells_drag and seal.missing(self.across) for seal in self.chosen)
        spreads = {"pressure_drag": spread} if spread and borrowed else {}
        if not self.own_seal:
            spreads, friction = spreads | {"lip_friction": lip}, friction * factor
        return np.asarray(np.pi * self.bore * friction), spreads

    def _work_ratio(self, frequency: float, rng: np.random.Generator) -> tuple[FloatArray, Spreads]:
        """Cycle work ratio of the new cylinder, (1 + draws,), and the disagreements in it. [1]"""
        doubt = np.concatenate([[0.0], rng.uniform(-1, 1, self.size - 1)])
        pressure = self.wanted.mean_pressure.value
        every = {name: scaling.work_at(own, frequency, pressure, doubt) for name, own in self.levels.items()}
        work = scaling.disagreement(np.array(list(every.values())), scaling.WORK_SPREAD)
        factor = work.factor(rng, self.size, np.sqrt(1 + 1 / len(self.with_runs)))
        along = scaling.pressure_disagreement(self.levels, frequency)
        ratio = np.mean([every[name] for name in self.with_runs], axis=0) * along.factor(rng, self.size, self.octaves)
        spreads = {"work_by_pressure": along} if self.octaves else {}
        if not self.own_cycle:
            spreads, ratio = spreads | {"cycle_work_ratio": work}, ratio * factor
        return np.asarray(ratio), spreads

    def _load(self, frequency: float, seal_force: FloatArray, ratio: FloatArray) -> torque_margin.Load:
        calibration, at, rod = self.calibration, np.array([frequency]), self.calibration.rig.rod_length
        error = calibration.meters.misread(at)
        seal = crank.mean_piston_speed(frequency, self.stroke) * seal_force
        pneumatic = ratio * frequency * self.pressure * cylinder.swept_volume(self.bore, self.stroke)
        return torque_margin.Load(
            frequency=frequency,
            bore=self.bore,
            stroke=self.stroke,
            rod_ratio=0.0 if rod is None else self.wanted.stroke.value / 2 / rod.value,
            pressure_difference=self.pressure - self.back_pressure,
            seal_force=seal_force,
            seal=seal,
            pneumatic=pneumatic,
            drive=shifted(calibration.drive, at, error)[0],
            rotation=shifted(calibration.motor, at, error)[0] if calibration.has_motor else np.zeros(self.size),
            passed=(seal + pneumatic) / calibration.meters.efficiency,
        )

    def _powers(self, load: torque_margin.Load) -> dict[str, FloatArray]:
        """The parts of the input power, which add up to it in every draw, and what follows from them."""
        calibration, share = self.calibration, self.calibration.meters.seal_heat_share
        lost = calibration.load_loss(load.shaft[None, :], np.array([load.frequency]))
        load_loss = lost.total[0]
        power = calibration.standby + load_loss + load.shaft
        draws = {
            "input": power,
            "drive": load.drive + load_loss,
            "transmission": load.passed - load.seal - load.pneumatic,
            "seal": load.seal,
            "pneumatic": load.pneumatic,
            "efficiency_ceiling": np.asarray(ceilings.efficiency_ceiling(load.pneumatic, power)),
            "aftercooler_heat": np.asarray(aftercooler.aftercooler_heat(load.pneumatic, load.seal, share)),
            "friction_heat": share * load.seal,
            "seal_force": load.seal_force,
            "lip_friction": load.seal_force / (np.pi * self.bore),
        }
        if calibration.has_standby:
            draws["standby"] = calibration.standby
        if calibration.route.has_copper:
            draws["motor_copper"] = lost.copper[0]
        if calibration.has_motor:
            draws |= {"motor": load.rotation + load_loss, "linkage": load.drive - load.rotation}
        return draws

    def _flags(self, frequency: float, speed: float) -> tuple[str, ...]:
        calibration = self.calibration
        beyond = any(seal.missing(self.across) for seal in self.chosen)
        runs_beyond = any(scaling.frequency_is_outside(self.levels[name], frequency) for name in self.with_runs)
        ports = [calibration.rig.cylinders[name].open_port_diameter for name in self.names]
        tests = {
            "extrapolated": calibration.is_extrapolated(frequency, None),
            "speed-extrapolated": not all(seal.was_moved_at(speed) for seal in self.chosen),
            "load-loss-assumed": not calibration.route.is_known,
            "winding-temperature-assumed": calibration.route.is_cold and calibration.winding is None,
            "port-loss-unknown": None in ports,
            "pressure-extrapolated": self.octaves > 0 or runs_beyond,
            "seal-pressure-extrapolated": beyond and self.drag_is_known,
            "seal-pressure-assumed": beyond and not self.drag_is_known,
            "one-cylinder": len(self.seals) == 1 and not (self.own_seal and self.own_cycle),
            "phase-assumed": self.amplitude is None,
        }
        return tuple(code for code, holds in tests.items() if holds)
