"""What either family of loss curves reports of its fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.fit.curves import Curves
from driveloss.fit.estimate import Estimate
from driveloss.fit.scatter import LackOfFit, Scatter

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
    scatter_growth: float  # exponent of power with which the scatter grows
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


@dataclass(frozen=True)
class LinearChoice:
    """A linear fit's design and what it left over: enough for hat values and leave-one-out errors."""

    design: FloatArray  # (n, k), weighted
    sigma: FloatArray  # (n,) relative
    residuals: FloatArray  # (n,) [W]

    def leverage(self) -> FloatArray:
        """Diagonal of the hat matrix, shape (n,)."""
        Q, _ = np.linalg.qr(self.design / np.linalg.norm(self.design, axis=0))
        return np.asarray(np.sum(Q**2, axis=1))

    def leave_one_out(self) -> float:
        """Root mean square of the errors in predicting each reading from all others. [W]

        Closed form for linear fits (PRESS; Allen, Technometrics 16 (1974) 125; from memory).
        """
        spare = np.maximum(1 - self.leverage(), 1e-12)
        return float(np.sqrt(np.mean((self.residuals / spare) ** 2)))


def t_interval(value: float, u: float, dof: int, least: float = -np.inf) -> Estimate:
    """A value with its u and Student's 95 % interval, cut at the least value it can have."""
    from scipy.special import stdtrit

    half = float(stdtrit(dof, 0.975)) * u if dof > 0 else np.inf
    return Estimate(value, u, max(value - half, least), value + half)


def scatter_draws(sizes: FloatArray, dofs: NDArray[np.int64], rng: np.random.Generator, active: bool) -> FloatArray:
    """Size of one reading's scatter in each draw, shape (1 + draws,): an estimated size is itself uncertain.

    A normal deviate times size * sqrt(dof / chi2) follows Student's t (JCGM 101:2008, 6.4.9). [W]
    """
    chi2 = np.maximum(rng.chisquare(np.maximum(dofs, 1)), 1e-12)
    scaled = sizes * np.sqrt(np.maximum(dofs, 1) / chi2)
    return np.concatenate([[0.0], scaled * active])
