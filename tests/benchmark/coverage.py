"""Do the 95 % intervals hold the truth as often as they say, and are they no wider than they must be?

Random simulated benches are written as folders, put through the public interface, and compared with the truth
behind them and with an oracle: a weighted least-squares fit that knows which laws are true and how much each
reading scatters, and propagates the same limits of error. Aims: 93 to 97 % of the intervals hold the truth,
median width within 1.3 times the oracle's. Prints tables, saves nothing. In tests/:

    python -m benchmark.coverage --benches 300 --workers 2 --draws 1000 [--extrapolate 1.3]
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from pathlib import Path

import numpy as np
from scipy.optimize import nnls
from simulate import Answer, PlannedSweep, Protocol, SealLaw, TorqueLaw, Truth, random_bench, write_bench
from simulate.machine import CELSIUS, COPPER_ZERO, FloatArray, port_power, seal_power

import driveloss

BREAKDOWN = ("motor", "linkage", "drive", "seal", "pneumatic", "efficiency_ceiling", "aftercooler_heat")
LOSSES = ("seal", "drive", "total")
INSIDE = (0.3, 0.75)  # where losses are asked for, as fractions of the calibrated range
TAILS = (0.025, 0.975)
SHAFT_KINDS = ("coulomb", "rolling", "viscous", "windage")
IDLE_PASSES = 4
STEP = 1e-4  # relative step of frequency for slopes
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True, slots=True)
class Row:
    """One interval beside the truth and the oracle's interval, all in one unit."""

    group: str
    quantity: str
    truth: float
    value: float
    low: float
    high: float
    best_value: float  # the oracle's
    best_low: float
    best_high: float
    scale: float  # what errors and widths are given in percent of


@dataclass(frozen=True, slots=True)
class Outcome:
    """One bench: what kind it is, its rows, or the message with which it was refused."""

    index: int
    factors: dict[str, str]
    rows: tuple[Row, ...] = ()
    refused: str = ""


# The oracle


@dataclass(frozen=True)
class Table:
    """Readings of several sweeps end to end, shape (n,), as their files tell them."""

    key: list[tuple[str, int]]  # file and row
    stage: np.ndarray
    cylinder: np.ndarray
    frequency: FloatArray
    pressure: FloatArray
    power: FloatArray
    resolution: FloatArray
    voltage: FloatArray  # nan unless power is the product of volts and amperes
    current: FloatArray  # nan unless it is the motor's
    winding: FloatArray

    def only(self, mask: np.ndarray) -> Table:
        arrays = [getattr(self, name) for name in list(self.__dataclass_fields__)[1:]]
        return Table([k for k, inside in zip(self.key, mask, strict=True) if inside], *(a[mask] for a in arrays))


def read_table(bench) -> Table:
    """Every sweep of a bench."""
    sweeps = bench.sweeps
    ambient = bench.rig.ambient_pressure.value

    def joined(column: Callable, missing: float = np.nan) -> np.ndarray:
        parts = [(len(sweep), column(sweep)) for sweep in sweeps]
        return np.concatenate([np.broadcast_to(missing if p is None else p, n) for n, p in parts])

    return Table(
        key=[(s.file, i + 1) for s in sweeps for i in range(len(s))],
        stage=joined(lambda s: s.stage),
        cylinder=joined(lambda s: s.cylinder or ""),
        frequency=joined(lambda s: s.frequency),
        pressure=joined(lambda s: s.mean_pressure, ambient),
        power=joined(lambda s: s.power),
        resolution=joined(lambda s: s.power_resolution),
        voltage=joined(lambda s: s.voltage if s.from_volts_and_amps else None),
        current=joined(lambda s: s.current if bench.rig.motor.supply == "terminals" else None),
        winding=joined(lambda s: s.winding),
    )


@dataclass(frozen=True)
class Errors:
    """Draws within the stated limits, shape (1 + draws,): no error first."""

    power_gain: FloatArray
    power_zero: FloatArray  # [W]
    voltage_gain: FloatArray
    current_gain: FloatArray
    frequency: FloatArray  # [Hz]
    resistance: FloatArray  # [ohm]
    torque_constant: FloatArray  # [N m/A]
    efficiency: FloatArray
    port_scale: dict[str, FloatArray]  # factor on a cylinder's port power


