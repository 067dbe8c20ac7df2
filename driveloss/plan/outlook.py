"""What a bench lets expect before it is measured: rungs, laws, scatter, and errors that repeats do not reduce."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from driveloss.bench.records import STAGES, Bench, FloatArray, Limits, Sweep
from driveloss.breakdown.ask import Breakdown, breakdown
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.fit.calibration import Calibration
from driveloss.fit.laws import Term
from driveloss.fit.meters import stream
from driveloss.fit.motor_loss import shaft_power
from driveloss.fit.physical import Problem, joint_design
from driveloss.fit.readings import SAME_PRESSURE, Readings, Rung, by_rung, gather
from driveloss.fit.scatter import UNIFORM_SD
from driveloss.plan.floor import COMMON, Floor, floors
from driveloss.plan.prospects import Prospect, prospects

STEP = 1e-3  # relative step of slopes
SWEEPS = 2  # without load: before and after the runs
TERMS = 50  # of the sawtooth's series
MOST_APART = 9  # settings close to a loaded target
NEAR = 0.05  # of a target's frequency, to either side: the mean over it is still that of the target
WORTH_SPREADING = 0.1  # share of a reading's variance in common from which repeats are poor
A_DIGIT_APART = 0.5  # of the last digit that makes two settings err apart


@dataclass(frozen=True)
class Given:
    """What the user says of the readings to come, in place of what the bench's own show."""

    scatter: float | None = None  # [W] standard deviation of every power reading
    digit: float | None = None  # [W] the last of a power reading
    loaded_power: float | None = None  # [W] input of loaded runs at `highest`, in proportion to frequency elsewhere
    highest: float | None = None  # [Hz]


