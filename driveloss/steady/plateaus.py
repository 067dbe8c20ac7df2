"""A log cut into plateaus: where speed and supply stand still, and what of it is steady."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.logs import Log
from driveloss.bench.records import FloatArray
from driveloss.errors import InputError
from driveloss.steady.equivalence import SCREEN, Verdict, equivalence, thinned, variance_ratio
from driveloss.steady.serial import FEWEST, Trend, trend

SET_BY = ("frequency", "voltage")  # a change of these is a new setting
NOISE = 5.0  # standard deviations of a running median that a setting must change by
NORMAL_MAD = 1.4826
TAILS = (1.0, 0.75, 0.5, 1 / 3, 0.25)  # of a stretch that are tried, longest first
STANDSTILL = 0.02  # of the fastest speed in the log below which the machine stands


@dataclass(frozen=True)
class Terms:
    """What counts as steady."""

    drift: float = 0.005  # share by which power and speed may change from a plateau's first reading to its last
    shortest: float = 60.0  # [s]
    step: float = 0.01  # share by which speed or supply changes at a new setting

    def __post_init__(self) -> None:
        if not (0 < self.drift < 1 and self.shortest > 0 and 0 < self.step < 1):
            raise InputError(f"expected a drift and a step between 0 and 100 %, and a time above zero, got {self}")


@dataclass(frozen=True)
class Stretch:
    """Bins of a log from `first` up to but without `last`."""

    log: Log
    first: int
    last: int

    @property
    def start(self) -> float:
        """[s]"""
        return float(self.log.start[self.first])

    @property
    def end(self) -> float:
        """[s]"""
        return float(self.log.end[self.last - 1])

    @property
    def duration(self) -> float:
        """[s]"""
        return self.end - self.start

    def of(self, name: str) -> FloatArray:
        """A quantity in its bins."""
        return self.log.means[name][self.first : self.last]

    @property
    def time(self) -> FloatArray:
        """Middles of its bins. [s]"""
        return self.log.time[self.first : self.last]

    @property
    def readings(self) -> int:
        return int(self.log.count[self.first : self.last].sum())

    def variance(self, name: str) -> float:
        """Of single readings about the mean of their bins."""
        within = self.log.variances[name][self.first : self.last]
        return float(np.nanmean(within)) if np.isfinite(within).any() else 0.0

    def tail(self, share: float) -> Stretch:
        """Its last share of time."""
        begins = self.end - share * self.duration
        first = self.first + int(np.searchsorted(self.log.start[self.first : self.last], begins - 1e-9))
        return Stretch(self.log, min(first, self.last - 1), self.last)


@dataclass(frozen=True)
class Plateau:
    """A steady stretch: its power's line, the tests, and the whole setting it is the end of."""

    stretch: Stretch
    setting: Stretch  # from the change of speed on
    power: Trend
    tests: dict[str, Verdict]  # by quantity
    ratio: float  # the screen's, at its end


@dataclass(frozen=True)
class Rejected:
    """A stretch that gives no reading, and why."""

    stretch: Stretch
    reason: str
    is_change: bool = False  # from one setting to the next


def settings(log: Log, terms: Terms) -> tuple[list[Stretch], list[Rejected]]:
    """Stretches between changes of speed or supply, and the changes; gaps end a stretch."""
    found, changes = [], []
    for first, last in pairwise([0, *(np.flatnonzero(np.diff(log.segment)) + 1).tolist(), len(log)]):
        whole = Stretch(log, first, last)
        moving = _moving(whole, terms)
        for begin, end in pairwise([0, *(np.flatnonzero(np.diff(moving)) + 1).tolist(), len(moving)]):
            part = Stretch(log, first + begin, first + end)
            if moving[begin]:
                changes.append(Rejected(part, "speed or supply changes", is_change=True))
            else:
                found.append(part)
    return found, changes


def _moving(whole: Stretch, terms: Terms) -> NDArray[np.bool_]:
    moving = np.zeros(whole.last - whole.first, dtype=bool)
    for name in SET_BY:
        if name in whole.log.means and np.isfinite(whole.of(name)).all():
            moving |= _changes(whole.of(name), _window(whole, terms), terms.step)
    return moving


def _window(whole: Stretch, terms: Terms) -> int:
    """Bins in a third of the shortest plateau."""
    step = whole.duration / max(whole.last - whole.first - 1, 1)
    return max(int(terms.shortest / 3 / step), 2) if step > 0 else 2