def draw_errors(answer: Answer, draws: int, rng: np.random.Generator) -> Errors:
    limits, stated = answer.protocol.limits, answer.stated

    def evenly(limit: float) -> FloatArray:
        return limit * np.concatenate([[0.0], rng.uniform(-1, 1, draws)])

    ports = {}
    for c in stated.cylinders:
        bore, stroke = 1 + evenly(limits.bore) / c.bore, 1 + evenly(limits.stroke) / c.stroke
        hole, shrink = 1 + evenly(limits.port_diameter), 1 + evenly(limits.discharge_coefficient)
        ports[c.name] = bore**6 * stroke**3 / (hole**4 * shrink**2)
    return Errors(
        power_gain=evenly(limits.power_gain),
        power_zero=evenly(limits.power_zero),
        voltage_gain=evenly(limits.voltage_gain),
        current_gain=evenly(limits.current_gain),
        frequency=evenly(limits.frequency),
        resistance=stated.motor.resistance * (1 + evenly(limits.resistance)),
        torque_constant=stated.motor.torque_constant * (1 + evenly(limits.torque_constant)),
        efficiency=stated.transmission_efficiency + evenly(limits.transmission_efficiency),
        port_scale=ports,
    )


@dataclass(frozen=True)
class Law:
    """One true law: the part it belongs to ('idle', 'motor', 'linkage', 'drive' or a cylinder) and its shape."""

    part: str
    shape: Callable[[FloatArray, FloatArray], FloatArray]  # frequency [Hz], pressure [Pa] -> power


def true_laws(answer: Answer) -> list[Law]:
    """The laws that the true machine has, as far as its sweeps can tell one from another."""
    truth, stages = answer.truth, {s.stage for s in answer.protocol.sweeps}
    motor = {k for k in SHAFT_KINDS if getattr(truth.motor.law, k)}
    linkage = {k for k in SHAFT_KINDS if getattr(truth.linkage, k)}
    laws = [Law("idle", lambda f, p: np.ones_like(f))] if fits_idle(answer) else []
    if "motor-alone" in stages:
        laws += [Law("motor", partial(shaft_shape, truth.ratio, k)) for k in sorted(motor)]
        laws += [Law("linkage", partial(shaft_shape, 1.0, k)) for k in sorted(linkage)]
    else:
        laws += [Law("drive", partial(shaft_shape, 1.0, k)) for k in sorted(motor | linkage)]
    for cylinder in truth.cylinders:
        laws += seal_laws(answer, cylinder.name)
    return laws


def fits_idle(answer: Answer) -> bool:
    stages = {s.stage for s in answer.protocol.sweeps}
    return answer.truth.motor.supply == "controller" and "standby" not in stages