@dataclass(frozen=True)
class Outlook:
    """A bench, measured or assumed, and what it lets expect of new readings."""

    bench: Bench
    calibration: Calibration  # fresh, of the physical family
    problem: Problem  # its weighted fit
    terms: tuple[Term, ...]  # laws that the fit will need
    given: Given = Given()
    assumptions: tuple[str, ...] = ()

    @cached_property
    def rungs(self) -> list[Rung]:
        """In the order of the ladder; the loaded ones at the pressures of the bench's own loaded sweeps.

        A cylinder that has none is to be loaded at its no-load pressures.
        """
        shaft = (["motor-alone"] if self.calibration.curves.has_motor else []) + ["piston-disconnected"]
        runs = self._all_runs.only(np.isfinite(self._all_runs.mean_pressure))
        ran = [replace(r, mean_pressure=float(f"{r.mean_pressure:.6g}")) for r, _ in by_rung(runs)]
        seals, loaded = [], []
        for name, span in self.calibration.ranges.items():
            own = [Rung("no-load", name, pressure) for pressure in span.pressures]
            seals += own
            loaded += [r for r in ran if r.cylinder == name] or [replace(r, stage="loaded") for r in own]
        return [*map(Rung, shaft), *seals, *loaded]

    @property
    def span(self) -> tuple[float, float]:
        """Lowest and highest frequency that every rung was, or will be, run at. [Hz]"""
        spans = [self.calibration.drive_range, *self.calibration.ranges.values()]
        return max(s.low for s in spans), min(s.high for s in spans)

    def rows(self, rung: Rung, frequency: FloatArray) -> FloatArray:
        """Slopes of the rung's shaft-side power in the coefficients, shape (n, terms)."""
        readings = self._gathered(planned(rung, frequency))
        return joint_design(replace(self.problem.ladder, readings=readings), self.terms)

    def sigma(self, rung: Rung, frequency: FloatArray) -> FloatArray:
        """Standard deviation of the shaft-side power of one reading, shape (n,). [W]"""
        power = self.input_power(rung, frequency)
        sd = self._size(rung, power)
        if rung.stage != "loaded":
            return sd
        return np.asarray(np.hypot(sd * self._passed_on(rung, frequency, power), self._misread(rung, frequency)))

    def alike(self, rung: Rung, frequency: FloatArray) -> FloatArray:
        """Share of that variance which readings at one setting have in common, shape (n,)."""
        power = self.input_power(rung, frequency)
        passed = self._passed_on(rung, frequency, power) if rung.stage == "loaded" else 1.0
        return np.asarray((self._alike(rung) * passed / self.sigma(rung, frequency)) ** 2)

    def apart(self, rung: Rung, frequency: float) -> int:
        """How many settings near a loaded target err apart; one where the last digit is fine, odd."""
        at = np.array([frequency])
        if self.alike(rung, at)[0] < WORTH_SPREADING:
            return 1
        change = 2 * self.near(frequency) * float(self.input_power(rung, at)[0])  # at least: it outgrows frequency
        number = int(change / (A_DIGIT_APART * self.last_digit(rung)))
        return min(number - number % 2, MOST_APART - 1) + 1

    def near(self, frequency: float) -> float:
        """How far from a target settings may lie, as a fraction of its frequency [Hz], and stay in the range."""
        low, high = self.span
        return max(min(NEAR, high / frequency - 1, 1 - low / frequency), 0.0)

    def last_digit(self, rung: Rung) -> float:
        """The last digit of a power reading: as stated, else of the bench's coarsest file of that stage. [W]"""
        if self.given.digit is not None:
            return self.given.digit
        files = [s.power_resolution for s in self.bench.sweeps if s.stage == rung.stage] or [
            s.power_resolution for s in self.bench.sweeps
        ]
        return max(files)

    def _alike(self, rung: Rung) -> float:
        """What rounding makes readings at one setting err by together, standard deviation. [W]

        The sawtooth of rounding, averaged over a normal scatter about an unknown place in the digit: its series
        fades from digit/sqrt(12) to nothing as the scatter passes half a digit (Widrow & Kollar, Quantization Noise
        (2008), ch. 4; from memory).
        """
        digit = self.last_digit(rung)
        if digit == 0:
            return 0.0
        scatter = self._typical / digit
        k = np.arange(1, TERMS)
        faded = np.sum(np.exp(-((2 * np.pi * k) ** 2) * max(scatter**2 - UNIFORM_SD**2, 0.0)) / k**2)
        return float(digit / (np.sqrt(2) * np.pi) * np.sqrt(faded))

    @cached_property
    def _typical(self) -> float:
        """Standard deviation of a reading as the ladder's typical one shows it, its rounding included. [W]"""
        if self.given.scatter is not None:
            return self.given.scatter
        return float(self.problem.scatter(self.problem.offers()[0])[0][0])

    def _size(self, rung: Rung, power: FloatArray) -> FloatArray:
        """Standard deviation of a reading at the meter, its rounding included, (n,). [W]"""
        if self.given.scatter is not None:
            size = np.full_like(power, self.given.scatter)
        elif rung.stage == "loaded":  # far above the ladder's power, where nobody is sure how scatter grows
            size = np.sqrt(np.mean(self.calibration.scatter(power)[:, 1:] ** 2, axis=1))
        else:
            size = self._typical * self.problem.pattern(power)
        return np.asarray(np.maximum(size, self.last_digit(rung) * UNIFORM_SD))

    def _misread(self, rung: Rung, frequency: FloatArray) -> FloatArray:
        """What a run's own misreading of frequency moves its no-load part by, (n,), standard deviation. [W]"""
        limits = self.calibration.meters.reading_by_reading
        ends = (self._gathered(planned(rung, frequency * (1 + side))) for side in (-STEP, STEP))
        below, above = (np.asarray(self.calibration.shaft_power(readings)[:, 0]) for readings in ends)
        slope = (above - below) / (2 * STEP * frequency)
        return np.asarray(slope * (limits.gain * frequency + limits.zero) / np.sqrt(3))

    def input_power(self, rung: Rung, frequency: FloatArray) -> FloatArray:
        """Expected at the meter, shape (n,). [W]"""
        if rung.stage != "loaded":
            shaft = self.calibration.shaft_power(self._gathered(planned(rung, frequency)))
            return (self.calibration.standby + shaft + self.calibration.load_loss(shaft, frequency).total)[:, 0]
        if self.given.loaded_power is not None and self.given.highest is not None:
            return self.given.loaded_power * frequency / self.given.highest
        runs = self._runs(rung)
        return np.interp(frequency, runs.frequency, runs.power / runs.frequency) * frequency

    def floors(self, targets: Sequence[tuple[Rung, float]]) -> list[Floor]:
        """Net power at loaded rungs and frequencies [Hz] by the errors that no number of readings reduces."""
        net = self._expected(targets).draws["pneumatic"]
        for (rung, frequency), draws in zip(targets, net, strict=True):
            if not np.isfinite(draws).all():
                raise InputError(f"{rung}: the net power at {frequency:g} Hz is not determinable on this bench")
        off = [self._between_sweeps(rung, np.array([frequency])) for rung, frequency in targets]
        return floors(self._certain, net, off, [rung.cylinder for rung, _ in targets])

    def _expected(self, targets: Sequence[tuple[Rung, float]]) -> Breakdown:
        """The runs at loaded rungs and frequencies [Hz], split without the scatter of any reading."""
        sweeps = [self._loaded_sweep(rung, np.array([frequency])) for rung, frequency in targets]
        return breakdown(self._certain, sweeps)

    def prospects(self, target: tuple[Rung, float], floor: Floor) -> tuple[Prospect, ...]:
        """What witnesses that the bench lacks would leave of the floor at a loaded rung and frequency. [Hz]"""
        return prospects(self.bench, self._expected([target]), 0, floor)

    def _between_sweeps(self, rung: Rung, frequency: FloatArray) -> FloatArray:
        """What the two sweeps without load are off by together, as far as the bench's own tell, (1 + draws,). [W]"""
        readings, known = self._gathered(planned(replace(rung, stage="no-load"), frequency)), self.calibration
        step, rng = (known.shaft_power(readings) - known.drive(frequency))[0, 0], stream(known.seed, "plan: sweeps")
        off = np.zeros(known.draws + 1)
        for spread in self.problem.sweeps.spreads:
            if self.problem.ladder.readings.stage[spread.rows[0]] == "no-load":
                off += spread.drawn(rng, len(off)) * rng.standard_normal(len(off)) / np.sqrt(SWEEPS)
        off[0] = 0.0
        return np.asarray(off * step)

    @cached_property
    def _certain(self) -> Calibration:
        """The bench with every cylinder swept again behind its runs, as planned, and readings that do not scatter."""
        cylinders = {name: replace(one, swept_after=True) for name, one in self.bench.rig.cylinders.items()}
        bench = replace(self.bench, rig=replace(self.bench.rig, cylinders=cylinders))
        known, evidence = self.calibration, self.calibration.evidence
        keep_all = evidence is None or len(evidence.left_out) == 0
        found = calibrate(
            bench,
            draws=known.draws,
            seed=known.seed,
            active=COMMON,
            keep_all=keep_all,
            compare=False,
            judge=False,
        )
        return replace(found, meters=replace(found.meters, reading_by_reading=Limits()))

    def _gathered(self, sweep: Sweep) -> Readings:
        return gather(self.bench.rig, [sweep], STAGES)

    @cached_property
    def _all_runs(self) -> Readings:
        return gather(self.bench.rig, self.bench.sweeps, ("loaded",))

    def _runs(self, rung: Rung) -> Readings:
        """Loaded readings at the rung's pressure, rising frequency. Raises InputError where there are none to go by."""
        runs, pressure = self._all_runs, rung.mean_pressure or 0.0
        mine = (runs.cylinder == rung.cylinder) & (np.abs(runs.mean_pressure - pressure) <= SAME_PRESSURE * pressure)
        if not mine.any() and self.given.loaded_power is None:
            raise InputError(
                f"{rung}: no loaded sweep tells what power to expect, expected one on the bench, or --power-at"
            )
        found = runs.only(mine)
        return found.only(np.argsort(found.frequency))

    def _loaded_sweep(self, rung: Rung, frequency: FloatArray) -> Sweep:
        """A loaded run as expected, with all that was recorded of the bench's own runs."""
        runs = self._runs(rung)

        def likely(values: FloatArray) -> FloatArray | None:
            known = np.isfinite(values).all() and len(values) > 0
            return np.interp(frequency, runs.frequency, values) if known else None

        power, voltage = self.input_power(rung, frequency), likely(runs.voltage)
        return planned(rung, frequency, power).replace(
            voltage=voltage,
            from_volts_and_amps=voltage is not None,
            current=likely(runs.current) if voltage is None else power / voltage,
            winding=likely(runs.winding),
            pressure_amplitude=likely(runs.pressure_amplitude),
        )

    def _passed_on(self, rung: Rung, frequency: FloatArray, power: FloatArray) -> FloatArray:
        """How much of a deviation of the input power reaches the shaft's: the load loss takes its share, (n,)."""
        readings = self._gathered(self._loaded_sweep(rung, frequency))
        known = shaft_power(readings, self.calibration.meters, self.calibration.standby, self.calibration.route)
        above = self.calibration.load_loss(known.power * (1 + STEP), frequency).total
        below = self.calibration.load_loss(known.power * (1 - STEP), frequency).total
        slope = (above - below)[:, 0] / (2 * STEP * known.power[:, 0])
        return self.calibration.route.passed_on(power, known.load_loss[:, 0], slope)


