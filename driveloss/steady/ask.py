"""Steady readings of one or more logs: a plateau is a reading, and what gives none is told with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from driveloss.bench.logs import Log
from driveloss.fit.estimate import COVERAGE, Estimate
from driveloss.say.answer import Answer
from driveloss.say.csv_form import spread
from driveloss.steady.plateaus import Plateau, Rejected, Stretch, Terms, is_screened, judge, run_in, settings, stands
from driveloss.steady.serial import FEWEST
from driveloss.steady.settling import Curve, Settled, settle

ENDS = ("cold_end", "hot_end")
OTHERS = {  # and their units in keys for scripts
    **{"voltage": "V", "current": "A", "mean_pressure": "Pa", "pressure_amplitude": "Pa", "torque": "Nm"},
    **{"brake_force": "N", "winding": "K", "coolant": "K"},
}
PULSES = 1e-3  # share of the power from which what volts and amperes do together is told
TURN_SHARE = 0.25  # of a turn that a reading may take for pulses to be seen


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One plateau as a reading. SI; times from the log's first reading."""

    file: str
    start: float  # [s]
    end: float  # [s]
    frequency: float  # [Hz]
    power: Estimate  # [W] u is the standard error of the mean, serial correlation accounted for
    scatter: float  # [W] standard deviation of a single logged reading
    readings: int
    effective: float  # independent readings that would tell the mean as well
    drift: float  # of the power over the plateau, a share of it
    drift_error: float  # half of its 90 % interval
    together: float  # mean of V times I less mean V times mean I, a share of the power
    screened: bool  # by the ratio of variances, too
    wanders: bool  # slowly: the error is that of blocks
    means: dict[str, float]  # of the other columns, by field of Sweep
    ends: dict[str, Settled]

    @property
    def duration(self) -> float:
        """[s]"""
        return self.end - self.start

    def __repr__(self) -> str:
        return f"Reading({self.file!r}, {self.frequency:.4g} Hz: {self.power} W)"


def _end_columns(end: str) -> tuple[str, ...]:
    words = ("settles", "how", "rate_K_per_s", "time_constants_s", "wait_s")
    return (f"{end}_as_read_K", *spread(f"{end}_settled_K"), *(f"{end}_{word}" for word in words))


@dataclass(frozen=True, repr=False)
class Steady(Answer):
    """The readings of some logs, in their order, and the stretches that give none."""

    readings: tuple[Reading, ...]
    rejected: tuple[Rejected, ...]
    logs: tuple[Log, ...]
    terms: Terms
    notices: tuple[str, ...]
    coverage: float = COVERAGE
    told_by: ClassVar[str] = "driveloss.steady.tell:steady"
    lists: ClassVar[tuple[str, ...]] = ("rows", "rejected")
    columns: ClassVar[tuple[str, ...]] = (
        *("table", "file", "start_s", "end_s", "frequency_Hz", *spread("power_W"), "scatter_W"),
        *("readings", "effective_readings", *spread("drift"), "together", "passes_screen", "slow_wander"),
        *(f"{name}_{unit}" for name, unit in OTHERS.items()),
        *(column for end in ENDS for column in _end_columns(end)),
        "reason",
    )

    def __repr__(self) -> str:
        return f"Steady({len(self.readings)} readings, {len(self.rejected)} stretches rejected)"

    @property
    def sweep_csv(self) -> str:
        """The readings as a file for bench.toml."""
        from driveloss.steady.sweep_file import sweep_csv

        return sweep_csv(self.readings)


def steady(
    logs: Sequence[Log], terms: Terms | None = None, time_constant: Estimate | None = None, *, averages: bool = False
) -> Steady:
    """Find the plateaus of logs and reckon a reading from each.

    time_constant: [s] of the ends' temperatures, where it is known; else found from the plateaus, or from a cool-down.
    averages: the logs hold averages over their intervals, not moments.
    """
    terms = terms or Terms()
    plateaus: list[Plateau] = []
    rejected: list[Rejected] = []
    stopped: list[Stretch] = []
    for log in logs:
        found, changes = settings(log, terms)
        rejected += changes
        for setting in found:
            if stands(setting):
                stopped.append(setting)
                rejected.append(Rejected(setting, "the machine stands still"))
                continue
            judged = judge(setting, terms)
            if isinstance(judged, Rejected):
                rejected.append(judged)
                continue
            plateaus.append(judged)
            before = run_in(judged)
            rejected += [before] if before else []
    ends, notes = _ends(plateaus, stopped, time_constant)
    readings = tuple(_reading(plateau, own) for plateau, own in zip(plateaus, ends, strict=True))
    order = {log.file: i for i, log in enumerate(logs)}
    rejected.sort(key=lambda one: (order[one.stretch.log.file], one.stretch.start))
    notices = (
        *(notice for log in logs for notice in log.notices),
        *_unit_notes(logs),
        *notes,
        *_pulse_notes(readings, logs, averages=averages),
    )
    return Steady(readings, tuple(rejected), tuple(logs), terms, notices)


