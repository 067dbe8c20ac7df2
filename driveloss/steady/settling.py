"""Temperatures that have not settled, carried on to where they would: exponentials with shared time constants."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driveloss.fit.estimate import Estimate
from driveloss.physics.arrays import FloatArray
from driveloss.steady.serial import FEWEST, lag_one, trend

POINTS = 150  # means over equal times that a curve is reduced to
GRID = 40  # time constants tried at a time
ZOOMS = 4
APART = 1.5  # least ratio of two time constants
SEEN = 2.0  # time constants to be seen before they are taken for known
REACH = 4.0  # times the longest curve that a time constant may be
STILL = 0.3  # [K] change over the second half of a curve below which it is taken as settled
WITHIN = 1.0  # [K] of the settled value, for how long to wait
CHANCE = 0.01  # of calling one body two
LEAST_NOISE = 0.01  # [K] of a mean over a POINTS-th of a curve: what is finer is no body of the machine
COVERAGE = 0.95


@dataclass(frozen=True)
class Curve:
    """A temperature since the last change of setting: time (n,) [s], temperature (n,) [K]."""

    time: FloatArray
    temperature: FloatArray

    def reduced(self) -> Curve:
        """At most POINTS means over equal times."""
        if len(self.time) <= POINTS:
            return self
        edges = np.linspace(self.time[0], self.time[-1], POINTS + 1)[1:-1]
        starts = np.unique(np.concatenate([[0], np.searchsorted(self.time, edges)]))
        size = np.diff(np.append(starts, len(self.time)))
        return Curve(*(np.add.reduceat(values, starts) / size for values in (self.time, self.temperature)))

    @property
    def duration(self) -> float:
        """[s]"""
        return float(self.time[-1] - self.time[0])


@dataclass(frozen=True)
class Settled:
    """What a temperature would settle at, as far as its curve tells."""

    last: float  # [K] as last read: mean over the curve's last twentieth
    rate: float  # [K/s] at the end
    value: Estimate | None  # [K] None: only a bound is known
    how: str  # 'extrapolated', 'as read' or 'not settled'
    time_constants: tuple[float, ...]  # [s] of all curves, fastest first
    wait: float | None  # [s] more until it is within WITHIN of the settled value

    @property
    def side(self) -> str:
        """Where it settles, seen from what was last read."""
        return "below" if self.rate < 0 else "above"


def settle(curves: Sequence[Curve], known: Estimate | None = None) -> tuple[Settled, ...]:
    """Carry each curve on to equilibrium, one or two time constants shared by all; `known` is one stated [s].

    Serial correlation of the readings and doubt about the time constants are in the intervals. Only a bound is given
    where the longest curve saw less than SEEN of the slowest time constant and none is known.
    """
    reduced = [curve.reduced() for curve in curves]
    long = [p for p, curve in enumerate(reduced) if len(curve.time) >= FEWEST]
    found = [_as_read(curve, ()) for curve in reduced]
    if long:
        fit = _fit([reduced[p] for p in long], known)
        for place, p in enumerate(long):
            found[p] = _settled(fit, place)
    return tuple(found)


@dataclass(frozen=True)
class _Fit:
    """Every set of time constants tried near the best, and what each says: sums of squares, settled values, errors."""

    curves: tuple[Curve, ...]
    correlation: float
    taus: FloatArray  # (sets, bodies)
    squares: FloatArray  # (sets,)
    ends: FloatArray  # (sets, curves)
    errors: FloatArray  # (sets, curves) of unit scatter
    amplitudes: FloatArray  # (sets, curves, bodies) at the curves' start
    is_known: bool = False

    @property
    def best(self) -> int:
        return int(np.argmin(self.squares))

    @property
    def bodies(self) -> int:
        return int(self.taus.shape[1])

    @property
    def points(self) -> int:
        return sum(len(curve.time) for curve in self.curves)

    @property
    def spare(self) -> int:
        return max(self.points - len(self.curves) * (1 + self.bodies) - self.bodies, 1)

    @property
    def variance(self) -> float:
        return max(float(self.squares[self.best]) / self.spare, LEAST_NOISE**2)

    @property
    def student(self) -> float:
        from scipy.special import stdtrit

        independent = self.spare * (1 - self.correlation) / (1 + self.correlation)
        return float(stdtrit(max(independent, 1.0), (1 + COVERAGE) / 2))

    @property
    def excess(self) -> FloatArray:
        """How much worse than the best each set is, in Student's t squared, (sets,)."""
        return np.asarray((self.squares - self.squares[self.best]) / self.variance)

    @property
    def is_seen(self) -> bool:
        """Whether the slowest time constant is known, or was seen for long enough."""
        longest = max(curve.duration for curve in self.curves)
        near = self.taus[self.excess <= self.student**2, -1]
        return self.is_known or (longest >= SEEN * self.taus[self.best, -1] and near.max() < 0.98 * REACH * longest)