def _changes(values: FloatArray, window: int, share: float) -> NDArray[np.bool_]:
    """Where a setting (n,) is on its way from one level to the next."""
    from scipy.ndimage import median_filter

    n = len(values)
    moving = np.zeros(n, dtype=bool)
    if n < 2 * window + 1:
        return moving
    smooth = median_filter(values, size=window, mode="reflect")
    half = window // 2
    places = np.arange(n)
    before = smooth[np.maximum(places - half - 1, 0)]
    after = smooth[np.minimum(places + window - half, n - 1)]
    noise = NORMAL_MAD * float(np.median(np.abs(values - smooth)))
    level = np.maximum(np.maximum(np.abs(before), np.abs(after)), 0.1 * np.abs(smooth).max())
    enough = np.maximum(share * level, NOISE * noise / window**0.5)
    far = np.abs(after - before) > enough
    edges = [0, *(np.flatnonzero(np.diff(far)) + 1).tolist(), n]
    for begin, end in pairwise(edges):
        if far[begin]:
            first, last = _narrowed(values, smooth, begin, end, enough[begin:end].min() / 2 + 3 * noise, window)
            moving[first:last] = True
    return moving


def _narrowed(  # noqa: PLR0913 - a change, and what it is judged by
    values: FloatArray, smooth: FloatArray, begin: int, end: int, near: float, window: int
) -> tuple[int, int]:
    """The change itself, without what still is at the level before it or already at the one behind."""
    old, new = smooth[max(begin - window, 0)], smooth[min(end + window, len(values) - 1)]
    last = min(end + window, len(values))
    off_old = np.flatnonzero(np.abs(values[begin:last] - old) > near)
    first = begin + (int(off_old[0]) if len(off_old) else 0)
    off_new = np.flatnonzero(np.abs(values[first:last] - new) > near)
    return first, max(first + (int(off_new[-1]) + 1 if len(off_new) else 1), first + 1)


def judge(setting: Stretch, terms: Terms) -> Plateau | Rejected:
    """The longest steady end of a stretch at one setting, or why it has none."""
    if setting.duration < terms.shortest:
        return Rejected(setting, f"lasts {_seconds(setting.duration)}, expected {_seconds(terms.shortest)} or more")
    best: Plateau | None = None
    for share in TAILS:
        stretch = setting.tail(share)
        if stretch.last - stretch.first < FEWEST or stretch.duration < 0.999 * terms.shortest:
            break
        tried = _tested(stretch, setting, terms)
        if best is None or _worst(tried).is_steady:
            best = tried
        if _worst(best).is_steady:
            return best
    if best is None:
        return Rejected(setting, f"holds {setting.readings} readings, expected {FEWEST} or more")
    return Rejected(setting, _reason(best, terms))


def _tested(stretch: Stretch, setting: Stretch, terms: Terms) -> Plateau:
    line = trend(stretch.of("power"))
    tests = {"power": equivalence(line, terms.drift)}
    if "frequency" in stretch.log.means and stretch.of("frequency").mean() > 0:
        tests["speed"] = equivalence(trend(stretch.of("frequency")), terms.drift)
    ratios = variance_ratio(thinned(stretch.of("power"), line.correlation))
    return Plateau(stretch, setting, line, tests, float(ratios[-1]))


def _worst(plateau: Plateau) -> Verdict:
    return max(plateau.tests.values(), key=lambda test: abs(test.drift) + test.error)


def _reason(plateau: Plateau, terms: Terms) -> str:
    name, test = max(plateau.tests.items(), key=lambda item: abs(item[1].drift) + item[1].error)
    minutes = plateau.stretch.duration / 60
    told = f"{name} drifts by {100 * test.drift:+.2g} ±{100 * test.error:.2g} % in {_seconds(60 * minutes)}"
    if test.is_drifting:
        return f"{told}, {100 * test.drift / minutes:+.2g} % a minute; at most {100 * terms.drift:g} % may be"
    return f"{told}: scatter or drift leaves open whether it is within {100 * terms.drift:g} %; record it for longer"


def run_in(plateau: Plateau) -> Rejected | None:
    """What of a setting lies before its steady end."""
    if plateau.stretch.first == plateau.setting.first:
        return None
    before = Stretch(plateau.setting.log, plateau.setting.first, plateau.stretch.first)
    return Rejected(before, "run-in: power or speed not yet steady")


def _seconds(time: float) -> str:
    """A time for people.

    >>> _seconds(42.0), _seconds(600.0)
    ('42 s', '10 min')
    """
    return f"{time:.0f} s" if time < 120 else f"{time / 60:.3g} min"


def stands(setting: Stretch) -> bool:
    """Whether the machine stands still there, though it turns elsewhere in the log."""
    if "frequency" not in setting.log.means:
        return False
    fastest = float(setting.log.means["frequency"].max())
    return fastest > 0 and float(np.median(setting.of("frequency"))) < STANDSTILL * fastest


def is_screened(plateau: Plateau) -> bool:
    """Whether the quick screen, on readings thinned out, lets it pass."""
    return plateau.ratio <= SCREEN
