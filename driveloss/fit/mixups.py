"""Mistakes in setting up a bench or writing it down that show in the readings: one sentence each.

Each test speaks only where the readings contradict what is stated and another reading of it would make them agree.
Its thresholds keep clear of what sound machines do: tests/screen/test_mixups.py has simulated ones by the dozen.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from driveloss.bench.records import Bench, FloatArray, Rig, Sweep
from driveloss.fit.calibration import Calibration
from driveloss.fit.findings import Finding
from driveloss.fit.headers import (
    LEAST_RATIO,
    exchanged_ends,
    fahrenheit,
    motor_speeds,
    power_for_frequency,
    said,
    transmission_ratio,
    volts_for_amps,
)
from driveloss.fit.ladder import Ladder
from driveloss.fit.least_squares import nnls
from driveloss.fit.readings import Readings, joined
from driveloss.fit.suspects import Course, expected_scatter, shaft_of_runs, unloaded
from driveloss.physics import crank, cylinder

ALL_BUT_ALL = 0.95  # of the power that reaches the piston loaded: what a no-load run cannot take
HEAVY_DRAG = 0.3  # of the mean pressure: a seal's friction over the piston's area is mostly below that
PORT_SHARE = 0.3  # of a cylinder's no-load loss at the highest frequency, rising as gas in a hole does
TIMES_STATED = 2.0  # what the stated port takes, from which on such a loss is another port's
PORT_CHANCE = 12.0  # F of that share: far beyond chance
APART = 1.2  # times one pressure from which another counts as another
MOST_COPPER = 0.3  # of the input of a loaded run; sound motors lose a tenth or so, small ones a fifth
TIMES_OFF = 3.0  # from which a resistance is another one, not a warm one
CLOSE = 0.2  # relative: a factor that is found is the one that is looked for
FASTEST_PISTON = 10.0  # mean speed [m/s]
FAST_PISTON, IDLE_WORK = 4.0, 0.02  # mean speed [m/s] and work of a cycle that are odd only together


def mixups(bench: Bench, calibration: Calibration, ladder: Ladder, course: Course) -> list[Finding]:
    """Every mix-up that the readings of a bench give away; course: that of the loaded ones."""
    seen = Seen(bench, calibration.as_stated(), ladder, course)
    of_columns = (power_for_frequency, volts_for_amps, motor_speeds)
    if exchanged := [one for test in of_columns for one in test(bench)]:
        return exchanged  # what follows from the wrong columns need not be told
    of_ends = [one for test in (fahrenheit, exchanged_ends) for one in test(bench)]
    of_motor = [one for test in (wrong_resistance, wrong_ratio) for one in test(seen)]
    of_gas = [one for test in (closed_ports, exchanged_pressures) for one in test(seen)]
    return of_ends + (of_motor or of_gas)  # by a wrong motor the net power is wrong, too


@dataclass(frozen=True)
class Seen:
    """A bench with what its calibration makes of the loaded runs, by the stated inputs."""

    bench: Bench
    calibration: Calibration
    ladder: Ladder
    course: Course

    @property
    def rig(self) -> Rig:
        return self.bench.rig

    @cached_property
    def runs(self) -> Readings:
        """Loaded runs that no other run contradicts."""
        runs = self.ladder.loaded
        trusted = np.ones(len(runs), dtype=bool)
        trusted[self.course.suspects] = False
        return runs.only(trusted)

    def net(self, runs: Readings) -> FloatArray:
        """Net power at the piston, (n,). [W]"""
        beyond = shaft_of_runs(self.calibration, runs) - unloaded(self.calibration, runs)
        return np.asarray(self.calibration.meters.efficiency[0] * beyond)

    def swept(self, name: str) -> float:
        """Swept volume of a cylinder. [m^3]"""
        this = self.rig.cylinders[name]
        return float(cylinder.swept_volume(this.bore.value, this.stroke.value))


# The gas


def closed_ports(seen: Seen) -> Iterator[Finding]:
    """No-load sweeps that take as much as the loaded machine, or that rise as gas through a hole does."""
    for name in seen.calibration.ranges:
        runs = seen.runs.only(seen.runs.cylinder == name)
        seal = seen.calibration.seal(name, runs.frequency, runs.mean_pressure)[:, 0]
        net = seen.net(runs)
        drag = seal / (seen.swept(name) * runs.frequency * runs.mean_pressure)
        all_of_it = (seal > ALL_BUT_ALL * (seal + net)) & (drag > HEAVY_DRAG)
        if all_of_it.sum() >= 2:
            worst = int(np.argmax(np.where(all_of_it, seal / (seal + net), 0)))
            yield said(
                f"no-load '{name}': at {runs.frequency[worst]:.3g} Hz the piston takes {seal[worst]:.3g} W without "
                f"load, all but {max(net[worst], 0):.2g} W of what it takes loaded, and more drag than a seal has: the "
                "port was probably closed or far too small, so gas was worked on; open it wide and sweep again."
            )
        elif (share := _port_share(seen, name)) > PORT_SHARE:
            yield said(
                f"no-load '{name}': {100 * share:.2g} % of what the piston takes at the highest frequency rises with "
                "the cube of frequency, as no seal does but gas in a hole: the open port was probably smaller than "
                f"stated in bench.toml, cylinders.{name}.open_port_diameter (or heavy parts move); measure it."
            )


def _port_share(seen: Seen, name: str) -> float:
    """Share of the cylinder's loss at its highest frequency that goes with f^3, beyond the stated port; or zero."""
    readings = seen.ladder.readings.only(seen.ladder.readings.cylinder == name)
    port = seen.calibration.port(name, readings.frequency, readings.mean_pressure)[:, 0]
    if len(readings) < 6 or not np.isfinite(port).all():
        return 0.0
    drive = seen.calibration.drive(readings.frequency)[:, 0]
    efficiency = seen.calibration.meters.efficiency[0]
    lost = efficiency * (shaft_of_runs(seen.calibration, readings) - drive) - port
    sigma = expected_scatter(seen.calibration, readings)
    f = readings.frequency / readings.frequency.max()
    design = np.column_stack([f, f**2, f**3]) / sigma[:, None]
    parts, left = nnls(design, lost / sigma)
    _, without = nnls(design[:, :2], lost / sigma)
    chance = (without**2 - left**2) / max(left**2 / (len(f) - 3), 1.0)
    is_other_port = parts[2] > TIMES_STATED * float(port[np.argmax(f)])  # else its law may err by as much
    return float(parts[2] / parts.sum()) if chance > PORT_CHANCE and is_other_port else 0.0