def _fit(curves: Sequence[Curve], known: Estimate | None) -> _Fit:
    """One body, or two where the curves show them; serial correlation from what the richer of them leaves over."""
    if known is not None:
        grid = [_ends(known.low, known.high)]
        correlation = _left_alike(curves, _searched(curves, grid, 0.0))
        return replace(_searched(curves, grid, correlation), is_known=True)
    step = min(curve.duration / len(curve.time) for curve in curves)
    wide = _ends(2 * step, REACH * max(curve.duration for curve in curves))
    correlation = 0.0
    for _ in range(2):
        correlation = _left_alike(curves, _searched(curves, [wide, wide], correlation))
    one, two = (_searched(curves, [wide] * bodies, correlation) for bodies in (1, 2))
    return two if _is_better(one, two) else one


def _is_better(one: _Fit, two: _Fit) -> bool:
    from scipy.special import fdtrc

    gained = float(one.squares[one.best] - two.squares[two.best])
    if two.spare < FEWEST or gained <= 0:
        return False
    more = one.spare - two.spare
    return bool(fdtrc(more, two.spare, gained / more / two.variance) < CHANCE)


def _ends(low: float, high: float) -> tuple[float, float]:
    return float(np.log(low)), float(np.log(max(high, low)))


def _searched(curves: Sequence[Curve], ranges: Sequence[tuple[float, float]], correlation: float) -> _Fit:
    """Zoom in on the sets of time constants that fit; ranges: of their logarithms."""
    ranges = list(ranges)
    for _ in range(ZOOMS):
        found = _tried(curves, _sets(ranges), correlation)
        near = np.log(found.taus[found.excess <= max(2.0 * found.student**2, 1e-9)])
        narrowed = []
        for j, (low, high) in enumerate(ranges):
            margin = (high - low) / (GRID - 1)
            narrowed.append((max(near[:, j].min() - margin, low), min(near[:, j].max() + margin, high)))
        if all(new[1] - new[0] > 0.7 * (old[1] - old[0]) for new, old in zip(narrowed, ranges, strict=True)):
            break
        ranges = narrowed
    return found


def _sets(ranges: Sequence[tuple[float, float]]) -> FloatArray:
    """Sets of time constants to try, (sets, bodies), fastest first."""
    grids = [np.exp(np.linspace(low, high, GRID if high > low else 1)) for low, high in ranges]
    if len(grids) == 1:
        return grids[0][:, None]
    pairs = np.array(np.meshgrid(*grids, indexing="ij")).reshape(2, -1).T
    apart = pairs[:, 1] >= APART * pairs[:, 0]
    return pairs[apart] if apart.any() else np.array([[grids[0][0], APART * grids[0][0]]])


def _tried(curves: Sequence[Curve], taus: FloatArray, correlation: float) -> _Fit:
    squares, ends, errors, amplitudes = np.zeros(len(taus)), [], [], []
    for curve in curves:
        solution, inverse, left = _solved(curve, taus, correlation)
        squares += left
        ends.append(solution[:, 0] + curve.temperature[-1])
        errors.append(np.sqrt(np.maximum(inverse[:, 0, 0], 0.0)))
        amplitudes.append(solution[:, 1:])
    return _Fit(
        tuple(curves), correlation, taus, squares, np.array(ends).T, np.array(errors).T,
        np.moveaxis(np.array(amplitudes), 0, 1),
    )  # fmt: skip


