"""What either family of loss curves reports of its fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.fit.curves import Curves
from driveloss.fit.estimate import Estimate
from driveloss.fit.readings import Readings
from driveloss.fit.scatter import LackOfFit, Pattern, Scatter, lack_of_fit, repeat_groups
from driveloss.fit.sweeps import Sweeps

if TYPE_CHECKING:
    from driveloss.fit.physical import Problem


@dataclass(frozen=True)
class TermReport:
    """One coefficient of the chosen curves, in its physical unit."""

    label: str
    unit: str
    estimate: Estimate


@dataclass(frozen=True)
class Rival:
    """Another set of terms that fits about as well."""

    labels: tuple[str, ...]
    delta_aicc: float
    weight: float
    net_change: tuple[float, ...]  # [W] in no-load loss against the chosen set: see Quality.probe


@dataclass(frozen=True)
class Quality:
    """How well the chosen curves describe the ladder."""

    n: int
    parameters: int
    residual_rms: float  # [W]
    leave_one_out: float  # [W] rms error of predicting each reading from the others
    aicc: float
    scatter: float  # [W] standard deviation of one reading at the median power
    scatter_share: float  # of its variance there that goes with power squared
    dof: int
    lack_of_fit: LackOfFit | None


@dataclass(frozen=True)
class FamilyFit:
    """A fitted family: curves with draws, the chosen terms, and how far to trust them."""

    name: str  # 'physical' or 'polynomial'
    curves: Curves
    terms: tuple[TermReport, ...]
    quality: Quality
    residuals: FloatArray  # (n,) [W] of the chosen curves
    scatter: Scatter  # of a single reading, in each draw
    rivals: tuple[Rival, ...] = ()
    notes: tuple[str, ...] = ()
    problem: Problem | None = None  # the physical family's weighted problem, which a plan goes on from


def without_itself(design: FloatArray, residuals: FloatArray) -> FloatArray:
    """Errors in predicting each reading from all others, (n,); design: weighted, (n, k); residuals: (n,) [W].

    Closed form for linear fits (PRESS; Allen, Technometrics 16 (1974) 125; from memory).
    """
    Q, _ = np.linalg.qr(design / np.linalg.norm(design, axis=0))
    return np.asarray(residuals / np.maximum(1 - np.sum(Q**2, axis=1), 1e-12))


def judge(  # noqa: PLR0913 - all that is known of a fit
    readings: Readings,
    pattern: Pattern,
    sigma: FloatArray,
    residuals: FloatArray,
    alone: FloatArray,
    parameters: int,
    sweeps: Sweeps,
    **known: float,
) -> Quality:
    """Quality of curves that leave residuals (n,), or `alone` (n,) where a reading had no part in them. [W]

    sigma: (n,), relative scatter. known: `aicc` of the weighted fit, `scatter` of unit weight with its `dof`.
    """
    return Quality(
        n=len(residuals),
        parameters=parameters,
        residual_rms=float(np.sqrt(np.mean(residuals**2))),
        leave_one_out=float(np.sqrt(np.mean(alone**2))),
        aicc=known["aicc"] + 2 * float(np.log(sigma).sum()),
        scatter=known["scatter"],
        scatter_share=pattern.share,
        dof=int(known["dof"]),
        lack_of_fit=lack_of_fit(
            (residuals - sweeps.offset) / sigma, repeat_groups(readings), parameters, readings.resolution / sigma
        ),
    )


def t_interval(value: float, u: float, dof: int, least: float = -np.inf) -> Estimate:
    """A value with its u and Student's 95 % interval, cut at the least value it can have."""
    from scipy.special import stdtrit

    half = float(stdtrit(dof, 0.975)) * u if dof > 0 else np.inf
    return Estimate(value, u, max(value - half, least), value + half)


def scatter_draws(sizes: FloatArray, dofs: NDArray[np.int64], rng: np.random.Generator, *, active: bool) -> FloatArray:
    """Size of one reading's scatter in each draw, shape (1 + draws,): an estimated size is itself uncertain.

    A normal deviate times size * sqrt(dof / chi2) follows Student's t (JCGM 101:2008, 6.4.9). [W]
    """
    chi2 = np.maximum(rng.chisquare(np.maximum(dofs, 1)), 1e-12)
    scaled = sizes * np.sqrt(np.maximum(dofs, 1) / chi2)
    return np.concatenate([[0.0], scaled * active])
