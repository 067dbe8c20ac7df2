"""Repeats in long sweeps: a logger's thousands of readings tell no more than their means and how those scatter."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray, Sweep
from driveloss.bench.rules import columns_of

SAME = 0.01  # settings that differ by no more are the same
FEWEST = 4  # repeats that tell a scatter of their own, about a line
PARTS, FEW_SETTINGS = 4, 40
SETTINGS = ("frequency", "mean_pressure", "torque", "brake_force")


def averaged(sweep: Sweep) -> Sweep:
    """The sweep with few readings a setting: means of its repeats, with the deviation of those as power scatter.

    Where there are few settings each has up to PARTS means, one after the other in time, which tell how it wanders.
    The mean power stands at the mean frequency, so that nothing is lost but the curvature within SAME: for a loss that
    grows as f^3 at most 3 SAME^2/12 of it.
    """
    first, of = _settings(sweep)
    count = np.bincount(of)
    columns = {name: getattr(sweep, name) for name in columns_of(Sweep)}
    means = {name: _mean(values, of) for name, values in columns.items() if values is not None}
    power, voltage = means["power"], means.get("voltage")
    if sweep.from_volts_and_amps and voltage is not None:
        means["current"] = power / voltage  # the product is what was measured
    own = _scatter(sweep.frequency, sweep.power, of) / np.sqrt(count)
    if sweep.power_scatter is not None:
        own = np.maximum(own, np.sqrt(_mean(sweep.power_scatter**2, of) / count))
    typed = tuple(f"{hertz:.4g} Hz" for hertz in means["frequency"])
    return sweep.replace(**{**means, "power_scatter": own}, line=sweep.line[first], typed=typed, note=())


def _settings(sweep: Sweep) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The place of the first reading of each setting, in their order; which setting each reading (n,) belongs to."""
    read = [values for name in SETTINGS if (values := getattr(sweep, name)) is not None]
    steps = [np.floor(np.log(np.maximum(values, np.finfo(float).tiny)) / SAME) for values in read]
    _, of, count = np.unique(np.array(steps), axis=1, return_inverse=True, return_counts=True)
    parts = np.clip(count // FEWEST, 1, PARTS if len(count) <= FEW_SETTINGS else 1)
    order = np.argsort(of.ravel(), kind="stable")
    before = np.concatenate([[0], np.cumsum(count)[:-1]])
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order)) - np.repeat(before, count)
    mine = of.ravel()
    _, first, of = np.unique(PARTS * mine + rank * parts[mine] // count[mine], return_index=True, return_inverse=True)
    order = np.argsort(first)
    return first[order], np.argsort(order)[of]


def _mean(values: FloatArray, of: NDArray[np.int64]) -> FloatArray:
    """Of each setting; of what was read, where some was not."""
    read = np.isfinite(values)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.bincount(of, np.where(read, values, 0.0)) / np.bincount(of, read))


def _scatter(x: FloatArray, y: FloatArray, of: NDArray[np.int64]) -> FloatArray:
    """Standard deviation of y about a line in x, setting by setting; of all together where one has few readings."""
    dx, dy = x - _mean(x, of)[of], y - _mean(y, of)[of]
    along = np.bincount(of, dx**2)
    slope = np.divide(np.bincount(of, dx * dy), along, out=np.zeros_like(along), where=along > 0)
    squares, dof = np.bincount(of, (dy - slope[of] * dx) ** 2), np.maximum(np.bincount(of) - 2.0, 0.0)
    together = squares.sum() / max(dof.sum(), 1.0)
    told = dof > FEWEST - 3
    return np.asarray(np.sqrt(np.where(told, squares / np.maximum(dof, 1.0), together)))
