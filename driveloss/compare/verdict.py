"""Better, worse, or not to be told from these readings: what a difference says, and what would tell."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from driveloss.bench.records import FloatArray
from driveloss.fit.contributions import SCATTER, Attribution
from driveloss.fit.estimate import Estimate, estimate

BETTER, WORSE, OPEN, NO_COMMON_GROUND = "better", "worse", "cannot be told", "cannot be compared"


@dataclass(frozen=True)
class Bias:
    """A flag of one side whose bias no interval holds."""

    code: str
    side: int  # 0 = the first, 1 = the second
    ways: tuple[int, ...]  # that it may push: +1 makes the first look better, -1 the second


@dataclass(frozen=True)
class Verdict:
    """What a difference first - second of a thing that should be small says.

    `word` is about the first. `narrower`: how many times narrower the interval must be for the difference seen to
    show. `shares`: of the variance of the difference, by source, largest first. `more_runs`: how many times as many
    readings would do that; None where no number would, or none is needed. `biased_by`: everything that could have
    made the difference and is in no interval.
    """

    word: str
    narrower: float | None = None
    more_runs: float | None = None
    shares: tuple[tuple[str, float], ...] = ()
    biased_by: tuple[Bias, ...] = ()


def judge(
    difference: FloatArray, attribution: Attribution, biases: Iterable[Bias] = ()
) -> tuple[Estimate | None, Verdict]:
    """Estimate and verdict of a difference (1 + draws,) between subjects whose errors `attribution` knows.

    biases: of either, without those that are the same on both. The interval must exclude zero, and no bias may push
    the way that the difference goes.
    """
    found = estimate(difference)
    if found is None:
        return None, Verdict(OPEN)
    shares = attribution.explain(difference).shares
    if not found.excludes_zero:
        return found, _open(found, shares)
    sign = 1 if found.value < 0 else -1  # +1 where the first looks better
    blame = tuple(bias for bias in biases if sign in bias.ways)
    word = OPEN if blame else BETTER if found.value < 0 else WORSE
    return found, Verdict(word, shares=shares, biased_by=blame)


def _open(found: Estimate, shares: tuple[tuple[str, float], ...]) -> Verdict:
    """Not to be told: how far from it, and whether more readings would do."""
    need = abs(found.value)
    if need == 0:
        return Verdict(OPEN, shares=shares)
    reach = found.value - found.low if found.value > 0 else found.high - found.value  # towards zero
    scatter = dict(shares).get(SCATTER, 0.0)
    room = need**2 - (1 - scatter) * reach**2
    more = scatter * reach**2 / room if room > 0 and scatter > 0 else None
    return Verdict(OPEN, narrower=reach / need, more_runs=more, shares=shares)
