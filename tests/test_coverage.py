"""Are the 95 % intervals honest? A short, seeded run of `benchmark.coverage`, and proof that it can fail.

JCGM 101:2008, 5.9.4 leaves it to the maker to show that a coverage interval covers; simulated benches
with known truth are the check, an independent fit that knows the true laws the measure of width.
"""

from dataclasses import replace

import numpy as np
import pytest
from benchmark import coverage

import driveloss.fit.physical

MANY, FEW, DRAWS, SEED = 40, 12, 400, 1
QUANTITIES = [("runs", name) for name in coverage.BREAKDOWN] + [("losses", name) for name in coverage.LOSSES]
SLACK = 0.04  # below 95 % before chance is allowed for
POOLED = 0.05  # below 95 % for all intervals together: four standard errors of 40 benches
WIDEST, NARROWEST = 1.45, 0.7  # median width over the oracle's
NARROWING = 0.4


@pytest.fixture(scope="module", params=[FEW, pytest.param(MANY, marks=pytest.mark.long)])
def outcomes(request):
    return in_turn(request.param)


def in_turn(benches):
    return [coverage.run_bench(index, SEED, DRAWS) for index in range(benches)]


def complaints(outcomes):
    """Each quantity whose intervals hold the truth too seldom for chance (three standard errors), or are too wide.

    Intervals twice too narrow hold 67 % of normal errors. Twice too wide ones hold all, which a good sample
    may do as well: their width gives them away.
    """
    held = [np.mean([row.low <= row.truth <= row.high for row in o.rows]) for o in outcomes]
    if np.mean(held) < 0.95 - POOLED * np.sqrt(MANY / len(outcomes)):
        yield f"all intervals together: holds {np.mean(held):.3f}"
    for group, quantity in QUANTITIES:
        s = coverage.score(outcomes, group, quantity)
        error = max(s.error, (0.95 * 0.05 / s.benches) ** 0.5 / 2)
        if s.coverage < max(0.95 - SLACK - 3 * error, 0.75):
            yield f"{group} {quantity}: holds {s.coverage:.3f} +/- {s.error:.3f}"
        if not NARROWEST < s.ratio < WIDEST:
            yield f"{group} {quantity}: {s.ratio:.2f} times as wide as need be"


def scaled(outcomes, factor):
    """The same answers with every interval's half-widths multiplied."""

    def stretch(row):
        low, high = (row.value + factor * (end - row.value) for end in (row.low, row.high))
        return replace(row, low=low, high=high)

    return [replace(o, rows=tuple(map(stretch, o.rows))) for o in outcomes]


def test_no_bench_is_refused(outcomes):
    assert [f"{o.index}: {o.refused}" for o in outcomes if o.refused] == []


def test_intervals_cover_and_are_not_too_wide(outcomes):
    assert list(complaints(outcomes)) == []


def test_the_oracle_covers_too(outcomes):
    """The measure itself: an interval that rests on the true laws must hold the truth."""
    for group, quantity in QUANTITIES:
        assert 0.88 < coverage.score(outcomes, group, quantity).best_coverage < 0.995, (group, quantity)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_intervals_of_half_or_double_width_are_found_in_every_quantity(outcomes, factor):
    found = " ".join(complaints(scaled(outcomes, factor)))
    assert [f"{g} {q}" for g, q in QUANTITIES if f"{g} {q}:" not in found] == []


@pytest.mark.long
def test_a_program_that_draws_too_little_noise_is_found(monkeypatch):
    """Made to believe in less scatter than it found."""
    honest = driveloss.fit.physical.scatter_draws
    monkeypatch.setattr(
        driveloss.fit.physical, "scatter_draws", lambda *given, **named: NARROWING * honest(*given, **named)
    )
    assert [c for c in complaints(in_turn(FEW)) if "holds" in c] != []


@pytest.mark.long
def test_outcomes_do_not_depend_on_the_number_of_workers(outcomes):
    assert coverage.run_benches(2, 2, SEED, DRAWS) == outcomes[:2]