def exchanged_pressures(seen: Seen) -> Iterator[Finding]:
    """Two loaded files of one cylinder whose work of a cycle agrees only with each other's pressure."""
    sweeps = [s for s in seen.bench.sweeps if s.stage == "loaded"]
    pairs = ((a, b) for a in sweeps for b in sweeps if a.cylinder == b.cylinder and _pressure(b) > APART * _pressure(a))
    for low, high in pairs:
        higher = float(np.log(_pressure(high) / _pressure(low)))
        as_labelled = _log_ratio(seen, low, high, _pressure(low), _pressure(high))
        exchanged = _log_ratio(seen, low, high, _pressure(high), _pressure(low))
        if as_labelled > 1.3 * higher and abs(exchanged) < 0.5 * higher + 0.1:
            yield said(
                "the net power of the first, at the lower pressure, comes out the higher, but the work of a cycle over "
                f"mean pressure agrees if they exchange their {_pressure(low) / 1e5:.3g} and "
                f"{_pressure(high) / 1e5:.3g} bar: the files were probably exchanged; check bench.toml, [[sweeps]].",
                (low.file, high.file),
            )


def _pressure(sweep: Sweep) -> float:
    return float(np.median(sweep.mean_pressure)) if sweep.mean_pressure is not None else np.nan


def _log_ratio(seen: Seen, one: Sweep, other: Sweep, p_one: float, p_other: float) -> float:
    """Logarithm of the ratio of the works of a cycle over mean pressure, were these the pressures [Pa]."""
    works = []
    for sweep, pressure in ((one, p_one), (other, p_other)):
        runs = seen.runs.only(seen.runs.file == sweep.file)
        runs = replace(runs, mean_pressure=np.full(len(runs), pressure))
        works.append((runs.frequency, seen.net(runs) / (runs.frequency * pressure)))
    (f, w), (g, v) = works
    common = (f >= g.min() / 1.05) & (f <= g.max() * 1.05) if len(g) else np.zeros(len(f), dtype=bool)
    if common.sum() < 2:
        return 0.0
    order = np.argsort(g)
    first, second = float(np.median(w[common])), float(np.median(np.interp(f[common], g[order], v[order])))
    if first <= 0:
        return 0.0 if second <= 0 else -np.inf
    return float(np.log(first / second)) if second > 0 else np.inf


# The motor


def _motor_readings(seen: Seen) -> Readings:
    """Readings with the motor's own current."""
    every = (seen.ladder.readings, seen.ladder.loaded)
    return joined(*(some.only(np.isfinite(some.current) & (some.current > 0)) for some in every))


def wrong_resistance(seen: Seen) -> Iterator[Finding]:
    """A winding resistance with which copper takes more than a motor at work loses, or that amperes contradict."""
    stated = seen.rig.motor.winding_resistance
    if stated is None:
        return
    told = _resistance_by_amps(seen)
    if told is not None and not 1 / TIMES_OFF < stated.value / told < TIMES_OFF:
        yield said(
            f"bench.toml, motor.winding_resistance: {stated.value:.3g} ohm is stated, but power over current rises "
            f"with current as through {told:.2g} ohm: was it in mohm, or were leads and contacts measured with it?"
        )
        return
    share = _copper_share(seen)
    if share > MOST_COPPER:
        upside = " or the ratio upside down" if transmission_ratio(seen.rig) < 1 else ""
        yield said(
            f"bench.toml, motor.winding_resistance: with {stated.value:.3g} ohm copper alone takes {100 * share:.0f} % "
            "of a loaded run's input, more than in a motor at work: was it in mohm, were leads and contacts "
            f"measured with it, or is torque_constant too small{upside}?"
        )