def _solved(curve: Curve, taus: FloatArray, correlation: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Coefficients (sets, 1 + bodies), inverse normal matrices, and sums of squares left over, by all sets at once."""
    design, y = _rotated(curve, taus, correlation)
    normal = np.swapaxes(design, 1, 2) @ design
    size = np.sqrt(np.einsum("sii->si", normal))
    scaled = normal / size[:, :, None] / size[:, None, :] + 1e-13 * np.eye(normal.shape[1])
    inverse = np.linalg.inv(scaled) / size[:, :, None] / size[:, None, :]
    solution = (inverse @ (y @ design)[:, :, None])[:, :, 0]
    left = y - (design @ solution[:, :, None])[:, :, 0]
    return solution, inverse, np.einsum("sn,sn->s", left, left)


def _rotated(curve: Curve, taus: FloatArray, correlation: float) -> tuple[FloatArray, FloatArray]:
    """A constant and all sets' decays, (sets, m, 1 + bodies), and temperatures, (m,), serial correlation taken out.

    Sets share their time constants, so that the curve is turned into as few rows as tell all of these apart.
    """
    distinct, which = np.unique(taus, return_inverse=True)
    y = curve.temperature - curve.temperature[-1]
    _, R = np.linalg.qr(_whitened(np.column_stack([_columns(curve, distinct), y]), correlation))
    places = np.column_stack([np.zeros(len(taus), dtype=int), 1 + which.reshape(taus.shape)])
    return np.moveaxis(R[:, places], 0, 1), R[:, -1]


def _columns(curve: Curve, taus: FloatArray) -> FloatArray:
    """A constant and the decay of each time constant, (n, 1 + k)."""
    t = curve.time - curve.time[0]
    return np.column_stack([np.ones(len(t)), np.exp(-t[:, None] / taus)])


def _whitened(values: FloatArray, correlation: float) -> FloatArray:
    """Values (n, k) freed of first-order serial correlation (Prais & Winsten, 1954; from memory)."""
    out = values.copy()
    out[1:] -= correlation * values[:-1]
    out[0] *= (1 - correlation**2) ** 0.5
    return out


def _left_alike(curves: Sequence[Curve], fit: _Fit) -> float:
    """Serial correlation of what the best set leaves over, by the curves' lengths; the least noise has none."""
    found = []
    for curve in curves:
        taus = fit.taus[[fit.best]]
        solution, _, _ = _solved(curve, taus, fit.correlation)
        left = curve.temperature - curve.temperature[-1] - _columns(curve, taus[0]) @ solution[0]
        seen = float(np.mean(left**2))
        found.append(lag_one(left, 1 + fit.bodies) * seen / (seen + LEAST_NOISE**2))
    return float(np.average(found, weights=[len(curve.time) for curve in curves]))


def _settled(fit: _Fit, p: int) -> Settled:
    """One curve's answer."""
    curve, taus = fit.curves[p], tuple(float(tau) for tau in fit.taus[fit.best])
    still = _as_read(curve, taus if fit.is_seen else ())
    if not fit.is_seen:
        return still
    value = _estimate(fit, p)
    decays = np.exp(-curve.duration / np.array(taus))
    remaining = float(abs(fit.amplitudes[fit.best, p] @ decays))
    wait = taus[-1] * float(np.log(remaining / WITHIN)) if remaining > WITHIN else 0.0
    rate = -float(fit.amplitudes[fit.best, p] @ (decays / np.array(taus)))
    return replace(still, rate=rate, value=value, how="extrapolated", wait=wait)


def _estimate(fit: _Fit, p: int) -> Estimate:
    """The settled value with its profile-likelihood interval."""
    room = fit.student**2 - fit.excess
    inside: NDArray[np.bool_] = room >= 0
    half = fit.errors[inside, p] * np.sqrt(fit.variance * room[inside])
    low, high = float((fit.ends[inside, p] - half).min()), float((fit.ends[inside, p] + half).max())
    return Estimate(float(fit.ends[fit.best, p]), (high - low) / 2 / fit.student, low, high)


def _as_read(curve: Curve, taus: tuple[float, ...]) -> Settled:
    """As last read, where the second half hardly moves; else only on which side of that it settles."""
    from scipy.special import stdtrit

    half = curve.temperature[len(curve.temperature) // 2 :]
    last = float(curve.temperature[-max(len(curve.temperature) // 20, 1) :].mean())
    if len(half) < FEWEST:
        return Settled(last, 0.0, None, "not settled", taus, None)
    line = trend(half)
    t = float(stdtrit(line.dof, (1 + COVERAGE) / 2))
    change, rate = abs(line.change) + t * line.change_error, line.change / (curve.duration / 2)
    if change > STILL:
        return Settled(last, rate, None, "not settled", taus, None)
    room = t * line.mean_error + change
    value = Estimate(line.mean, room / t, line.mean - room, line.mean + room)
    return Settled(last, rate, value, "as read", taus, 0.0)
