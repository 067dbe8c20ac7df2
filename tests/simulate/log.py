"""A recorder's log of an invented machine: set speeds one after the other, and everything that spoils a log.

In tests/: python -m simulate.log FILE
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from simulate.machine import FloatArray

SEED = 20240517
AMBIENT = 21.0  # [degC]


@dataclass(frozen=True, slots=True)
class Hold:
    """One setting: how fast, for how long, and what is wrong with it."""

    frequency: float  # [Hz]
    minutes: float
    drift: float = 0.0  # share by which power creeps
    gap: float = 0.0  # [s] that the recorder missed, half-way through


@dataclass(frozen=True, slots=True)
class LogTruth:
    """What is known of the machine whose log it is."""

    holds: tuple[Hold, ...] = (
        Hold(4.1, 8.0),
        Hold(5.3, 8.0, drift=0.06),
        Hold(6.2, 9.0, gap=40.0),
        Hold(7.7, 14.0),
    )
    interval: float = 3.0  # [s]
    ramp: float = 9.0  # [s] from one setting to the next
    fast: float = 20.0  # [s] time constant of the cold tip
    slow: float = 190.0  # [s] and of the head behind it
    slow_share: float = 0.7
    noise: float = 0.03  # [W] of a reading
    likeness: float = 0.6  # of a reading's error to the next one's
    thermometer: float = 0.03  # [K]
    offsets: dict[str, float] = field(default_factory=dict)

    def power(self, frequency: FloatArray) -> FloatArray:
        """[W]"""
        return 1.2 + 2.1 * frequency + 0.11 * frequency**2

    def cold_end(self, frequency: FloatArray) -> FloatArray:
        """Where the cold end settles. [degC]"""
        return AMBIENT - 5.0 * (frequency - 1.5)

    def hot_end(self, frequency: FloatArray) -> FloatArray:
        """Where the hot end settles. [degC]"""
        return AMBIENT + 0.9 * frequency


def log_text(truth: LogTruth | None = None, seed: int = SEED) -> str:
    """The file: clock, speed in r/min, power, both ends, winding; about 800 lines."""
    truth, rng = truth or LogTruth(), np.random.default_rng(seed)
    time, frequency, power, cold, hot = _course(truth)
    n = len(time)
    power = power + truth.noise * alike(n, truth.likeness, rng)
    frequency = frequency * (1 + 2e-4 * rng.standard_normal(n))
    ends = [end + truth.thermometer * alike(n, 0.3, rng) for end in (cold, hot)]
    winding = AMBIENT + 14 * (1 - np.exp(-time / 900)) + 0.1 * rng.standard_normal(n)
    kept = np.ones(n, dtype=bool)
    start = 0.0
    for hold in truth.holds:
        middle = start + 60 * hold.minutes / 2
        kept &= ~((time > middle) & (time < middle + hold.gap))
        start += 60 * hold.minutes
    lines = [
        f"{_clock(t)},{60 * f:.1f},{p:.2f},{c:.2f},{h:.2f},{w:.1f}"
        for t, f, p, c, h, w in np.column_stack([time, frequency, power, *ends, winding])[kept]
    ]
    head = ["# Invented. Crank speed; power before the motor's leads.",
            "time,speed [rpm],power [W],cold end [degC],hot end [degC],winding [degC]"]  # fmt: skip
    return "\n".join([*head, *lines, ""])


def _clock(time: float) -> str:
    whole = round(time) + 9 * 3600 + 1800
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _course(truth: LogTruth) -> tuple[FloatArray, ...]:
    """Time [s], frequency, power and both ends without noise, each end by two bodies in steps of time."""
    ends = np.cumsum([0.0, *(60 * hold.minutes for hold in truth.holds)])
    time = np.arange(0.0, ends[-1], truth.interval)
    place = np.minimum(np.searchsorted(ends, time, side="right") - 1, len(truth.holds) - 1)
    since = time - ends[place]
    speeds = np.array([hold.frequency for hold in truth.holds])
    before = np.concatenate([[0.0], speeds[:-1]])
    share = np.clip(since / truth.ramp, 0.0, 1.0)
    frequency = before[place] + share * (speeds - before)[place]
    creep = np.array([hold.drift for hold in truth.holds])[place] * since / (60 * np.array(
        [hold.minutes for hold in truth.holds])[place])  # fmt: skip
    power = truth.power(frequency) * (1 + creep)
    cold, hot = (_lagged(goal(frequency), truth) for goal in (truth.cold_end, truth.hot_end))
    return time, frequency, power, cold, hot


def _lagged(goal: FloatArray, truth: LogTruth) -> FloatArray:
    """A goal (n,) as two bodies side by side follow it, from ambient on."""
    out = np.zeros(len(goal))
    for tau, share in ((truth.fast, 1 - truth.slow_share), (truth.slow, truth.slow_share)):
        at, step = AMBIENT, 1 - np.exp(-truth.interval / tau)
        for i, wanted in enumerate(goal):
            out[i] += share * at
            at += step * (wanted - at)
    return out


def alike(n: int, likeness: float, rng: np.random.Generator) -> FloatArray:
    """A series of unit variance each of whose values resembles the one before."""
    out = np.empty(n)
    shock = rng.standard_normal(n)
    out[0] = shock[0]
    for i in range(1, n):
        out[i] = likeness * out[i - 1] + (1 - likeness**2) ** 0.5 * shock[i]
    return out


def write_log(path: Path, truth: LogTruth | None = None, seed: int = SEED) -> None:
    """Write the log."""
    path.write_text(log_text(truth, seed), encoding="utf-8")


if __name__ == "__main__":
    write_log(Path(sys.argv[1]))
