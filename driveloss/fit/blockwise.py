"""Non-negative least squares where most coefficients belong to one cylinder: solved block by block.

A cylinder's readings know its own columns and those that all share, the drive's. With its own columns eliminated it
adds a small square to the drive's problem (Golub, Plemmons & Sameh, SIAM J. Sci. Stat. Comput. 9 (1988); from memory),
so that the work grows with the number of cylinders, not with its cube. Which coefficients are zero is found by
exchanging all that are wrong at once (Kim & Park, SIAM J. Sci. Comput. 33 (2011) 3261; from memory).
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.fit.least_squares import ZERO, many_nnls, nnls
from driveloss.physics.arrays import Mask

APART = 1e-5  # least singular value of the shared columns, at unit length, that squares of them can be trusted with
OWN_APART = 1e-7  # the same of a block's own
SMALL = 80  # columns up to which SciPy's own method, problem by problem, is the quicker
PATIENCE = 3  # exchanges of everything at once that may fail to leave fewer wrong
SAME = 1e-9  # singular value, over the largest, below which a column says nothing new
MOST_EXCHANGES = 60
MOST_STEPS = 40


@dataclass(frozen=True)
class _Set:
    """A block with some of its own columns in use: `solve` (k, r) gives those, `left` (r, q) is what they leave."""

    solve: FloatArray
    left: FloatArray
    square: FloatArray  # (q, q) of `left`
    is_sound: bool


@dataclass(frozen=True)
class _Block:
    """One owner's readings, rotated to as few rows as tell all: own columns (r, k), shared ones (r, q)."""

    columns: NDArray[np.int64]
    rows: NDArray[np.int64]
    basis: FloatArray  # (rows, r)
    own: FloatArray
    shared: FloatArray
    sets: dict[bytes, _Set] = field(default_factory=dict)

    def outside(self, readings: FloatArray) -> FloatArray:
        """Sum of squares of its readings, of all (n,) or (n, m), that no column explains: () or (m,)."""
        mine = readings[self.rows]
        return np.asarray(np.sum((mine - self.basis @ (self.basis.T @ mine)) ** 2, axis=0))

    def used(self, mask: Mask) -> _Set:
        """With the own columns where mask, (k,), is true."""
        key = mask.tobytes()
        if key not in self.sets:
            Q, R = np.linalg.qr(self.own[:, mask])
            is_sound = R.shape[0] == R.shape[1] and bool(np.abs(np.diag(R)).min(initial=1.0) > OWN_APART)
            solve = np.zeros(self.own.T.shape)
            solve[mask] = np.linalg.solve(R, Q.T) if is_sound else np.linalg.pinv(self.own[:, mask], rcond=SAME)
            left = self.shared - self.own @ (solve @ self.shared)
            self.sets[key] = _Set(solve, left, left.T @ left, is_sound)
        return self.sets[key]

    def grouped(self, masks: Mask) -> list[tuple[_Set, NDArray[np.int64]]]:
        """The sets in use, masks (k, m), and the problems that use each."""
        if masks.shape[1] == 0:
            return []
        if (masks == masks[:, :1]).all():
            return [(self.used(masks[:, 0]), np.arange(masks.shape[1]))]
        codes = (1 << np.arange(len(masks), dtype=np.int64)) @ masks  # laws of one part are far fewer than bits
        _, first, which = np.unique(codes, return_index=True, return_inverse=True)
        parts = np.split(np.argsort(which, kind="stable"), np.cumsum(np.bincount(which))[:-1])
        return [(self.used(masks[:, one]), part) for one, part in zip(first, parts, strict=True)]


@dataclass(frozen=True)
class Rest:
    """What some blocks say of the shared columns (q) with their own eliminated: as many readings of those, rotated."""

    design: FloatArray  # (t, q)
    readings: FloatArray  # (t,)
    square: float  # left of their readings whatever the shared coefficients are
    columns: NDArray[np.int64]  # eliminated, (c,)
    alone: FloatArray  # their coefficients were the shared ones zero, (c,)
    by_shared: FloatArray  # and what each of those takes off, (c, q)
    is_sound: bool  # whether their readings tell them apart


