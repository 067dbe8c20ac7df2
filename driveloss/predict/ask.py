"""Prediction: losses, net power and motor torque for a bore, stroke, charge pressure or frequency not yet tried."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from driveloss.bench.records import FloatArray, Quantity, Rig
from driveloss.breakdown.ask import Breakdown
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.checks import known_cylinder, positive
from driveloss.fit.estimate import COVERAGE, Estimate, estimate
from driveloss.fit.meters import stream
from driveloss.losses.ask import shifted
from driveloss.physics import aftercooler, ceilings, crank, cylinder
from driveloss.predict import scaling, torque_margin
from driveloss.predict.rules import Rule, rules
from driveloss.predict.scaling import Conditions, Disagreement
from driveloss.say.answer import Answer
from driveloss.say.quantities import Named, reported

SAME_SIZE = 1e-3  # a bore or stroke closer than this fraction is that of the measured cylinder
MILLIMETRES, BARS = (1e-3, "mm"), (1e5, "bar")
SHOWN_ANGLES = slice(None, None, 5)  # of ANGLES: every 10 degrees


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
class Prediction(Named):
    """One frequency; SI units, None where not determinable."""

    frequency: float  # [Hz]
    mean_piston_speed: float  # [m/s]
    input: Estimate
    standby: Estimate | None = None
    motor: Estimate | None = None
    motor_copper: Estimate | None = None
    linkage: Estimate | None = None
    drive: Estimate
    transmission: Estimate
    seal: Estimate
    pneumatic: Estimate
    efficiency_ceiling: Estimate | None
    aftercooler_heat: Estimate
    friction_heat: Estimate
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
    spreads: dict[str, Disagreement]  # that entered, by the name that a Rule gives
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


def wanted_cylinder(
    answer: Breakdown,
    like: str | None = None,
    bore: Quantity | None = None,
    stroke: Quantity | None = None,
    mean_pressure: Quantity | None = None,
    back_pressure: Quantity | None = None,
    pressure_amplitude: Quantity | None = None,
) -> Wanted:
    """Complete a request by the cylinder `like`, or by what all measured cylinders share. SI units.

    Raises InputError for an unknown cylinder, a size that cannot be, or a quantity that stays open.
    """
    rig, names = answer.calibration.rig, list(answer.calibration.ranges)
    if like is not None:
        known_cylinder(answer.calibration, like, "--like", "a cylinder")
    like = names[0] if len(names) == 1 else like
    chosen = [rig.cylinders[name] for name in ([like] if like else names)]
    wanted = Wanted(
        bore or _shared([c.bore for c in chosen], "bore", MILLIMETRES, like),
        stroke or _shared([c.stroke for c in chosen], "stroke", MILLIMETRES, like),
        mean_pressure or _shared(_loaded_pressures(answer, like), "mean-pressure", BARS, like),
        back_pressure or _shared([c.back_pressure for c in chosen], "back-pressure", BARS, like),
        like,
        pressure_amplitude,
    )
    _check(rig, wanted)
    return wanted


def _shared(values: Sequence[Quantity], option: str, unit: tuple[float, str], like: str | None) -> Quantity:
    """The one value that all have."""
    distinct = {value.value: value for value in values}
    if len(distinct) == 1:
        return next(iter(distinct.values()))
    found = " and ".join(_in(value, unit) for value in sorted(distinct)) or "none"
    whose = f"cylinder '{like}' was measured with" if like else "the cylinders were measured with"
    other = "" if like else ", or name one of them with --like"
    raise InputError(f"--{option} is missing: {whose} {found}; give --{option}{other}")


def _in(value: float, unit: tuple[float, str]) -> str:
    """A value [SI] for a message, in a unit that people use."""
    return f"{value / unit[0]:.4g} {unit[1]}"


def _loaded_pressures(answer: Breakdown, like: str | None) -> list[Quantity]:
    levels = scaling.work_levels(answer)
    return [Quantity(level.pressure) for name in ([like] if like in levels else levels) for level in levels[name]]


def _check(rig: Rig, wanted: Wanted) -> None:
    radius, rod, amplitude = wanted.stroke.value / 2, rig.rod_length, wanted.pressure_amplitude
    if rod is not None and rod.value <= radius:
        raise InputError(
            f"--stroke: expected less than twice the rod length of {_in(rod.value, MILLIMETRES)}, "
            f"read {_in(wanted.stroke.value, MILLIMETRES)}"
        )
    if amplitude is not None and not 0 < amplitude.value < wanted.mean_pressure.value:
        raise InputError(
            f"--pressure-amplitude: expected half of peak to peak, less than the mean pressure of "
            f"{_in(wanted.mean_pressure.value, BARS)}; read {_in(amplitude.value, BARS)}"
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
        self.everyone = list(self.calibration.ranges)
        self.names = [wanted.like] if wanted.like else self.everyone
        self.with_runs = [name for name in self.names if name in self.levels] or list(self.levels)
        self.own_seal = self._same("bore")
        self.own_cycle = self._same("bore", "stroke") and self.with_runs == self.names
        self.size = self.calibration.draws + 1
        self.rng = stream(self.calibration.seed, "predict")
        self.bore, self.stroke = self._dimension("bore"), self._dimension("stroke")
        self.pressure, self.back_pressure = self._stated(wanted.mean_pressure), self._stated(wanted.back_pressure)
        self.amplitude = self._optional(wanted.pressure_amplitude)
        self.torque_limit = self._optional(self.calibration.rig.motor.peak_torque)
        self.current_limit = self._optional(self.calibration.rig.motor.current_limit)
        self.phase = self._between(torque_margin.PHASE, torque_margin.LEAST_PHASE, torque_margin.MOST_PHASE)

    def _between(self, best: float, low: float, high: float) -> FloatArray:
        return np.concatenate([[best], self.rng.uniform(low, high, self.size - 1)])

    def _stated(self, quantity: Quantity) -> FloatArray:
        value, limit = quantity.value, quantity.limit
        return self._between(value, value - limit, value + limit)

    def _optional(self, quantity: Quantity | None) -> FloatArray | None:
        return None if quantity is None else self._stated(quantity)

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
        copper = self.calibration.route.has_copper
        return rules(self.own_seal, self.own_cycle, self._drag_is_known(), self.amplitude is not None, copper)

    def point(self, frequency: float) -> Prediction:
        """Everything at one frequency. [Hz]"""
        rng = stream(self.calibration.seed, "predict disagreement")
        wanted = self.wanted
        asked = Conditions(frequency, wanted.stroke.value, wanted.mean_pressure.value, wanted.back_pressure.value)
        spreads: dict[str, Disagreement] = {}
        powers = self._powers(asked, self._seal_force(asked, rng, spreads), self._work_ratio(asked, rng, spreads))
        torques, cycle = self._torques(frequency, powers)
        draws = powers | torques
        known, meters = (q.key for q in reported(Prediction) if q.key in draws), self.calibration.meters
        parts: dict[str, Any] = {key: estimate(draws[key], meters) for key in known}
        shown = zip(torque_margin.ANGLES[SHOWN_ANGLES], cycle[SHOWN_ANGLES], strict=True)
        return Prediction(
            frequency=frequency,
            mean_piston_speed=float(crank.mean_piston_speed(frequency, asked.stroke)),
            **parts,
            spreads=spreads,
            peak_angle=float(torque_margin.ANGLES[np.argmax(cycle[:, 0])]),
            cycle=tuple((float(angle), estimate(row)) for angle, row in shown),
            verdict=torque_margin.verdict(parts),
            flags=self._flags(asked),
            draws=draws,
        )

    def _seal_force(self, asked: Conditions, rng: np.random.Generator, spreads: dict[str, Disagreement]) -> FloatArray:
        """Mean friction force of the new seal at the piston, (1 + draws,). [N]"""
        drag = scaling.pressure_drag(self.calibration, self.everyone, asked, rng)
        measured = [scaling.friction_at(self.calibration, name, asked, drag) for name in self.everyone]
        spread = scaling.disagreement(np.array(measured), scaling.LIP_SPREAD)
        chosen = np.array([measured[self.everyone.index(name)] for name in self.names])
        factor = spread.factor(rng, self.size, len(chosen))
        borrowing = (name for name in self.names if name not in drag.own)
        if drag.spread and any(scaling.pressure_missing(self.calibration, name, asked) for name in borrowing):
            spreads["pressure_drag"] = drag.spread
        friction = chosen.mean(axis=0)
        if not self.own_seal:
            spreads["lip_friction"] = spread
            friction = friction * factor
        return np.asarray(np.pi * self.bore * friction)

    def _work_ratio(self, asked: Conditions, rng: np.random.Generator, spreads: dict[str, Disagreement]) -> FloatArray:
        """Cycle work ratio of the new cylinder, (1 + draws,). [1]"""
        doubt = np.concatenate([[0.0], rng.uniform(-1, 1, self.size - 1)])
        frequency, pressure = asked.frequency, asked.pressure
        every = {name: scaling.work_at(own, frequency, pressure, doubt) for name, own in self.levels.items()}
        spread = scaling.disagreement(np.array(list(every.values())), scaling.WORK_SPREAD)
        factor = spread.factor(rng, self.size, len(self.with_runs))
        along, octaves = scaling.pressure_disagreement(self.levels, frequency), self._octaves(pressure)
        by_pressure = along.drift(rng, self.size, octaves)
        ratio = np.mean([every[name] for name in self.with_runs], axis=0) * by_pressure
        if octaves:
            spreads["work_by_pressure"] = along
        if not self.own_cycle:
            spreads["cycle_work_ratio"] = spread
            ratio = ratio * factor
        return np.asarray(ratio)

    def _octaves(self, pressure: float) -> float:
        return max(scaling.octaves_outside(self.levels[name], pressure) for name in self.with_runs)

    def _powers(self, asked: Conditions, seal_force: FloatArray, ratio: FloatArray) -> dict[str, FloatArray]:
        """The parts of the input power, which add up to it in every draw, and what follows from them."""
        calibration, meters, frequency = self.calibration, self.calibration.meters, asked.frequency
        drive, rotation = self._drive(frequency)
        seal = crank.mean_piston_speed(frequency, self.stroke) * seal_force
        pneumatic = ratio * frequency * self.pressure * cylinder.swept_volume(self.bore, self.stroke)
        load = (seal + pneumatic) / meters.efficiency
        shaft = drive + load
        load_loss = calibration.load_loss(shaft[None, :], np.array([frequency]))[0]
        power = calibration.standby + load_loss + shaft
        draws = {
            "input": power,
            "drive": drive + load_loss,
            "transmission": load - seal - pneumatic,
            "seal": seal,
            "pneumatic": pneumatic,
            "efficiency_ceiling": np.asarray(ceilings.efficiency_ceiling(pneumatic, power)),
            "aftercooler_heat": np.asarray(aftercooler.aftercooler_heat(pneumatic, seal, meters.seal_heat_share)),
            "friction_heat": meters.seal_heat_share * seal,
            "cycle_work_ratio": ratio,
            "seal_force": seal_force,
            "lip_friction": seal_force / (np.pi * self.bore),
            "shaft": shaft,
        }
        draws |= {"standby": calibration.standby} if calibration.has_standby else {}
        copper = calibration.route.has_copper
        draws |= {"motor_copper": load_loss} if copper else {}
        if rotation is not None:
            draws |= {"motor": rotation + load_loss, "linkage": drive - rotation}
        return draws

    def _drive(self, frequency: float) -> tuple[FloatArray, FloatArray | None]:
        """Drive and (where known) the motor's own part of it without load, (1 + draws,), at a true frequency. [W]"""
        meters, at = self.calibration.meters, np.array([frequency])
        error = meters.misread(at)
        drive = shifted(self.calibration.drive, at, error)
        rotation = shifted(self.calibration.motor, at, error) if self.calibration.has_motor else None
        return drive[0], None if rotation is None else rotation[0]

    def _torques(self, frequency: float, powers: dict[str, FloatArray]) -> tuple[dict[str, FloatArray], FloatArray]:
        """What the motor must supply, with its margins; and its torque through the cycle, (angles, 1 + draws)."""
        load = self._load(frequency, powers)
        wave = torque_margin.wave_of(load, self.amplitude, self.phase)
        cycle = torque_margin.motor_torque(self.calibration, load, wave)
        wants = torque_margin.demands(self.calibration, load, cycle)
        margins = torque_margin.margins(wants, self.torque_limit, self.current_limit)
        amplitudes = {
            "pressure_amplitude": wave.amplitude,
            "least_pressure_amplitude": torque_margin.least_amplitude(load),
        }
        return amplitudes | wants | margins, cycle

    def _load(self, frequency: float, powers: dict[str, FloatArray]) -> torque_margin.Load:
        drive, rotation = self._drive(frequency)
        rod = self.calibration.rig.rod_length
        return torque_margin.Load(
            frequency=frequency,
            bore=self.bore,
            stroke=self.stroke,
            rod_ratio=0.0 if rod is None else self.wanted.stroke.value / 2 / rod.value,
            pressure_difference=self.pressure - self.back_pressure,
            work=powers["pneumatic"] / frequency,
            seal_force=powers["seal_force"],
            drive=drive,
            rotation=np.zeros(self.size) if rotation is None else rotation,
            shaft=powers["shaft"],
        )

    def _drag_is_known(self) -> bool:
        return any(scaling.tells_pressure_drag(self.calibration, name) for name in self.everyone)

    def _flags(self, asked: Conditions) -> tuple[str, ...]:
        calibration, rig = self.calibration, self.calibration.rig
        copper = calibration.route.has_copper
        beyond = any(scaling.pressure_missing(calibration, name, asked) for name in self.names)
        known = self._drag_is_known()
        runs_beyond = any(scaling.frequency_is_outside(self.levels[n], asked.frequency) for n in self.with_runs)
        tests = {
            "extrapolated": calibration.is_extrapolated(asked.frequency, None),
            "speed-extrapolated": any(scaling.speed_is_extrapolated(calibration, n, asked) for n in self.names),
            "load-loss-unknown": not calibration.route.is_known,
            "winding-temperature-assumed": copper and calibration.winding is None,
            "port-loss-unknown": any(rig.cylinders[name].open_port_diameter is None for name in self.names),
            "pressure-extrapolated": self._octaves(asked.pressure) > 0 or runs_beyond,
            "seal-pressure-extrapolated": beyond and known,
            "seal-pressure-assumed": beyond and not known,
            "one-cylinder": len(self.everyone) == 1 and not (self.own_seal and self.own_cycle),
            "phase-assumed": self.amplitude is None,
        }
        return tuple(code for code, holds in tests.items() if holds)
