"""What a bench lets expect before it is measured: rungs, laws, scatter, and errors that repeats do not reduce."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from driveloss.bench.records import Bench, FloatArray, Sweep
from driveloss.breakdown.ask import breakdown
from driveloss.errors import InputError
from driveloss.fit.calibrate import reweigh
from driveloss.fit.calibration import Calibration
from driveloss.fit.estimate import estimate
from driveloss.fit.ladder import Ladder
from driveloss.fit.laws import Term
from driveloss.fit.meters import SOURCES
from driveloss.fit.motor_loss import shaft_power
from driveloss.fit.physical import joint_design
from driveloss.fit.readings import SAME_PRESSURE, Readings, gather, pressure_groups

RUNGS = ("motor-alone", "piston-disconnected", "no-load", "loaded")
BY_CHANCE = ("noise", "terms")  # sources of error that more readings reduce
COMMON = tuple(source for source in SOURCES if source not in BY_CHANCE)
SYSTEMATIC_DRAWS = 1000
STEP = 1e-3  # relative step of the load loss's slope


@dataclass(frozen=True)
class Rung:
    """One kind of reading that can be taken."""

    stage: str
    cylinder: str | None = None
    mean_pressure: float | None = None  # [Pa]

    def sweep(self, frequency: FloatArray, power: FloatArray | None = None) -> Sweep:
        """Readings of this rung as a sweep, at frequency [Hz] and input power [W], (n,) each."""
        n = len(frequency)
        return Sweep(
            stage=self.stage,
            cylinder=self.cylinder,
            file="planned",
            sha256="",
            line=np.arange(1, n + 1),
            frequency=frequency,
            power=np.ones(n) if power is None else power,
            power_resolution=0.01,
            from_volts_and_amps=False,
            current=None,
            voltage=None,
            mean_pressure=None if self.mean_pressure is None else np.full(n, self.mean_pressure),
        )


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
        spans = self.calibration.ranges.items()
        seals = [Rung("no-load", name, p) for name, span in spans for p in span.pressures]
        loaded = [Rung("loaded", name, p) for name, span in spans for p in self._loaded_at(name) or span.pressures]
        return [*map(Rung, shaft), *seals, *loaded]

    @property
    def span(self) -> tuple[float, float]:
        """Lowest and highest frequency that every rung was, or will be, run at. [Hz]"""
        spans = [self.calibration.drive_range, *self.calibration.ranges.values()]
        return max(s.low for s in spans), min(s.high for s in spans)

    def _loaded_at(self, cylinder: str) -> list[float]:
        """Mean pressures of a cylinder's loaded sweeps, ascending. [Pa]"""
        runs = gather(self.bench.rig, self.bench.sweeps, ("loaded",))
        pressure = runs.mean_pressure[(runs.cylinder == cylinder) & np.isfinite(runs.mean_pressure)]
        groups = pressure_groups(pressure)
        return [float(f"{pressure[groups == g].mean():.6g}") for g in np.unique(groups)]

    def rows(self, rung: Rung, frequency: FloatArray) -> FloatArray:
        """Slopes of the rung's shaft-side power in the coefficients, shape (n, terms)."""
        readings = gather(self.bench.rig, [rung.sweep(frequency)], RUNGS)
        return joint_design(replace(self._ladder, readings=readings), self.terms)

    def sigma(self, rung: Rung, frequency: FloatArray) -> FloatArray:
        """Standard deviation of the shaft-side power of one reading, shape (n,). [W]"""
        power = self.input_power(rung, frequency)
        known = self._problem
        size = known.scatter(known.offers()[0])[0] * known.pattern(power) if self.scatter is None else self.scatter
        sd = np.broadcast_to(size, power.shape)
        return sd * self._passed_on(rung, frequency, power) if rung.stage == "loaded" else sd

    def input_power(self, rung: Rung, frequency: FloatArray) -> FloatArray:
        """Expected at the meter, shape (n,). [W]"""
        if rung.stage == "loaded":
            return self._loaded_input(rung, frequency)
        readings = gather(self.bench.rig, [rung.sweep(frequency)], RUNGS)
        shaft = self.calibration.shaft_power(readings)
        return (self.calibration.standby + shaft + self.calibration.load_loss(shaft, frequency))[:, 0]

    def systematic(self, rung: Rung, frequency: float) -> Systematic:
        """Errors of the net power at a loaded rung that repeats do not reduce, at frequency [Hz]."""
        at = np.array([frequency])
        sweep = self._loaded_sweep(rung, at)

        def half(calibration: Calibration) -> tuple[float, float]:
            draws = breakdown(calibration, [sweep]).draws["pneumatic"]
            found = None if draws is None else estimate(draws[0])
            if found is None:
                raise InputError(f"{place(rung)}: the net power at {frequency:g} Hz is not determinable on this bench")
            return found.value, found.half_width

        net, together = half(self._weighed[COMMON])
        alone = {source: half(self._weighed[(source,)])[1] for source in COMMON}
        ranked = sorted(((s, h) for s, h in alone.items() if h > 1e-9), key=lambda item: -item[1])
        return Systematic(net, together, dict(ranked))

    @cached_property
    def _weighed(self) -> dict[tuple[str, ...], Calibration]:
        """The calibration with some sources of error only."""
        sets = [COMMON, *((source,) for source in COMMON)]
        return {active: reweigh(self.bench, self.calibration, active, SYSTEMATIC_DRAWS) for active in sets}

    @property
    def _ladder(self) -> Ladder:
        assert self.calibration.evidence is not None
        return self.calibration.evidence.ladder

    @property
    def _problem(self):
        assert self.calibration.evidence is not None
        return self.calibration.evidence.fits["physical"].problem

    def _loaded_input(self, rung: Rung, frequency: FloatArray) -> FloatArray:
        if self.loaded_power is not None and self.stated_at is not None:
            return self.loaded_power * frequency / self.stated_at
        runs = self._runs(rung)
        order = np.argsort(runs.frequency)
        f, power = runs.frequency[order], runs.power[order]
        return np.interp(frequency, f, power / f) * frequency

    def _loaded_sweep(self, rung: Rung, frequency: FloatArray) -> Sweep:
        """A loaded run as expected, with current and winding temperature as in the bench's own runs."""
        sweep = rung.sweep(frequency, self._loaded_input(rung, frequency))
        runs = self._runs(rung)
        order = np.argsort(runs.frequency)

        def likely(values: FloatArray) -> FloatArray | None:
            known = np.isfinite(values).all() and len(values) > 0
            return np.interp(frequency, runs.frequency[order], values[order]) if known else None

        return sweep.replace(current=likely(runs.current), winding=likely(runs.winding))

    def _runs(self, rung: Rung) -> Readings:
        """The bench's own loaded readings at the rung's pressure. Raises InputError where there are none to go by."""
        runs = gather(self.bench.rig, self.bench.sweeps, ("loaded",))
        pressure = rung.mean_pressure or 0.0
        mine = (runs.cylinder == rung.cylinder) & (np.abs(runs.mean_pressure - pressure) <= SAME_PRESSURE * pressure)
        if not mine.any() and self.loaded_power is None:
            raise InputError(
                f"{place(rung)}: no loaded sweep tells what power to expect, expected one on the bench, or --power-at"
            )
        return runs.only(mine)

    def _passed_on(self, rung: Rung, frequency: FloatArray, power: FloatArray) -> FloatArray:
        """How much of a deviation of the input power reaches the shaft's: the load loss takes its share, (n,)."""
        route = self.calibration.route
        readings = gather(self.bench.rig, [self._loaded_sweep(rung, frequency)], RUNGS)
        known = shaft_power(readings, self.calibration.inputs, self.calibration.standby, route)
        if route == "measured current":  # the ammeter's deviation counts twice in the copper loss
            return np.hypot(1.0, 2 * known.load_loss[:, 0] / power)
        if route == "incremental":  # the scatter was found on the shaft's side
            return np.ones_like(power)
        above = self.calibration.load_loss(known.power * (1 + STEP), frequency)
        below = self.calibration.load_loss(known.power * (1 - STEP), frequency)
        return 1 / (1 + (above - below)[:, 0] / (2 * STEP * known.power[:, 0]))


