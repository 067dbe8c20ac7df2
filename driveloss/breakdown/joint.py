"""Two ways to the same watt joined: the draws moved to where the witnesses agree, by what both rest on.

The draws hold every common error, so their covariance tells how far the disagreement of two witnesses speaks for each
error and each part. Moving all parts by the regression on the disagreement is the best linear answer of both (Kalman's
update; JCGM 101 leaves the form open), and as it is linear the parts still add up in every draw.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ways import Way
from driveloss.fit.contributions import named_errors
from driveloss.fit.meters import Meters

AGREE = 0.05  # chance of a larger disagreement than theirs, below which witnesses are kept apart
AS_READ = ("input", "standby")
SAME = 1e-3  # of the largest spread, below which a difference between ways is rounding
FARTHEST = 3.0  # times its limit that an error may have to be to be named as what would reconcile them


@dataclass(frozen=True)
class Verdict:
    """Whether ladder and witnesses agree; `apart` (ways, 1 + draws) is by how much not, over its spread."""

    apart: FloatArray
    chance: float

    @property
    def agree(self) -> bool:
        """Within what both leave open."""
        return self.chance >= AGREE

    def moved(self, part: FloatArray) -> FloatArray:
        """Any part (..., 1 + draws) [W] as the ladder gives it, moved to where the witnesses agree."""
        centred = self.apart[:, 1:] - self.apart[:, 1:].mean(axis=1, keepdims=True)
        follows = (part[..., 1:] - part[..., 1:].mean(axis=-1, keepdims=True)) @ centred.T
        return np.asarray(part - follows / (part.shape[-1] - 2) @ _inverse(self.apart) @ self.apart)


def judge(ways: Sequence[Way]) -> Verdict:
    """Compare what the ladder and other witnesses say of the same parts."""
    apart = np.array([way.apart for way in ways])
    apart = apart / apart[:, 1:].std(axis=1, keepdims=True)
    inverse = _inverse(apart)
    distance = float(apart[:, 0] @ inverse @ apart[:, 0])
    return Verdict(apart, _chance(distance, _differing(inverse)))


def _chance(distance: float, freedom: int) -> float:
    """Of so large a distance or a larger one, in `freedom` directions."""
    from scipy.special import chdtrc

    return float(chdtrc(freedom, distance)) if freedom else 1.0


def _differing(inverse: FloatArray) -> int:
    """How many ways there are that are not the same in all draws."""
    return int(np.linalg.matrix_rank(inverse, hermitian=True))


def _inverse(apart: FloatArray) -> FloatArray:
    """Of the covariance of what lies apart, but for what is the same in all ways to within a part in a thousand."""
    return np.asarray(np.linalg.pinv(np.atleast_2d(np.cov(apart[:, 1:])), rcond=SAME, hermitian=True))


def joined(draws: dict[str, FloatArray], verdict: Verdict) -> dict[str, FloatArray]:
    """All parts, (n, 1 + draws) by name, where the witnesses agree."""
    found = {name: part if name in AS_READ else verdict.moved(part) for name, part in draws.items()}
    others = sum((found[name] for name in ("standby", "transmission", "seal", "pneumatic")), np.zeros(1))
    found["drive"] = found["input"] - others
    return found | ({"linkage": found["drive"] - found["motor"]} if "motor" in found else {})


def reconcilers(verdict: Verdict, meters: Meters) -> list[tuple[str, float]]:
    """Errors that would reconcile the witnesses if one alone were to blame, with how many times its limit it would be.

    The least first; left out are those beyond FARTHEST, and those that leave a disagreement. A source of several errors
    counts by the one that does it best.
    """
    apart = verdict.apart
    inverse = _inverse(apart)
    distance, freedom = float(apart[:, 0] @ inverse @ apart[:, 0]), _differing(inverse)
    found: dict[str, float] = {}
    for source, draws in named_errors(meters):
        error = draws[1:] - draws[1:].mean()
        slope = apart[:, 1:] @ error / (error @ error)
        strength = float(slope @ inverse @ slope)
        if strength > 0:
            wanted = float(slope @ inverse @ apart[:, 0]) / strength
            times = abs(wanted) / float(np.abs(error).max())
            if _chance(max(distance - wanted**2 * strength, 0.0), freedom - 1) >= AGREE:
                found[source] = min(times, found.get(source, np.inf))
    return sorted(((s, t) for s, t in found.items() if t <= FARTHEST), key=lambda pair: pair[1])