def shaft_shape(ratio: float, kind: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    return TorqueLaw(**{kind: 1.0}).power(2 * np.pi * ratio * frequency)


def seal_laws(answer: Answer, name: str) -> list[Law]:
    """Drag under pressure counts as Coulomb friction where all no-load sweeps had one pressure."""
    seal = answer.truth.cylinder(name).seal
    units = [SealLaw(coulomb=1.0)]
    if seal.static > seal.coulomb:
        units.append(SealLaw(static=1.0, stribeck_speed=seal.stribeck_speed))
    if seal.viscous:
        units.append(SealLaw(viscous=1.0))
    pressures = {s.pressure for s in answer.protocol.sweeps if s.stage == "no-load" and s.cylinder == name}
    if seal.energised and len(pressures) > 1:
        units.append(SealLaw(energised=1.0))
    return [Law(name, partial(seal_shape, answer.stated, name, unit)) for unit in units]


def seal_shape(stated: Truth, name: str, unit: SealLaw, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    return seal_power(stated, replace(stated.cylinder(name), seal=unit), frequency, pressure)


def within(part: str, table: Table) -> np.ndarray:
    """Which readings a part's power is in, shape (n,)."""
    if part == "linkage":
        return table.stage != "motor-alone"
    return np.full(len(table.key), True) if part in ("idle", "motor", "drive") else table.cylinder == part


class Oracle:
    """Everything that can be known of a bench by someone who knows its laws and its noise; arrays (n, 1 + draws)."""

    def __init__(self, answer: Answer, table: Table, draws: int, rng: np.random.Generator):
        self.answer, self.rng, self.size = answer, rng, draws + 1
        self.errors = draw_errors(answer, draws, rng)
        self.laws = true_laws(answer)
        self.ladder = table.only(np.isin(table.stage, ("motor-alone", "piston-disconnected", "no-load")))
        self.loaded = table.only(table.stage == "loaded")
        self.idle = self._measured_idle(table.only(table.stage == "standby"))
        self.coefficients = self._fit()

    def _normal(self, sd: FloatArray) -> FloatArray:
        """Scatter of readings with standard deviations `sd` (n,); none in the first column."""
        noise = sd[:, None] * self.rng.standard_normal((len(sd), self.size))
        noise[:, 0] = 0.0
        return noise

    def _sigma(self, table: Table) -> FloatArray:
        """True standard deviation of each power reading. [W]"""
        protocol = self.answer.protocol
        noise = np.hypot(protocol.noise_floor, protocol.noise_share * table.power)
        return np.hypot(noise, table.resolution / np.sqrt(12))

    @cached_property
    def _frequency_sigma(self) -> float:
        protocol = self.answer.protocol
        digit = 10.0**-protocol.frequency_digits
        if protocol.speed_column:
            digit = 10.0 ** -max(protocol.frequency_digits - 2, 0) / 60
        return float(np.hypot(protocol.frequency_jitter, digit / np.sqrt(12)))

    def _measured_idle(self, standby: Table) -> FloatArray:
        if self.answer.truth.motor.supply == "terminals":
            return np.zeros(self.size)
        if len(standby.key) == 0:
            return np.full(self.size, self.answer.stated.motor.standby)  # a start for the iteration
        return (self._input(standby) + self._normal(self._sigma(standby))).mean(axis=0)

    def _input(self, table: Table) -> FloatArray:
        """Readings freed of the meter's drawn errors. [W]"""
        e, power = self.errors, table.power[:, None]
        if np.isfinite(table.voltage).all():
            return power * (1 + e.voltage_gain) * (1 + e.current_gain)
        return power * (1 + e.power_gain) + e.power_zero

    def _split(self, table: Table, noise: FloatArray, idle: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Input power and copper loss. [W]"""
        power = self._input(table) + noise
        if np.isfinite(table.current).all():
            amps = table.current[:, None] * (1 + self.errors.current_gain) * (1 + noise / table.power[:, None])
        else:
            ohms = self._form**2 * self._ohms(table.winding)
            volts = self._back_emf(table.frequency)
            amps = (np.sqrt(volts**2 + 4 * ohms * (power - idle)) - volts) / (2 * ohms)
        return power, self._copper(amps, table.winding)

    @property
    def _form(self) -> float:
        return self.answer.stated.motor.form_factor

    def _ohms(self, winding: FloatArray) -> FloatArray:
        """Warm resistance, (n, 1 + draws)."""
        reference = self.answer.stated.motor.reference_temperature
        kelvin = np.where(np.isfinite(winding), winding, reference)[:, None]
        return self.errors.resistance * (COPPER_ZERO + kelvin - CELSIUS) / (COPPER_ZERO + reference - CELSIUS)

    def _back_emf(self, frequency: FloatArray) -> FloatArray:
        turns = self.answer.stated.ratio * (frequency[:, None] - self.errors.frequency)
        return self.errors.torque_constant * 2 * np.pi * turns

    def _copper(self, amps: FloatArray, winding: FloatArray) -> FloatArray:
        return (self._form * amps) ** 2 * self._ohms(winding)

    def _port(self, table: Table) -> FloatArray:
        """Gas pumped through the open ports of the no-load readings. [W]"""
        power = np.zeros((len(table.key), self.size))
        for cylinder in self.answer.stated.cylinders:
            mine = (table.cylinder == cylinder.name) & (table.stage == "no-load")
            stated = port_power(self.answer.stated, cylinder, table.frequency[mine], table.pressure[mine])
            power[mine] = stated[:, None] * self.errors.port_scale[cylinder.name] / self.errors.efficiency
        return power

    def _design(self, table: Table, frequency: FloatArray) -> FloatArray:
        columns = [law.shape(frequency, table.pressure) * within(law.part, table) for law in self.laws]
        return np.column_stack(columns)

    def _fit(self) -> FloatArray:
        """Non-negative coefficients of the true laws, (laws, 1 + draws)."""
        ladder, fitted = self.ladder, fits_idle(self.answer)
        noise, design = self._normal(self._sigma(ladder)), self._design(ladder, ladder.frequency)
        slopes = (self._design(ladder, ladder.frequency * (1 + STEP)) - design) / (STEP * ladder.frequency[:, None])
        misread = self._normal(np.full(len(ladder.key), self._frequency_sigma))
        for _ in range(IDLE_PASSES if fitted else 1):
            power, copper = self._split(ladder, noise, self.idle)
            shaft = power - copper - self._port(ladder) - (0.0 if fitted else self.idle)
            sigma = self._shaft_sigma(power[:, 0], copper[:, 0])
            slope = slopes @ solve(design, shaft[:, :1], sigma)
            sigma = np.hypot(sigma, slope[:, 0] * self._frequency_sigma)
            coefficients = solve(design, shaft + slope * misread, sigma)
            if fitted:
                self.idle = coefficients[0]
        return coefficients

    def _shaft_sigma(self, power: FloatArray, copper: FloatArray) -> FloatArray:
        """Scatter of the shaft power that the scatter of a reading causes. [W]"""
        if np.isfinite(self.ladder.current).all():
            share = 1 - 2 * copper / power
        else:
            net = power - self.idle[0]
            share = (net - copper) / (net + copper)
        return self._sigma(self.ladder) * share

    def _curve(self, parts: Sequence[str], frequency: FloatArray, pressure: FloatArray) -> FloatArray:
        total = np.zeros((len(frequency), self.size))
        for law, row in zip(self.laws, self.coefficients, strict=True):
            if law.part in parts:
                total += np.outer(law.shape(frequency, pressure), row)
        return total

    def _moved(self, parts: Sequence[str], f: FloatArray, p: FloatArray, error: FloatArray) -> FloatArray:
        """A curve read at a frequency that is off by `error` (n or 1, 1 + draws). [W]"""
        here = self._curve(parts, f, p)
        return here + (self._curve(parts, f * (1 + STEP), p) - here) / (STEP * f[:, None]) * error

    def breakdown(self) -> dict[str, FloatArray]:
        """The split of the loaded readings. An error common to all frequencies cancels."""
        table = self.loaded
        power, copper = self._split(table, self._normal(self._sigma(table)), self.idle)
        f, p = table.frequency, table.pressure
        misread = self._normal(np.full(len(f), self._frequency_sigma))
        rotation, linkage, drive = (
            self._moved(parts, f, p, misread) for parts in (["motor"], ["linkage"], ["motor", "linkage", "drive"])
        )
        seal = np.empty_like(drive)
        for name in np.unique(table.cylinder):
            mine = table.cylinder == name
            seal[mine] = self._moved([str(name)], f[mine], p[mine], misread[mine])
        pneumatic = self.errors.efficiency * (power - self.idle - copper - drive - seal)
        return {
            "motor": rotation + copper,
            "linkage": linkage,
            "drive": drive + copper,
            "seal": seal * self.errors.efficiency,
            "pneumatic": pneumatic,
            "efficiency_ceiling": pneumatic / power,
            "aftercooler_heat": pneumatic + self.answer.stated.seal_heat_share * seal * self.errors.efficiency,
        }

    def losses(self, frequency: float, cylinder: str | None, pressure: float | None) -> dict[str, FloatArray]:
        """No-load losses at a true frequency: the meter that saw the sweeps may have been off."""
        f, p = np.array([frequency]), np.array([pressure or self.answer.truth.ambient_pressure])
        drive = self._moved(["motor", "linkage", "drive"], f, p, self.errors.frequency)
        seal = self._moved([cylinder], f, p, self.errors.frequency) if cylinder else np.zeros_like(drive)
        winding = self.ladder.winding
        warm = np.array([winding.mean()])  # nan where not recorded
        copper = self._copper((drive + seal) / self._back_emf(f), warm)
        at_piston = seal * self.errors.efficiency
        return {
            "drive": drive + copper + seal - at_piston,
            "seal": at_piston,
            "total": drive + seal + copper + self.idle,
        }


def solve(design: FloatArray, readings: FloatArray, sigma: FloatArray) -> FloatArray:
    """Weighted least squares with coefficients that cannot be negative: (n, k), (n, m), (n,) -> (k, m)."""
    weighted, y = design / sigma[:, None], readings / sigma[:, None]
    scale = np.linalg.norm(weighted, axis=0)
    coefficients = np.linalg.lstsq(weighted / scale, y, rcond=None)[0]
    Q, R = np.linalg.qr(weighted / scale)
    for j in np.flatnonzero((coefficients < 0).any(axis=0)):
        coefficients[:, j] = nnls(R, Q.T @ y[:, j])[0]
    return coefficients / scale[:, None]


# One bench


def prepare(seed: int, index: int, extrapolate: float | None) -> tuple[Truth, Protocol, np.random.Generator]:
    """A random bench whose intervals are meant to hold: motor constants and ports are stated.

    `extrapolate`: a loaded run of each cylinder is added at so many times the highest frequency.
    """
    rng = np.random.default_rng([seed, index])
    truth, protocol = random_bench(rng)
    protocol = replace(protocol, states_motor="constants", states_port=True)
    if extrapolate:
        top = max(f for sweep in protocol.sweeps for f in sweep.frequencies)
        beyond = [
            PlannedSweep("loaded", (round(extrapolate * top, 2),), f"{c.name}-beyond.csv", c.name, truth.top_pressure)
            for c in truth.cylinders
        ]
        protocol = replace(protocol, sweeps=(*protocol.sweeps, *beyond))
    return truth, protocol, rng


def factors(truth: Truth, protocol: Protocol) -> dict[str, str]:
    """What kind of bench it is; each key is one way to sort them."""
    stages = {s.stage for s in protocol.sweeps}
    rung = next(s for s in protocol.sweeps if s.stage == "piston-disconnected")
    points = len(set(rung.frequencies))
    noise = 100 * protocol.noise_share
    seals = [c.seal for c in truth.cylinders]
    stribeck = [c.seal.stribeck_speed / (np.pi * c.stroke * truth.top_frequency) for c in truth.cylinders]
    dips = [v for v, seal in zip(stribeck, seals, strict=True) if seal.static > seal.coulomb]
    idle = "none" if truth.motor.supply == "terminals" else "read" if "standby" in stages else "fitted"
    return {
        "noise": "< 0.3 %" if noise < 0.3 else "< 0.8 %" if noise < 0.8 else "> 0.8 %",
        "frequencies": "4-6" if points <= 6 else "7-12",
        "passes": str(len(rung.frequencies) // points),
        "Stribeck": "none" if not dips else "low speed" if max(dips) < 0.1 else "high speed",
        "supply": truth.motor.supply,
        "idle power": idle,
        "motor-alone": "yes" if "motor-alone" in stages else "no",
        "no-load pressures": str(len({s.pressure for s in protocol.sweeps if s.stage == "no-load"})),
        "cylinders": str(len(truth.cylinders)),
        "transmission": "lossless" if truth.transmission_efficiency == 1 else "lossy",
        "winding": "read" if protocol.winding_column else "not read",
        "power from": protocol.electric_columns,
    }


def run_bench(index: int, seed: int, draws: int, extrapolate: float | None = None) -> Outcome:
    """Simulate, calibrate, ask, and lay every answer beside the truth."""
    truth, protocol, rng = prepare(seed, index, extrapolate)
    kind = factors(truth, protocol)
    with tempfile.TemporaryDirectory() as folder:
        answer = write_bench(Path(folder) / "bench", truth, protocol, rng)
        try:
            bench = driveloss.load_bench(Path(folder) / "bench")
            calibration = driveloss.calibrate(bench, draws=draws, compare=False)
        except (driveloss.InputError, np.linalg.LinAlgError) as error:  # counted and printed, see refusals
            return Outcome(index, kind, refused=f"{type(error).__name__}: {error}")
        oracle = Oracle(answer, read_table(bench), draws, rng)
        rows = breakdown_rows(answer, bench, calibration, oracle)
        more = losses_rows(answer, calibration, oracle, extrapolate)
        return Outcome(index, kind, (*rows, *more))


def breakdown_rows(answer: Answer, bench, calibration, oracle: Oracle) -> Iterable[Row]:
    true_runs = {(run["file"], run["row"]): run for run in answer.runs}
    best = {name: quantiles(draws) for name, draws in oracle.breakdown().items()}
    places = {key: i for i, key in enumerate(oracle.loaded.key)}
    for run in driveloss.breakdown(calibration, bench.sweeps).runs:
        true, i = true_runs[run.file, run.row], places[run.file, run.row]
        group = "runs beyond" if run.file.endswith("-beyond.csv") else "runs"
        for name in BREAKDOWN:
            estimate, is_ratio = run.parts[name], name == "efficiency_ceiling"
            if estimate is not None:
                true_value = true[name if is_ratio else f"{name}_W"]
                yield row(group, name, true_value, estimate, best[name][i], 1.0 if is_ratio else true["input_W"])


def losses_rows(answer: Answer, calibration, oracle: Oracle, extrapolate: float | None) -> Iterable[Row]:
    span = calibration.drive_range
    asked = [("losses", span.low + share * (span.high - span.low)) for share in INSIDE]
    asked += [("losses beyond", extrapolate * span.high)] if extrapolate else []
    for group, frequency in asked:
        for line in driveloss.losses(calibration, [frequency]):
            true = answer.no_load(line.cylinder, frequency, line.mean_pressure)
            best = oracle.losses(frequency, line.cylinder, line.mean_pressure)
            for name in LOSSES if line.cylinder else ("drive",):
                interval = quantiles(best[name])[0]
                yield row(group, name, true[f"{name}_W"][0], getattr(line, name), interval, true["total_W"][0])


def quantiles(draws: FloatArray) -> FloatArray:
    """Value and ends of the interval, (n, 1 + draws) -> (n, 3)."""
    return np.column_stack([draws[:, 0], *np.quantile(draws[:, 1:], TAILS, axis=1)])


def row(group: str, name: str, truth: float, estimate, best: FloatArray, scale: float) -> Row:
    ends = (estimate.value, estimate.low, estimate.high, *best, scale)
    return Row(group, name, float(truth), *map(float, ends))


def run_benches(benches: int, workers: int, seed: int, draws: int, extrapolate: float | None = None) -> list[Outcome]:
    """Outcomes in the order of the benches; they do not depend on the number of workers."""
    task = partial(run_bench, seed=seed, draws=draws, extrapolate=extrapolate)
    for name in THREADS:  # one thread a process: inherited by the workers
        os.environ.setdefault(name, "1")
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return pool.map(task, range(benches), chunksize=4)


# Tables


@dataclass(frozen=True)
class Score:
    """How one quantity fares over benches, each bench weighing the same."""

    benches: int
    coverage: float
    error: float  # standard error of the coverage, benches being the independent units
    below: float  # share of intervals with the truth below them
    above: float
    deviation: float  # [%] median of |value - truth| over the scale
    width: float  # [%] median
    ratio: float  # median of width over the oracle's
    best_coverage: float  # of the oracle


def score(outcomes: Iterable[Outcome], group: str, quantity: str) -> Score | None:
    """None where no bench has such rows."""
    per_bench = []
    for outcome in outcomes:
        rows = [r for r in outcome.rows if (r.group, r.quantity) == (group, quantity)]
        if rows:
            per_bench.append(bench_score(rows))
    if not per_bench:
        return None
    table = np.array(per_bench)
    below, above, best = table[:, :3].mean(axis=0)
    held = 1 - table[:, 0] - table[:, 1]
    error = held.std(ddof=1) / np.sqrt(len(held)) if len(held) > 1 else np.nan
    return Score(len(held), held.mean(), error, below, above, *np.median(table[:, 3:], axis=0), best)


def bench_score(rows: Sequence[Row]) -> tuple[float, ...]:
    """Shares below and above, the oracle's coverage, medians of deviation, width and ratio."""
    truth, value, low, high, best_low, best_high, scale = np.array(
        [(r.truth, r.value, r.low, r.high, r.best_low, r.best_high, r.scale) for r in rows]
    ).T
    width = high - low
    return (
        np.mean(truth < low),
        np.mean(truth > high),
        np.mean((best_low <= truth) & (truth <= best_high)),
        100 * np.median(np.abs(value - truth) / scale),
        100 * np.median(width / scale),
        np.median(width / (best_high - best_low)),
    )


def cells(outcomes: Iterable[Outcome]) -> list[tuple[str, str]]:
    """Groups and quantities that occur, in the order of appearance."""
    return list(dict.fromkeys((r.group, r.quantity) for o in outcomes for r in o.rows))


def overall_table(outcomes: Sequence[Outcome]) -> str:
    head = ("cover %", "+/-", "below", "above", "|error| %", "width %", "x oracle", "oracle's %")
    lines = [f"{'':<32} benches" + "".join(f"{word:>11}" for word in head)]
    for group, quantity in cells(outcomes):
        s = score(outcomes, group, quantity)
        assert s is not None
        shares = "".join(f"{100 * share:>11.1f}" for share in (s.coverage, s.error, s.below, s.above))
        sizes = f"{s.deviation:>11.3f}{s.width:>11.3f}{s.ratio:>11.2f}{100 * s.best_coverage:>11.1f}"
        lines.append(f"{group:<14}{quantity:<18} {s.benches:>7}{shares}{sizes}")
    return "\n".join(lines)


def factor_table(outcomes: Sequence[Outcome]) -> str:
    """Coverage and width ratio of each cell by kind of bench."""
    columns = cells(outcomes)
    lines = ["coverage % / width over the oracle's, by kind of bench"]
    lines.append(f"{'':<34}" + "".join(f"{group:>14}" for group, _ in columns))
    lines.append(f"{'':<34}" + "".join(f"{quantity[:12]:>14}" for _, quantity in columns))
    for factor in outcomes[0].factors:
        for level in sorted({o.factors[factor] for o in outcomes}):
            chosen = [o for o in outcomes if o.factors[factor] == level and o.rows]
            scores = [score(chosen, *column) for column in columns]
            texts = [f"{'-':>14}" if s is None else f"{100 * s.coverage:>9.1f}/{s.ratio:<4.2f}" for s in scores]
            lines.append(f"{factor:<18}{level:<12}{len(chosen):>4}" + "".join(texts))
    return "\n".join(lines)


def refusals(outcomes: Sequence[Outcome]) -> str:
    refused = [o for o in outcomes if o.refused]
    lines = [f"{len(refused)} of {len(outcomes)} benches refused"]
    return "\n".join(lines + [f"  bench {o.index}: {o.refused}" for o in refused])


def worst_rows(outcomes: Sequence[Outcome], count: int) -> str:
    """The benches that miss most, each with the row that misses by the most interval widths."""
    missed = []
    for o in outcomes:
        far = [(max(r.low - r.truth, r.truth - r.high) / max(r.high - r.low, 1e-12), r) for r in o.rows]
        far = [(d, r) for d, r in far if d > 0]
        if far:
            d, r = max(far, key=lambda pair: pair[0])
            missed.append((len(far) / len(o.rows), d, r, o))
    missed.sort(key=lambda entry: -entry[0])
    lines = ["benches that miss most: share of rows missed, worst miss in interval widths"]
    for share, d, r, o in missed[:count]:
        what = f"{r.group} {r.quantity}: {r.truth:.4g} not in [{r.low:.4g}, {r.high:.4g}]"
        what += f", oracle [{r.best_low:.4g}, {r.best_high:.4g}]"
        kind = ", ".join(o.factors.values())
        lines.append(f"  bench {o.index:>4} {100 * share:>4.0f} % {d:>6.2f}  {what}  ({kind})")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m benchmark.coverage", description=__doc__.splitlines()[0])
    parser.add_argument("--benches", type=int, default=300)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--draws", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--extrapolate", type=float, help="ask for losses and runs at so many times the top frequency")
    parser.add_argument("--worst", type=int, default=15, help="how many of the worst benches to list")
    options = parser.parse_args()
    outcomes = run_benches(options.benches, options.workers, options.seed, options.draws, options.extrapolate)
    tables = (overall_table(outcomes), factor_table(outcomes), refusals(outcomes))
    print(*tables, worst_rows(outcomes, options.worst), sep="\n\n")


if __name__ == "__main__":
    main()
