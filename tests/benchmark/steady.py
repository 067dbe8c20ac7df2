"""How often is a drifting stretch called steady, and a steady one not; do settled temperatures lie in their intervals?

Made series with first-order serial correlation, by three ways: two one-sided tests that allow for the correlation (as
`steady` does), the same as if readings were independent, and the ratio of variances alone. In tests/:

    python -m benchmark.steady [--series 400]
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from simulate.log import alike

from driveloss.steady.equivalence import SCREEN, equivalence, thinned, variance_ratio
from driveloss.steady.serial import quadratic, trend
from driveloss.steady.settling import Curve, settle

LEVEL, SCATTER, LENGTH, LIMIT = 20.0, 0.1, 300, 0.005  # [W], [W], readings, share of the level
CRITICAL = 1.5  # of the ratio, for independent readings
CORRELATIONS = (0.0, 0.5, 0.9)
DRIFTS = (0.0, 0.5, 1.0, 2.0)  # times the limit
BODIES = {"one body": ((300.0,), (20.0,)), "two bodies": ((60.0, 900.0), (12.0, 8.0))}


def series(correlation: float, drift: float, rng: np.random.Generator) -> np.ndarray:
    """Power with a drift of so many limits. [W]"""
    line = LEVEL * (1 + drift * LIMIT * np.linspace(-0.5, 0.5, LENGTH))
    return line + SCATTER * alike(LENGTH, correlation, rng)


def called_steady(values: np.ndarray) -> tuple[bool, bool, bool, bool]:
    """By the tests, by the tests without correlation, by the ratio alone, by the ratio of readings thinned out."""
    line = trend(values)
    x = np.linspace(-0.5, 0.5, len(values))
    slope = x / (x @ x)
    independent = float(np.std(values - line.change * x, ddof=2)) * quadratic(slope, 0.0) ** 0.5
    naive = replace(line, change_error=independent, dof=len(values) - 2.0)
    ratio, apart = (float(variance_ratio(v)[-1]) for v in (values, thinned(values, line.correlation)))
    verdicts = equivalence(line, LIMIT).is_steady, equivalence(naive, LIMIT).is_steady
    return (*verdicts, ratio <= CRITICAL, apart <= SCREEN)


def tests_of_drift(count: int) -> None:
    """Print how often each way calls a series steady."""
    print(f"called steady, % of {count} series of {LENGTH} readings, scatter {100 * SCATTER / LEVEL:g} %")
    print("correlation  drift/limit   tests   independent   ratio   ratio, thinned")
    for correlation in CORRELATIONS:
        for drift in DRIFTS:
            rng = np.random.default_rng([7, round(10 * correlation), round(10 * drift)])
            shares = np.mean([called_steady(series(correlation, drift, rng)) for _ in range(count)], axis=0) * 100
            print(f"{correlation:11.1f}  {drift:11.1f}" + "".join(f"{share:11.1f}" for share in shares))


def settled_values(count: int) -> None:
    """Print how often the interval of a settled temperature holds it."""
    print(f"\nsettled temperature of {count} curves: extrapolated, interval holds it (of 95 %), half-width [K]")
    for name, (taus, sizes) in BODIES.items():
        for seen in (2.5, 4.0):
            for correlation in (0.0, 0.7):
                rng = np.random.default_rng([8, len(taus), round(10 * seen), round(10 * correlation)])
                hits, widths = [], []
                for _ in range(count):
                    time = np.linspace(0.0, seen * taus[-1], 300)
                    decay = sum(a * np.exp(-time / tau) for a, tau in zip(sizes, taus, strict=True))
                    noise = 0.1 * alike(300, correlation, rng)
                    (found,) = settle([Curve(time, 250.0 + decay + noise)])
                    if found.value is not None and found.how == "extrapolated":
                        hits.append(found.value.low <= 250.0 <= found.value.high)
                        widths.append(found.value.half_width)
                share, width = (np.mean(hits), np.median(widths)) if hits else (np.nan, np.nan)
                print(f"{name:11s} {seen:4.1f} time constants, correlation {correlation:.1f}: "
                      f"{len(hits):4d} {100 * share:6.1f} % {width:7.3f}")  # fmt: skip


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=400)
    wanted = parser.parse_args()
    tests_of_drift(wanted.series)
    settled_values(max(wanted.series // 8, 10))
