"""What a bench lets expect before it is measured: rungs, laws, scatter, and errors that repeats do not reduce."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from driveloss.bench.records import STAGES, Bench, FloatArray, Sweep
from driveloss.breakdown.ask import breakdown
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.contributions import SCATTER, Attribution
from driveloss.fit.estimate import estimate
from driveloss.fit.laws import Term
from driveloss.fit.motor_loss import shaft_power
from driveloss.fit.physical import Problem, joint_design
from driveloss.fit.readings import SAME_PRESSURE, Readings, Rung, by_rung, gather

STEP = 1e-3  # relative step of the load loss's slope


@dataclass(frozen=True)
class Systematic:
    """What errors common to all readings leave of the net power, as half-widths of 95 % intervals. [W]"""

    net: float  # expected net power
    half_width: float
    sources: dict[str, float]  # each by itself, largest first


@dataclass(frozen=True)
class Outlook:
    """A bench, measured or assumed, and what it lets expect of new readings."""

    bench: Bench
    calibration: Calibration  # fresh, of the physical family
    problem: Problem  # its weighted fit
    terms: tuple[Term, ...]  # laws that the fit will need
    scatter: float | None  # [W] stated for every reading, else as the calibration's
    loaded_power: float | None  # [W] stated input of loaded runs at `stated_at`, in proportion to frequency elsewhere
    stated_at: float | None  # [Hz]
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
        known = self.problem
        size = known.scatter(known.offers()[0])[0] * known.pattern(power) if self.scatter is None else self.scatter
        sd = np.broadcast_to(size, power.shape)
        return sd * self._passed_on(rung, frequency, power) if rung.stage == "loaded" else sd

    def input_power(self, rung: Rung, frequency: FloatArray) -> FloatArray:
        """Expected at the meter, shape (n,). [W]"""
        if rung.stage != "loaded":
            shaft = self.calibration.shaft_power(self._gathered(planned(rung, frequency)))
            return (self.calibration.standby + shaft + self.calibration.load_loss(shaft, frequency).total)[:, 0]
        if self.loaded_power is not None and self.stated_at is not None:
            return self.loaded_power * frequency / self.stated_at
        runs = self._runs(rung)
        return np.interp(frequency, runs.frequency, runs.power / runs.frequency) * frequency

    def systematic(self, rung: Rung, frequency: float) -> Systematic:
        """Errors of the net power at a loaded rung that repeats do not reduce, at frequency [Hz]."""
        net = breakdown(self.calibration, [self._loaded_sweep(rung, np.array([frequency]))]).draws["pneumatic"]
        found = self._attribution.explain(net[0])
        common = {source: moved for source, moved in found.draws.items() if source != SCATTER}
        together = estimate(sum(common.values(), np.zeros(net.shape[1])))
        if together is None or not np.isfinite(net[0]).all():
            raise InputError(f"{rung}: the net power at {frequency:g} Hz is not determinable on this bench")
        ranked = sorted(found.half_widths.items(), key=lambda item: -item[1])
        alone = {source: width for source, width in ranked if source in common and width > 1e-9}
        return Systematic(float(net[0, 0]), together.half_width, alone)

    @cached_property
    def _attribution(self) -> Attribution:
        return Attribution(self.calibration.meters)

    def _gathered(self, sweep: Sweep) -> Readings:
        return gather(self.bench.rig, [sweep], STAGES)

    @cached_property
    def _all_runs(self) -> Readings:
        return gather(self.bench.rig, self.bench.sweeps, ("loaded",))

    def _runs(self, rung: Rung) -> Readings:
        """Loaded readings at the rung's pressure, rising frequency. Raises InputError where there are none to go by."""
        runs, pressure = self._all_runs, rung.mean_pressure or 0.0
        mine = (runs.cylinder == rung.cylinder) & (np.abs(runs.mean_pressure - pressure) <= SAME_PRESSURE * pressure)
        if not mine.any() and self.loaded_power is None:
            raise InputError(
                f"{rung}: no loaded sweep tells what power to expect, expected one on the bench, or --power-at"
            )
        found = runs.only(mine)
        return found.only(np.argsort(found.frequency))

    def _loaded_sweep(self, rung: Rung, frequency: FloatArray) -> Sweep:
        """A loaded run as expected, with current and winding temperature as in the bench's own runs."""
        runs = self._runs(rung)

        def likely(values: FloatArray) -> FloatArray | None:
            known = np.isfinite(values).all() and len(values) > 0
            return np.interp(frequency, runs.frequency, values) if known else None

        sweep = planned(rung, frequency, self.input_power(rung, frequency))
        return sweep.replace(current=likely(runs.current), winding=likely(runs.winding))

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


def outlook(
    bench: Bench,
    calibration: Calibration,
    scatter: float | None = None,
    loaded_power: float | None = None,
    targets: Sequence[float] = (),
) -> Outlook:
    """Of a bench that was measured before: scatter as its calibration found, every law that its fit may use.

    A plan for the chosen laws alone would take none of the readings that the fit needs to rule out the others.
    scatter: of one reading, instead [W]. loaded_power: input of loaded runs at the highest of `targets` [Hz], instead
    of theirs [W]. calibration: fresh, physical.
    """
    problem = weighted_fit(calibration)
    terms = tuple(t for j, t in enumerate(problem.terms) if t.kind != "stribeck" or j in problem.best.columns)
    said = ("readings scatter as the bench's own calibration found",) if scatter is None else ()
    return Outlook(bench, calibration, problem, terms, scatter, loaded_power, max(targets, default=None), said)


def weighted_fit(calibration: Calibration) -> Problem:
    """The weighted problem behind a fresh calibration of the physical family. Raises InputError for another."""
    fit = calibration.evidence.fits.get("physical") if calibration.evidence else None
    if calibration.family != "physical" or fit is None or fit.problem is None:
        raise InputError("a plan needs a fresh calibration of the physical family")
    return fit.problem
