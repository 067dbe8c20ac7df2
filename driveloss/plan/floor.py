"""What is left of the net power's interval however many readings are taken, and what to measure instead of reading."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.assumptions import Assumption
from driveloss.fit.calibration import Calibration
from driveloss.fit.contributions import SCATTER, Attribution
from driveloss.fit.estimate import estimate
from driveloss.fit.meters import CHANCE, SOURCES, strata, stream

COMMON = tuple(source for source in SOURCES if source not in CHANCE)
BETWEEN_SWEEPS = "sweep to sweep"  # a source that only further sweeps make smaller
NEGLIGIBLE = 0.1  # of the interval, by itself: knowing it would take half a percent off
NORMAL = 1.959964  # standard normal quantile of the 95 % interval


@dataclass(frozen=True)
class Cure:
    """What knowing one assumed quantity would leave of the floor, as half-widths. [W]"""

    keys: tuple[str, ...]  # of bench.toml
    row: Assumption
    alone: float  # by it alone
    without: float  # with it known
    with_those_before: float  # with it and all that stand before it known


@dataclass(frozen=True)
class Floor:
    """Net power at one target by every error that readings have in common, (1 + draws,). [W]"""

    draws: FloatArray
    moved: dict[str, FloatArray]  # by each source, (1 + draws,)
    rows: tuple[tuple[tuple[str, ...], Assumption], ...]  # assumptions at work, with their keys
    chance: FloatArray  # standard normal draws, (1 + draws,)

    @property
    def net(self) -> float:
        """Expected net power. [W]"""
        return float(self.draws[0])

    @cached_property
    def half_width(self) -> float:
        """Of the 95 % interval that no number of readings makes narrower. [W]"""
        return half_interval(self.draws)

    @cached_property
    def sources(self) -> dict[str, float]:
        """Half-width by each source alone, the largest first. [W]"""
        found = {source: half_interval(moved) for source, moved in self.moved.items()}
        return dict(sorted(((s, w) for s, w in found.items() if w > 1e-9), key=lambda pair: -pair[1]))

    @cached_property
    def assumed(self) -> float:
        """Half-width by what is assumed, were all stated limits zero. [W]"""
        names = {row.name for _, row in self.rows}
        return half_interval(self.without(self.moved.keys() - names)) if names else 0.0

    @property
    def known(self) -> Floor:
        """The floor were all that is assumed known."""
        names = {row.name for _, row in self.rows}
        moved = {source: one for source, one in self.moved.items() if source not in names}
        return replace(self, draws=self.without(names), moved=moved, rows=())

    def with_chance(self, half_width: float) -> float:
        """Half-width together with an error by chance that has a half-width by itself. [W]"""
        together = half_interval(self.draws + self.chance * (half_width / NORMAL))
        return max(together, self.half_width, half_width)  # which quantiles of few draws may miss by a little

    @cached_property
    def cures(self) -> tuple[Cure, ...]:
        """What to measure, the one first that takes most off."""
        keys: dict[str, tuple[tuple[str, ...], Assumption]] = {}
        for more, row in self.rows:
            before, _ = keys.get(row.name, ((), row))
            keys[row.name] = (tuple(dict.fromkeys((*before, *more))), row)
        matter = [n for n in keys if self.sources.get(n, 0.0) > NEGLIGIBLE * self.half_width]
        alone = {name: min(half_interval(self.without({name})), self.half_width) for name in matter}
        ranked = sorted(matter, key=lambda name: alone[name])
        together = [half_interval(self.without(set(ranked[: place + 1]))) for place in range(len(ranked))]
        least = np.minimum.accumulate([self.half_width, *together])[1:].tolist()  # quantiles of few draws waver
        return tuple(
            Cure(*keys[name], self.sources[name], alone[name], left) for name, left in zip(ranked, least, strict=True)
        )

    def without(self, names: Collection[str]) -> FloatArray:
        return np.asarray(self.draws - sum((self.moved[n] for n in names if n in self.moved), np.zeros(1)))


def floors(
    calibration: Calibration, net: Iterable[FloatArray], off: Iterable[FloatArray], cylinders: Iterable[str | None]
) -> list[Floor]:
    """Of net powers that a calibration without chance gives, each of one of its cylinders, (1 + draws,) each. [W]

    off: what sweeps are off by from one another, whatever their readings, (1 + draws,) each. [W]
    """
    attribution, every = Attribution(calibration.meters), calibration.meters.assumptions(calibration.rig)
    chance = _standard_normal(calibration)
    found = []
    for draws, between, cylinder in zip(net, off, cylinders, strict=True):
        moved = attribution.explain(draws).draws
        rows = ((tuple(k for k in keys if _concerns(k, cylinder, calibration)), row) for keys, row in every)
        own = {source: one for source, one in moved.items() if source != SCATTER} | {BETWEEN_SWEEPS: between}
        found.append(Floor(draws + between, own, tuple((keys, row) for keys, row in rows if keys), chance))
    return found


def _concerns(key: str, cylinder: str | None, calibration: Calibration) -> bool:
    """Whether a key is not that of another cylinder."""
    others = (name for name in calibration.rig.cylinders if name != cylinder)
    return not any(key.startswith(f"cylinders.{name}.") for name in others)


def _standard_normal(calibration: Calibration) -> FloatArray:
    from scipy.special import ndtri

    drawn = ndtri(strata(stream(calibration.seed, "plan"), calibration.draws))
    return np.concatenate([[0.0], drawn])


def half_interval(draws: FloatArray) -> float:
    """Of the 95 % interval of draws (1 + draws,) in their unit."""
    found = estimate(draws)
    return 0.0 if found is None else found.half_width