def _copper_share(seen: Seen) -> float:
    """Share of copper in the input beyond standby, the median of the loaded runs; zero where it is not known."""
    runs, stated = seen.runs, seen.calibration.meters.as_stated()
    net = stated.power(runs) - seen.calibration.standby[:1]
    copper = seen.calibration.route.loss(runs, stated, net, stated.current(runs), np.zeros_like(net)).copper
    return float(np.median(copper / net)) if len(runs) else 0.0


def _resistance_by_amps(seen: Seen) -> float | None:
    """What P/I = R I + K omega gives, where it tells it within a quarter. [ohm]"""
    readings = _motor_readings(seen)
    if len(readings) < 8:
        return None
    design = np.column_stack([readings.current, readings.frequency])
    volts = readings.power / readings.current
    if np.linalg.cond(design / np.linalg.norm(design, axis=0)) > 1e3:
        return None
    half = np.linalg.pinv(design)
    found = half @ volts
    u = np.linalg.norm(volts - design @ found) / np.sqrt(len(volts) - 2) * np.linalg.norm(half[0])
    return float(found[0]) if found[0] > 4 * u else None


def _back_emf_ratio(seen: Seen) -> float | None:
    """Back-emf by the torque constant and the stated speed over that by volts; before a controller the least it is."""
    stated, resistance = seen.rig.motor.torque_constant, seen.rig.motor.winding_resistance
    if stated is None:
        return None
    speed = 2 * np.pi * transmission_ratio(seen.rig)
    if seen.rig.motor.supply == "terminals":
        readings = _motor_readings(seen)
        ohms = _resistance_by_amps(seen) or (resistance.value if resistance else 0.0)
        volts = readings.power / readings.current - ohms * readings.current
        if len(readings) < 4 or np.median(volts) <= 0:
            return None
        return float(np.median(stated.value * speed * readings.frequency / volts))
    every = (seen.ladder.readings, seen.ladder.loaded)
    whole = joined(*(some.only(np.isfinite(some.voltage)) for some in every))
    return float(np.max(stated.value * speed * whole.frequency / whole.voltage)) if len(whole) else None


def wrong_ratio(seen: Seen) -> Iterator[Finding]:
    """Speeds of the motor given as the crank's, or a ratio upside down."""
    ratio, times = transmission_ratio(seen.rig), _back_emf_ratio(seen)
    apart = max(ratio, 1 / ratio) > LEAST_RATIO
    if times is not None and apart:
        if seen.rig.motor.supply == "controller":
            if ratio > 1 and times > 1.15:
                yield _as_motor_speed(ratio, f"the back-emf would be {times:.2g} times the supply voltage")
                return
        elif abs(np.log(times / ratio**2)) < CLOSE:
            yield said(
                f"bench.toml, transmission.ratio: with {ratio:.3g} motor turns for one of the crank the back-emf comes "
                f"out {times:.2g} times what volts and amperes leave, about the square of it: the ratio is "
                f"probably upside down; was it {1 / ratio:.3g}?"
            )
            return
        elif abs(np.log(times / ratio)) < CLOSE:
            why = f"the back-emf comes out {times:.2g} times what volts and amperes leave, about that ratio"
            yield _as_motor_speed(ratio, why)
            return
    yield from _odd_speeds(seen, ratio)


def _as_motor_speed(ratio: float, why: str) -> Finding:
    return said(
        f"bench.toml, transmission.ratio, and every file's frequency: with {ratio:.3g} motor turns for one of the "
        f"crank {why}: the speeds are probably the motor's; frequency and speed must be the crank's."
    )


def _odd_speeds(seen: Seen, ratio: float) -> Iterator[Finding]:
    """Pistons faster than machines of this kind have."""
    for name, span in seen.calibration.ranges.items():
        speed = float(crank.mean_piston_speed(span.high, seen.rig.cylinders[name].stroke.value))
        runs = seen.runs.only(seen.runs.cylinder == name)
        work = seen.net(runs) / (seen.swept(name) * runs.frequency * runs.mean_pressure)
        idle = len(runs) > 0 and ratio > LEAST_RATIO and float(np.median(work)) < IDLE_WORK
        if speed > FASTEST_PISTON or (speed > FAST_PISTON and idle):
            yield said(
                f"cylinder '{name}': a mean piston speed of {speed:.3g} m/s at {span.high:.3g} Hz is more than such "
                "machines run at: is frequency or speed the motor's, or in another unit, or the stroke too long?"
            )