def place(rung: Rung) -> str:
    """Name with cylinder and pressure where it has them, on two lines."""
    if rung.cylinder is None or rung.mean_pressure is None:
        return rung.stage
    return f"{rung.stage} '{rung.cylinder}' at {rung.mean_pressure / 1e5:.4g} bar"


def outlook(
    bench: Bench,
    calibration: Calibration,
    scatter: float | None = None,
    loaded_power: float | None = None,
    targets: Sequence[float] = (),
) -> Outlook:
    """Of a bench that was measured before: scatter as its calibration found, every law that its fit may use.

    A plan for the chosen laws alone would take none of the readings that the fit needs to rule out the others.

    scatter: of one reading, instead [W]. loaded_power: input of loaded runs at the highest target frequency, instead
    [W]. calibration: fresh, physical.
    """
    curves = calibration.curves
    chosen = calibration.evidence.fits["physical"].problem if calibration.evidence else None
    if chosen is None or not hasattr(curves, "terms"):
        raise InputError("a plan needs a fresh calibration of the physical family")
    terms = tuple(t for j, t in enumerate(chosen.terms) if t.kind != "stribeck" or j in chosen.best.columns)
    assumptions = ["readings scatter as the bench's own calibration found"] if scatter is None else []
    return Outlook(bench, calibration, terms, scatter, loaded_power, max(targets, default=None), tuple(assumptions))