def mask_of(columns: Sequence[int] | NDArray[np.int64], count: int) -> Mask:
    """True for the columns of `count`, (count,)."""
    mask = np.zeros(count, dtype=bool)
    mask[list(columns)] = True
    return mask


class Blocks:
    """A design (n, k) and who owns each column, (k,), if any are owned; None = all share it."""

    def __init__(self, design: FloatArray, owners: Sequence[Hashable | None] = ()):
        length = np.linalg.norm(design, axis=0)
        self.scale = np.where(length > 0, length, 1.0)
        self.design = design / self.scale
        self.owners = owners or [None] * len(length)

    @cached_property
    def _parted(self) -> tuple[NDArray[np.int64], list[_Block]]:
        """The columns that all share, and the blocks; the last is that of the readings which no block owns."""
        mine: dict[Hashable, list[int]] = {}
        for j, owner in enumerate(self.owners):
            mine.setdefault(owner, []).append(j)
        shared, free, places = mine.pop(None, []), np.ones(len(self.design), dtype=bool), []
        for columns in mine.values():
            rows = (self.design[:, columns] != 0).any(axis=1)
            if (rows & ~free).any():  # not a block of its own
                shared = sorted([*shared, *columns])
            else:
                places.append((columns, rows))
                free &= ~rows
        common = np.array(shared, dtype=np.int64)
        return common, [self._block(c, np.flatnonzero(rows), common) for c, rows in (*places, ([], free))]

    @property
    def shared(self) -> NDArray[np.int64]:
        """The columns that all share, (q,)."""
        return self._parted[0]

    @property
    def blocks(self) -> list[_Block]:
        """The blocks, that of the readings which none owns last."""
        return self._parted[1]

    def _block(self, columns: list[int], rows: NDArray[np.int64], shared: NDArray[np.int64]) -> _Block:
        own = np.array(columns, dtype=np.int64)
        Q, R = np.linalg.qr(self.design[np.ix_(rows, np.concatenate([own, shared]))])
        return _Block(own, rows, Q, R[:, : len(own)], R[:, len(own) :])

    @cached_property
    def _whole(self) -> tuple[FloatArray, FloatArray]:
        """The design as a rotation (n, r) and as many rows as tell all, (r, k)."""
        return np.linalg.qr(self.design)

    def of(self, column: int) -> _Block | None:
        """The block that owns a column; None where all share it."""
        return next((block for block in self.blocks if column in block.columns), None)

    def _rotated(self, readings: FloatArray) -> list[FloatArray]:
        return [block.basis.T @ readings[block.rows] for block in self.blocks]

    def nonnegative(self, readings: FloatArray, allowed: Mask) -> FloatArray:
        """Non-negative coefficients of the allowed columns, (k, m), that explain readings (n, m) best: (k, m).

        readings: (n, 1) where all problems have the same.
        """
        if len(allowed) <= SMALL:
            return self._one_by_one(readings, allowed) / self.scale[:, None]
        return self._exchanged(readings, allowed) / self.scale[:, None]

    def _one_by_one(self, readings: FloatArray, allowed: Mask) -> FloatArray:
        found, (Q, R) = np.zeros(allowed.shape), self._whole
        rotated = np.broadcast_to(Q.T @ readings, (len(R), allowed.shape[1]))
        alike: dict[bytes, list[int]] = {}
        for j, mask in enumerate(np.ascontiguousarray(allowed.T)):
            alike.setdefault(mask.tobytes(), []).append(j)
        for mine in alike.values():
            columns = np.flatnonzero(allowed[:, mine[0]])
            found[np.ix_(columns, np.array(mine))] = many_nnls(R[:, columns], rotated[:, mine])
        return found

    def _exchanged(self, readings: FloatArray, allowed: Mask) -> FloatArray:
        rotated = [np.broadcast_to(y, (len(y), allowed.shape[1])) for y in self._rotated(readings)]
        found = np.zeros(allowed.shape)
        passive, size = allowed.copy(), ZERO * np.linalg.norm(readings, axis=0)
        todo = np.flatnonzero(self._sound(allowed))
        fewest, patience = np.full(allowed.shape[1], len(allowed) + 1), np.full(allowed.shape[1], PATIENCE)
        size = np.broadcast_to(size, allowed.shape[1])
        for _ in range(MOST_EXCHANGES):
            at = [y[:, todo] for y in rotated]
            values, slope = self._free(at, passive[:, todo])
            wrong = np.where(passive[:, todo], values < 0, allowed[:, todo] & (slope > size[todo]))
            count = wrong.sum(axis=0)
            found[:, todo[count == 0]] = values[:, count == 0]
            todo, wrong, count = todo[count > 0], wrong[:, count > 0], count[count > 0]
            if len(todo) == 0:
                break
            fewer = count < fewest[todo]
            patience[todo] = np.where(fewer, PATIENCE, patience[todo] - 1)
            fewest[todo] = np.minimum(fewest[todo], count)
            one = patience[todo] < 0  # then the last of them alone, which always ends
            last = len(wrong) - 1 - np.argmax(wrong[::-1], axis=0)
            wrong[:, one] &= np.arange(len(wrong))[:, None] == last[one]
            passive[:, todo] ^= wrong
        for j in (*todo, *np.flatnonzero(~self._sound(allowed))):
            mine = allowed[:, j]
            found[mine, j] = nnls(self.design[:, mine], readings[:, min(j, readings.shape[1] - 1)])[0]
        return found

    def _sound(self, allowed: Mask) -> Mask:
        """Which problems with these columns, (k, m), squares of the columns can be trusted with, (m,)."""
        squares, sound = self._squares(allowed)
        return sound & (np.linalg.eigvalsh(squares)[:, 0] > APART**2) if len(self.shared) else sound

    def _squares(self, used: Mask) -> tuple[FloatArray, Mask]:
        """What is left of the shared columns beside the own ones in use, squared, (m, q, q); whether that is sound."""
        count, m = len(self.shared), used.shape[1]
        squares, sound, on = np.zeros((m, count, count)), np.ones(m, dtype=bool), used[self.shared].T
        for block in self.blocks:
            for own, part in block.grouped(used[block.columns]):
                squares[part] += own.square
                sound[part] &= own.is_sound
        squares *= on[:, :, None] & on[:, None, :]
        squares[:, range(count), range(count)] += ~on
        return squares, sound

    def _free(self, rotated: list[FloatArray], used: Mask) -> tuple[FloatArray, FloatArray]:
        """Coefficients of the columns in use, (k, m), signs free; and how much each column would still gain, (k, m)."""
        squares, groups = self._squares(used)[0], [block.grouped(used[block.columns]) for block in self.blocks]
        values, slope, left = np.zeros(used.shape), np.zeros(used.shape), rotated
        for _ in range(2):  # the second time for the digits that squares lose
            right = np.zeros((len(self.shared), used.shape[1]))
            for y, sets in zip(left, groups, strict=True):
                for own, part in sets:
                    right[:, part] += own.left.T @ y[:, part]
            common = np.linalg.solve(squares, (right * used[self.shared]).T[:, :, None])[:, :, 0].T
            values[self.shared] += common
            after, slope[self.shared] = [], 0.0
            for block, y, sets in zip(self.blocks, left, groups, strict=True):
                y = y - block.shared @ common
                own_values = np.zeros((len(block.columns), used.shape[1]))
                for own, part in sets:
                    own_values[:, part] = own.solve @ y[:, part]
                y -= block.own @ own_values
                values[block.columns] += own_values
                slope[block.columns] = block.own.T @ y
                slope[self.shared] += block.shared.T @ y
                after.append(y)
            left = after
        return values, slope

    def squares(self, readings: FloatArray, coefficients: FloatArray) -> FloatArray:
        """Sum of squares that coefficients (k, m) leave of readings (n, m) or (n, 1): (m,)."""
        values, total = coefficients * self.scale[:, None], np.zeros(coefficients.shape[1])
        for block, y in zip(self.blocks, self._rotated(readings), strict=True):
            left = y - block.own @ values[block.columns] - block.shared @ values[self.shared]
            total += np.sum(left**2, axis=0) + block.outside(readings)
        return total

    def rest(self, readings: FloatArray, kept: Mask, without: _Block | None) -> Rest:
        """What the readings (n,) of all blocks but one say of the shared columns, their own ones eliminated.

        kept: (k,), the columns in use.
        """
        lefts, rights, alone, by_shared, columns, square, sound = [], [], [], [], [], 0.0, True
        for block in (block for block in self.blocks if block is not without):
            mask = kept[block.columns]
            own, y = block.used(mask), block.basis.T @ readings[block.rows]
            lefts.append(own.left)
            rights.append(y - block.own @ (own.solve @ y))
            alone.append(own.solve[mask] @ y)
            by_shared.append(own.solve[mask] @ block.shared)
            columns.append(block.columns[mask])
            square += float(block.outside(readings))
            sound = sound and own.is_sound
        Q, R = np.linalg.qr(np.vstack(lefts))
        y = np.concatenate(rights)
        square += float(np.sum((y - Q @ (Q.T @ y)) ** 2))
        eliminated = np.concatenate(columns), np.concatenate(alone), np.vstack(by_shared)
        return Rest(R, Q.T @ y, square, *eliminated, sound)

    def beside(
        self, readings: FloatArray, kept: NDArray[np.int64], choices: Sequence[Sequence[int]]
    ) -> list[tuple[FloatArray, float] | None]:
        """Coefficients (k,) of columns kept with each choice of one owner's own columns; and the squares they leave.

        readings: (n,). None where a column kept of another owner would not stay above zero.
        """
        in_use = mask_of(kept, len(self.scale))
        block = self.of(choices[0][0])
        rest = self.rest(readings, in_use, block)
        if not rest.is_sound:
            return [None] * len(choices)
        design, y, columns, square = rest.design, rest.readings, self.shared, rest.square
        if block is not None:
            rotated = block.basis.T @ readings[block.rows]
            design = np.block([[design, np.zeros((len(design), len(block.columns)))], [block.shared, block.own]])
            y, columns = np.concatenate([y, rotated]), np.concatenate([columns, block.columns])
            square += float(block.outside(readings))
        common = in_use[columns] & (np.arange(len(columns)) < len(self.shared))
        found: list[tuple[FloatArray, float] | None] = []
        for choice in choices:
            used = np.flatnonzero(common | mask_of(choice, len(self.scale))[columns])
            values, norm = nnls(design[:, used], y)
            full = np.zeros(len(self.scale))
            full[columns[used]] = values
            full[rest.columns] = others = rest.alone - rest.by_shared @ full[self.shared]
            found.append((full / self.scale, norm**2 + square) if (others > 0).all() else None)
        return found

    def free(self, readings: FloatArray, used: Mask) -> tuple[FloatArray, NDArray[np.int64]]:
        """Sum of squares that columns in use, (k, m), leave of readings (n,), signs free, and their rank: (m,) each."""
        rotated = [np.broadcast_to(y, (len(y), used.shape[1])) for y in self._rotated(readings[:, None])]
        sound = self._sound(used)
        values = np.zeros(used.shape)
        values[:, sound], _ = self._free([y[:, sound] for y in rotated], used[:, sound])
        left, rank = self.squares(readings[:, None], values / self.scale[:, None]), used.sum(axis=0)
        for j in np.flatnonzero(~sound):
            design = self.design[:, used[:, j]]
            solution, _, rank[j], _ = np.linalg.lstsq(design, readings, rcond=SAME)
            left[j] = np.sum((readings - design @ solution) ** 2)
        return left, rank

    def sparse(self, readings: FloatArray) -> FloatArray:
        """Non-negative coefficients, (k,), where blocks have more columns than their readings (n,) tell apart.

        Newton's steps on the shared coefficients, each with every block's own NNLS; the dense problem should they fail.
        """
        if len(self.scale) <= SMALL:
            return np.asarray(nnls(self.design, readings)[0] / self.scale)
        before: Mask | None = None
        common = nnls(self.blocks[-1].shared, self._rotated(readings)[-1])[0]
        for _ in range(MOST_STEPS):
            found = np.zeros(len(self.scale))
            for block, y in zip(self.blocks[:-1], self._rotated(readings), strict=False):
                found[block.columns], _ = nnls(block.own, y - block.shared @ common)
            if before is not None and (before == (found > 0)).all():
                found[self.shared] = common
                return found / self.scale
            before = found > 0
            rest = self.rest(readings, before, None)
            if not rest.is_sound:
                break
            common, _ = nnls(rest.design, rest.readings)
        return np.asarray(nnls(self.design, readings)[0] / self.scale)