def planned(rung: Rung, frequency: FloatArray, power: FloatArray | None = None) -> Sweep:
    """Readings of a rung that can be taken, as a sweep, at frequency [Hz] and input power [W], (n,) each."""
    n = len(frequency)
    return Sweep(
        stage=rung.stage,
        cylinder=rung.cylinder,
        file="planned",
        sha256="",
        line=np.arange(1, n + 1),
        frequency=frequency,
        power=np.ones(n) if power is None else power,
        power_resolution=0.01,
        from_volts_and_amps=False,
        mean_pressure=None if rung.mean_pressure is None else np.full(n, rung.mean_pressure),
    )


def outlook(bench: Bench, calibration: Calibration, given: Given = Given()) -> Outlook:
    """Of a bench that was measured before: scatter as its calibration found, every law that its fit may use.

    A plan for the chosen laws alone would take none of the readings that the fit needs to rule out the others.
    calibration: fresh, physical.
    """
    problem = weighted_fit(calibration)
    terms = tuple(t for j, t in enumerate(problem.terms) if t.kind != "stribeck" or j in problem.best.columns)
    said = ("readings scatter as the bench's own calibration found",) if given.scatter is None else ()
    return Outlook(bench, calibration, problem, terms, given, said)


def weighted_fit(calibration: Calibration) -> Problem:
    """The weighted problem behind a fresh calibration of the physical family. Raises InputError for another."""
    fit = calibration.evidence.fits.get("physical") if calibration.evidence else None
    if calibration.family != "physical" or fit is None or fit.problem is None:
        raise InputError("a plan needs a fresh calibration of the physical family")
    return fit.problem
