"""Fits solved cylinder by cylinder against SciPy's solvers of the whole problem."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import nnls

from driveloss.fit import blockwise
from driveloss.fit.blockwise import Blocks


@pytest.fixture(params=[0, blockwise.SMALL], ids=["by blocks", "as a whole"], autouse=True, scope="module")
def small(request):
    """Whether a problem of few columns is solved as one of many is."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(blockwise, "SMALL", request.param)
        yield request.param


def arrow(rng, cylinders, own, shared, rows):
    """A design of `cylinders` groups of rows, and one of the shared columns alone; the owners of its columns."""
    design = rng.uniform(0.1, 1, ((cylinders + 1) * rows, shared + cylinders * own))
    owners = [None] * shared
    for number in range(cylinders):
        mine = slice(shared + number * own, shared + (number + 1) * own)
        inside = slice((number + 1) * rows, (number + 2) * rows)
        design[: inside.start, mine] = design[inside.stop :, mine] = 0.0
        owners += [f"c{number}"] * own
    return design * 10.0 ** rng.integers(-2, 3, design.shape[1]), owners


def best(design, readings):
    """Coefficients by SciPy, columns made equally long, and the norm of what is left."""
    scale = np.linalg.norm(design, axis=0)
    values, left = nnls(design / scale, readings)
    return values / scale, left


shapes = {"seed": st.integers(0, 10**6), "cylinders": st.integers(0, 5), "own": st.integers(1, 4)}


@settings(max_examples=40, deadline=None, derandomize=True)
@given(**shapes, shared=st.integers(0, 4))
def test_many_problems_equal_scipy_one_by_one(seed, cylinders, own, shared):
    rng = np.random.default_rng(seed)
    design, owners = arrow(rng, cylinders, own, shared, rows=9)
    many = 7
    readings, allowed = rng.normal(0.5, 1, (len(design), many)), rng.random((len(owners), many)) < 0.8
    blocks = Blocks(design, owners)
    found = blocks.nonnegative(readings, allowed)
    assert (found >= 0).all()
    assert not found[~allowed].any()
    for j in range(many):
        values, left = best(design[:, allowed[:, j]], readings[:, j]) if allowed[:, j].any() else (0.0, None)
        assert found[allowed[:, j], j] == pytest.approx(values, rel=1e-8, abs=1e-12)
        if left is not None:
            assert blocks.squares(readings[:, [j]], found[:, [j]])[0] == pytest.approx(left**2, rel=1e-9)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(**shapes)
def test_one_problem_of_more_columns_than_readings(seed, cylinders, own):
    """Coefficients are then not told, what they explain is."""
    rng = np.random.default_rng(seed)
    design, owners = arrow(rng, cylinders, 4 * own, 3, rows=6)
    readings = rng.normal(0.5, 1, len(design))
    found = Blocks(design, owners).sparse(readings)
    assert (found >= 0).all()
    assert design @ found == pytest.approx(design @ best(design, readings)[0], rel=1e-7, abs=1e-9)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(**shapes)
def test_choices_of_one_owner_equal_whole_fits(seed, cylinders, own):
    rng = np.random.default_rng(seed)
    design, owners = arrow(rng, cylinders + 1, own + 1, 3, rows=9)
    readings = design @ rng.uniform(0, 1, design.shape[1]) + rng.normal(0, 0.1, len(design))
    mine = [j for j, owner in enumerate(owners) if owner == "c0"]
    kept = [j for j in range(len(owners)) if j not in mine]
    choices = [mine[:1], mine[1:], mine]
    for choice, fit in zip(choices, Blocks(design, owners).beside(readings, np.array(kept), choices), strict=True):
        values, left = best(design[:, kept + choice], readings)
        if fit is None:
            assert (values[3 : len(kept)] == 0).any()
        else:
            assert fit[0][kept + choice] == pytest.approx(values, rel=1e-7, abs=1e-12)
            assert fit[1] == pytest.approx(left**2, rel=1e-8)


def test_columns_alike_within_a_block_are_left_to_the_whole_solver():
    design, owners = arrow(np.random.default_rng(3), 2, 2, 2, rows=6)
    design[:, 3] = 2 * design[:, 2]
    readings = design @ np.arange(1.0, 7)
    found = Blocks(design, owners).nonnegative(readings[:, None], np.ones((6, 1), dtype=bool))[:, 0]
    assert design @ found == pytest.approx(readings)


def test_squares_and_rank_of_free_fits():
    """Against `numpy.linalg.lstsq`."""
    rng = np.random.default_rng(4)
    design, owners = arrow(rng, 3, 2, 3, rows=7)
    readings, used = rng.normal(0, 1, len(design)), rng.random((len(owners), 5)) < 0.7
    left, rank = Blocks(design, owners).free(readings, used)
    for j in range(5):
        _, square, own, _ = np.linalg.lstsq(design[:, used[:, j]], readings, rcond=None)
        assert (left[j], rank[j]) == (pytest.approx(square[0]), own)


def test_columns_whose_rows_overlap_are_shared():
    rng = np.random.default_rng(5)
    design, readings = rng.uniform(0, 1, (12, 4)), rng.normal(0.5, 1, 12)
    found = Blocks(design, ["a", "a", "b", "b"]).nonnegative(readings[:, None], np.ones((4, 1), dtype=bool))[:, 0]
    assert found == pytest.approx(best(design, readings)[0])
