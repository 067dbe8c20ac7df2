"""Prediction: losses, net power and motor torque for a bore, stroke, charge pressure or frequency not yet tried."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from driveloss.bench.records import FloatArray, Quantity
from driveloss.breakdown.ask import Balance, Breakdown
from driveloss.fit.calibration import Calibration, shifted
from driveloss.fit.checks import positive
from driveloss.fit.cycle import Piston, cycle_of, pressure_wave
from driveloss.fit.estimate import COVERAGE, Estimate, estimate
from driveloss.fit.meters import stream
from driveloss.physics import aftercooler, ceilings, crank, cylinder
from driveloss.predict import SAME, cycle_work, rules, scaling, torque_margin
from driveloss.predict.circuit import circuit_of, exponent_of
from driveloss.predict.rules import Rule
from driveloss.predict.scaling import Disagreement, Seal
from driveloss.predict.wanted import Wanted
from driveloss.say.answer import Answer
from driveloss.say.quantities import reported

SAME_SIZE = 1e-3  # a bore or stroke closer than this fraction is that of the measured cylinder
SHOWN_ANGLES = slice(None, None, 5)  # of ANGLES: every 10 degrees

Spreads = dict[str, Disagreement]  # that entered, by the name that a Rule gives


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
    doubts: dict[str, float]  # relative standard deviation of the net power by what a rule leaves open
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
    columns: ClassVar[tuple[str, ...]] = (
        *("frequency_Hz", "mean_piston_speed_m_per_s", *Prediction.csv_columns()[1:]),
        *("peak_angle_deg", "verdict", "disagreement", "flags"),
    )
    has_more: ClassVar[bool] = True

    def __repr__(self) -> str:
        return f"Predictions({self.calibration.title!r}, {len(self.points)} frequencies)"

    def rows(self) -> list[dict[str, Any]]:
        """As of every answer, without the torque through the cycle."""
        return [{key: item for key, item in row.items() if key != "torque_cycle"} for row in super().rows()]


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
        self.levels = cycle_work.work_levels(answer)
        self.seals = {name: Seal(self.calibration, name) for name in self.calibration.ranges}
        self.names = [wanted.like] if wanted.like else list(self.seals)
        self.chosen = [self.seals[name] for name in self.names]
        self.with_runs = [name for name in self.names if name in self.levels] or list(self.levels)
        self.own_seal = self._same("bore")
        self.own_cycle = self._same("bore", "stroke") and self.with_runs == self.names
        self.across = max(wanted.mean_pressure.value - wanted.back_pressure.value, 0.0)  # [Pa]
        pressure, runs = wanted.mean_pressure.value, [self.levels[name] for name in self.with_runs]
        self.octaves = max(cycle_work.octaves_outside(levels, pressure) for levels in runs)
        self.size = self.calibration.draws + 1
        self.rng = stream(self.calibration.seed, "predict")
        self.bore, self.stroke = self._dimension("bore"), self._dimension("stroke")
        self.pressure, self.back_pressure = self._stated(wanted.mean_pressure), self._stated(wanted.back_pressure)
        self.amplitude = None if wanted.pressure_amplitude is None else self._stated(wanted.pressure_amplitude)
        motor = self.calibration.rig.motor
        limits = {"torque": motor.peak_torque, "current": motor.current_limit}
        self.limits = {kind: self._stated(limit) for kind, limit in limits.items() if limit is not None}
        self.circuit = circuit_of(
            wanted.circuit, self.calibration.rig, stream(self.calibration.seed, "circuit"), self.size
        )

    @property
    def volume(self) -> FloatArray:
        """Swept, (1 + draws,). [m^3]"""
        return cylinder.swept_volume(self.bore, self.stroke)

    def _stated(self, quantity: Quantity) -> FloatArray:
        value, limit = quantity.value, quantity.limit
        return np.concatenate([[value], self.rng.uniform(value - limit, value + limit, self.size - 1)])

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
        """The steps taken, in their order."""
        is_told = any(self.calibration.tells_lip_drag(name) for name in self.seals)
        taken = (
            rules.DRIVE,
            rules.OWN_SEAL if self.own_seal else rules.LIP,
            rules.under_pressure(is_told=is_told) if self.pressed_beyond else None,
            rules.OWN_CYCLE if self.own_cycle else self._circuit_rule(),
            rules.CHARGE if self.octaves else None,
            rules.LOADED,
            rules.COPPER if self.calibration.route.has_copper else rules.LOAD_LOSS,
            rules.AMPLITUDE if self.amplitude is not None else self._phase_rule(),
            rules.TORQUE,
        )
        return tuple(rule for rule in taken if rule is not None)

    def _circuit_rule(self) -> Rule:
        stays = self.wanted.circuit == SAME
        return rules.same_circuit(exponent_of(self.calibration.rig)) if stays else rules.SCALED_CIRCUIT

    def _phase_rule(self) -> Rule:
        return rules.READ_PHASE if self.phase_is_read else rules.ASSUMED_PHASE

    @property
    def pressed_beyond(self) -> list[str]:
        """Of the cylinders whose seals are scaled, those that no sweep or stated drag tells at this pressure."""
        return [name for name in self.names if not self.seals[name].was_pressed_by(self.across)]

    @property
    def phase_is_read(self) -> bool:
        """Whether the runs that are scaled tell the pressure's phase."""
        return all(level.phase_is_read for name in self.with_runs for level in self.levels[name])

    def point(self, frequency: float) -> Prediction:
        """Everything at one frequency. [Hz]"""
        rng = stream(self.calibration.seed, "predict disagreement")
        speed = float(crank.mean_piston_speed(frequency, self.wanted.stroke.value))
        lip, spreads = self._lip(speed, rng)
        ratio, further = self._work_ratio(frequency, rng)
        load = self._load(frequency, self._piston(speed, lip), lip.friction, ratio)
        wants, cycle = torque_margin.demands(self.calibration, load, self.limits)
        draws = self._powers(load) | {"cycle_work_ratio": ratio} | wants
        known, meters = (q.key for q in reported(Prediction) if q.key in draws), self.calibration.meters
        parts: dict[str, Any] = {key: estimate(draws[key], meters) for key in known}
        shown = zip(torque_margin.ANGLES[SHOWN_ANGLES], cycle[SHOWN_ANGLES], strict=True)
        return Prediction(
            frequency=frequency,
            mean_piston_speed=speed,
            **parts,
            spreads=spreads | further,
            doubts=self._doubts(further),
            peak_angle=float(torque_margin.ANGLES[np.argmax(cycle[:, 0])]),
            cycle=tuple((float(angle), estimate(row)) for angle, row in shown),
            verdict=torque_margin.verdict(parts),
            flags=self._flags(frequency, speed),
            draws=draws,
        )

    def _lip(self, speed: float, rng: np.random.Generator) -> tuple[_Lip, Spreads]:
        """Friction of the new seal for each metre of lip, and the disagreement in it."""
        every = {name: seal.friction(speed, self.across) for name, seal in self.seals.items()}
        spread = scaling.disagreement(np.array(list(every.values())), scaling.LIP_SPREAD)
        factor = 1.0 if self.own_seal else spread.factor(rng, self.size, np.sqrt(1 + 1 / len(self.names)))
        friction = np.mean([every[name] for name in self.names], axis=0) * factor
        drag = np.mean([seal.drag(speed) for seal in self.chosen], axis=0) * factor
        return _Lip(friction, drag), {} if self.own_seal else {"lip_friction": spread}

    def _work_ratio(self, frequency: float, rng: np.random.Generator) -> tuple[FloatArray, Spreads]:
        """Cycle work ratio of the new cylinder, (1 + draws,), and the disagreements in it. [1]"""
        doubt = np.concatenate([[0.0], rng.uniform(-1, 1, self.size - 1)])
        pressure = self.wanted.mean_pressure.value
        every = {
            name: cycle_work.ratio_at(own, frequency, pressure, doubt) * self._growth(name)
            for name, own in self.levels.items()
        }
        work = scaling.disagreement(np.array(list(every.values())), self.circuit.spread)
        factor = work.factor(rng, self.size, np.sqrt(1 + 1 / len(self.with_runs)))
        along = cycle_work.pressure_disagreement(self.levels, frequency)
        ratio = np.mean([every[name] for name in self.with_runs], axis=0) * along.factor(rng, self.size, self.octaves)
        spreads = {"work_by_pressure": along} if self.octaves else {}
        if not self.own_cycle:
            spreads, ratio = spreads | {"cycle_work_ratio": work}, ratio * factor
        return np.asarray(ratio), spreads

    def _doubts(self, spreads: Spreads) -> dict[str, float]:
        """How far each rule of a cycle's work leaves the net power open, relative to it."""
        doubts = {}
        if "cycle_work_ratio" in spreads:
            grown = np.mean([self._growth(name) for name in self.with_runs], axis=0)
            own = spreads["cycle_work_ratio"].used * np.sqrt(1 + 1 / len(self.with_runs))
            doubts["cycle_work_ratio"] = float(np.hypot(grown[1:].std() / grown[0], own))
        if "work_by_pressure" in spreads:
            doubts["work_by_pressure"] = float(spreads["work_by_pressure"].used * self.octaves)
        return doubts

    def _growth(self, name: str) -> FloatArray:
        """What the new swept volume makes of a measured cylinder's cycle work ratio, (1 + draws,). [1]"""
        measured = self.calibration.meters.cylinders[name]
        return self.circuit.growth(self.volume / cylinder.swept_volume(measured.bore, measured.stroke))

    def _piston(self, speed: float, lip: _Lip) -> Piston:
        calibration, rod = self.calibration, self.calibration.rig.rod_length
        changes = [calibration.meters.cylinders[name].seal_change for name in self.names]
        return Piston(
            bore=self.bore,
            stroke=self.stroke,
            rod_ratio=0.0 if rod is None else self.wanted.stroke.value / 2 / rod.value,
            back_pressure=self.back_pressure,
            pin_length=calibration.meters.load_friction_length(self.stroke),
            lip_drag=np.pi * self.bore * lip.drag,
            seal_change=_one_of(changes),
        )

    def _load(self, frequency: float, piston: Piston, friction: FloatArray, ratio: FloatArray) -> torque_margin.Load:
        """What turns and what resists, by the laws that loaded runs are split by. friction: [N/m]"""
        calibration, at = self.calibration, np.array([frequency])
        error, efficiency = calibration.meters.misread(at), calibration.meters.efficiency
        pneumatic = ratio * frequency * self.pressure * self.volume
        seal = crank.mean_piston_speed(frequency, self.stroke) * np.pi * self.bore * friction
        wave = (self.pressure, *self._wave(frequency, pneumatic))
        cycle = cycle_of(piston, wave, frequency, seal, efficiency)
        return torque_margin.Load(
            frequency=frequency,
            piston=piston,
            wave=wave,
            cycle=cycle,
            pneumatic=pneumatic,
            drive=shifted(calibration.drive, at, error)[0],
            rotation=shifted(calibration.motor, at, error)[0] if calibration.has_motor else np.zeros(self.size),
            passed=(cycle.pins + cycle.seal + pneumatic) / efficiency,
        )

    def _wave(self, frequency: float, pneumatic: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Amplitude [Pa] and phase [rad] of the pressure: as stated, as in the runs, or as assumed."""
        if self.amplitude is not None:
            torque_margin.check_amplitude(self.amplitude, pneumatic / frequency, self.volume, frequency)
        pressure = self.wanted.mean_pressure.value
        phases = [cycle_work.phase_at(self.levels[name], frequency, pressure) for name in self.with_runs]
        stated = np.full(self.size, np.nan) if self.amplitude is None else self.amplitude
        return pressure_wave(pneumatic / frequency, self.volume, np.mean(phases, axis=0), stated)

    def _powers(self, load: torque_margin.Load) -> dict[str, FloatArray]:
        """The parts of the input power, which add up to it in every draw, and what follows from them."""
        calibration, share, seal = self.calibration, self.calibration.meters.seal_heat_share, load.cycle.seal
        lost = calibration.load_loss(load.shaft[None, :], np.array([load.frequency]), load.cycle.swing[None, :])
        pins, belt = load.cycle.pins, calibration.belt(load.passed)
        load_loss = lost.total[0] - belt
        power = calibration.standby + lost.total[0] + load.shaft
        draws = {
            "input": power,
            "drive": load.drive + pins + load_loss,
            "transmission": load.passed - pins - seal - load.pneumatic + belt,
            "seal": seal,
            "pneumatic": load.pneumatic,
            "efficiency_ceiling": np.asarray(ceilings.efficiency_ceiling(load.pneumatic, power)),
            "aftercooler_heat": np.asarray(aftercooler.aftercooler_heat(load.pneumatic, seal, share)),
            "friction_heat": share * seal,
            "seal_force": load.seal_force,
            "lip_friction": load.seal_force / (np.pi * self.bore),
        }
        if calibration.has_standby:
            draws["standby"] = calibration.standby
        if calibration.route.has_copper:
            draws["motor_copper"] = lost.copper[0]
        if calibration.has_motor:
            draws |= {"motor": load.rotation + load_loss, "linkage": load.drive + pins - load.rotation}
        return draws

    def _flags(self, frequency: float, speed: float) -> tuple[str, ...]:
        calibration = self.calibration
        beyond = self.pressed_beyond
        tells = all(calibration.tells_lip_drag(name) for name in beyond)
        runs_beyond = any(cycle_work.frequency_is_outside(self.levels[name], frequency) for name in self.with_runs)
        ports = [calibration.rig.cylinders[name].open_port_diameter for name in self.names]
        tests = {
            "extrapolated": calibration.is_extrapolated(frequency, None),
            "speed-extrapolated": not all(seal.was_moved_at(speed) for seal in self.chosen),
            "load-loss-assumed": not calibration.route.is_known,
            "winding-temperature-assumed": calibration.route.is_cold and calibration.winding is None,
            "port-loss-unknown": None in ports,
            "pressure-extrapolated": self.octaves > 0 or runs_beyond,
            "seal-pressure-extrapolated": bool(beyond) and tells,
            "seal-pressure-assumed": not tells,
            "one-cylinder": len(self.seals) == 1 and not (self.own_seal and self.own_cycle),
            "phase-assumed": self.amplitude is None and not self.phase_is_read,
            "circuit-assumed": not self.own_cycle,
        }
        return tuple(code for code, holds in tests.items() if holds)


@dataclass(frozen=True)
class _Lip:
    """Of the new seal for each metre of lip, (1 + draws,)."""

    friction: FloatArray  # without load, at the mean pressure [N/m]
    drag: FloatArray  # that each pascal across it adds [N/(m Pa)]


def _one_of(every: Sequence[FloatArray]) -> FloatArray:
    """The mean as the best estimate, and in each draw one of several, (1 + draws,)."""
    rows = np.array(every)
    columns = np.arange(rows.shape[1])
    found = rows[columns % len(rows), columns]
    found[0] = rows[:, 0].mean()
    return found