def _ends(
    plateaus: Sequence[Plateau], stopped: Sequence[Stretch], known: Estimate | None
) -> tuple[list[dict[str, Settled]], list[str]]:
    """What each plateau's ends settle at, by name, as far as they were recorded."""
    found: list[dict[str, Settled]] = [{} for _ in plateaus]
    notes = []
    for name in ENDS:
        having = [i for i, plateau in enumerate(plateaus) if _has(plateau.setting, name)]
        if not having:
            continue
        curves = [_curve(plateaus[i].setting, name) for i in having]
        settled = settle(curves, known)
        cooling = [_curve(stretch, name) for stretch in stopped if _has(stretch, name) and _is_long(stretch)]
        if cooling and not settled[0].time_constants:
            settled = settle([*curves, *cooling], known)[: len(curves)]
            if settled[0].time_constants:
                words = name.replace("_", " ")
                notes.append(f"{words}: the time constant is that of the standstill, where no gas moves heat")
        for i, end in zip(having, settled, strict=True):
            found[i][name] = end
    return found, notes


def _is_long(stretch: Stretch) -> bool:
    """Whether there are enough readings for a curve."""
    return stretch.last - stretch.first >= FEWEST


def _has(stretch: Stretch, name: str) -> bool:
    return name in stretch.log.means and bool(np.isfinite(stretch.of(name)).any())


def _curve(stretch: Stretch, name: str) -> Curve:
    known = np.isfinite(stretch.of(name))
    return Curve(stretch.time[known], stretch.of(name)[known])


def _reading(plateau: Plateau, ends: dict[str, Settled]) -> Reading:
    from scipy.special import stdtrit

    stretch, line = plateau.stretch, plateau.power
    half = float(stdtrit(line.dof, (1 + COVERAGE) / 2)) * line.mean_error
    variance = line.scatter**2 + stretch.variance("power")
    count = stretch.readings
    means = {name: float(np.nanmean(stretch.of(name))) for name in OTHERS if _has(stretch, name)}
    product = means.get("voltage", 0.0) * means.get("current", 0.0)
    test = plateau.tests["power"]
    return Reading(
        file=stretch.log.file,
        start=stretch.start,
        end=stretch.end,
        frequency=float(stretch.of("frequency").mean()) if "frequency" in stretch.log.means else 0.0,
        power=Estimate(line.mean, line.mean_error, line.mean - half, line.mean + half),
        scatter=variance**0.5,
        readings=count,
        effective=min(variance / line.mean_error**2, count) if line.mean_error > 0 else float(count),
        drift=test.drift,
        drift_error=test.error,
        together=line.mean / product - 1 if product else 0.0,
        screened=is_screened(plateau),
        wanders=line.wanders,
        means=means,
        ends=ends,
    )


def _unit_notes(logs: Sequence[Log]) -> list[str]:
    """Columns that files give in different units: all are converted, and a wrong heading would show here."""
    notes = []
    for name in dict.fromkeys(name for log in logs for name in log.units):
        units = {log.units[name]: log.file for log in logs if log.units.get(name)}
        if len(units) > 1 and name != "time":
            told = ", ".join(f"{unit} in {file}" for unit, file in units.items())
            notes.append(f"column '{name.replace('_', ' ')}' comes in different units, each converted: {told}")
    return notes


def _pulse_notes(readings: Sequence[Reading], logs: Sequence[Log], *, averages: bool) -> list[str]:
    """What products of volts and amperes may miss."""
    notes = []
    products = {log.file: log for log in logs if "power" not in log.units}
    for log in products.values():
        mine = [reading for reading in readings if reading.file == log.file and reading.frequency > 0]
        most = max((reading.together for reading in mine), key=abs, default=0.0)
        if abs(most) > PULSES:
            notes.append(
                f"{log.file}: volts times amperes, multiplied reading by reading, is up to {100 * most:+.2g} % off the "
                "product of their means: the former is the power"
            )
        turns = log.interval * max((reading.frequency for reading in mine), default=0.0)
        if averages or turns > TURN_SHARE:
            word = "Its volts and amperes are averages" if averages else "If its volts and amperes are averages"
            notes.append(
                f"{log.file}: one reading every {log.interval:.3g} s, {turns:.2g} turns. {word}, what both do within a "
                "turn is lost: the power is off by half the product of their ripples, 0.5 % where each swings by 10 % "
                "of its mean. A steady voltage, or a wattmeter's power column, has no such error."
            )
    return notes
