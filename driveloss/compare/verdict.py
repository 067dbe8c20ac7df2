"""Better, worse, or not to be told from these readings: what a difference says, and what would tell."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.compare.benches import Subject
from driveloss.fit.estimate import Estimate, estimate

BETTER, WORSE, OPEN, NO_COMMON_GROUND = "better", "worse", "cannot be told", "cannot be compared"
SCATTER = "scatter"
ORIGINS = {  # origin of an uncertainty -> draws of fit.sources.Inputs
    "power meter": ("power_gain", "power_zero", "voltage_gain", "voltage_zero", "current_gain", "current_zero"),
    "frequency meter": ("frequency_gain", "frequency_zero"),
    "pressure gauge": ("pressure_gain", "pressure_zero"),
    "motor constants": ("resistance", "torque_constant", "form_factor", "incremental_efficiency"),
    "transmission": ("ratio", "efficiency"),
    "temperatures": ("temperature_shift", "ambient_temperature"),
    "seal heat share": ("seal_heat_share",),
}
FAVOURS = {  # a flag's bias on the seal's friction: +1 makes it look smaller (and net power larger), -1 larger
    "load-loss-unknown": 1,
    "winding-temperature-assumed": 1,
    "port-loss-unknown": -1,
}


@dataclass(frozen=True)
class Verdict:
    """What a difference first - second of a thing that should be small says.

    `word` is about the first. `narrower`: how many times narrower the interval must be for the difference seen to
    show. `shares`: of the variance of the difference, by origin, largest first. `more_runs`: how many times as many
    readings would do that; None where no number would, or none is needed. `biased_by`: flags whose bias could
    have made the difference.
    """

    word: str
    narrower: float | None = None
    more_runs: float | None = None
    shares: tuple[tuple[str, float], ...] = ()
    biased_by: tuple[str, ...] = ()


def judge(
    difference: FloatArray,
    subjects: Iterable[Subject],
    extra: Iterable[FloatArray] = (),
    first_flags: Iterable[tuple[str, int]] = (),
    second_flags: Iterable[tuple[str, int]] = (),
) -> tuple[Estimate | None, Verdict]:
    """Estimate and verdict of a difference (1 + draws,) between subjects.

    extra: draws of thermometers, (1 + draws,) each. flags: (code, +1 where its bias makes the value smaller,
    -1 larger, 0 either) of each side, without those whose bias is the same on both. The interval must exclude zero,
    and no bias may push the way that the difference goes.
    """
    found = estimate(difference)
    if found is None:
        return None, Verdict(OPEN)
    shares = variance_shares(difference, subjects, extra)
    if not found.excludes_zero:
        return found, _open(found, shares)
    sign = 1 if found.value < 0 else -1
    blame = _blame(first_flags, second_flags, sign)
    word = OPEN if blame else BETTER if found.value < 0 else WORSE
    return found, Verdict(word, shares=shares, biased_by=blame)


def _blame(first: Iterable[tuple[str, int]], second: Iterable[tuple[str, int]], sign: int) -> tuple[str, ...]:
    """Flags that push the way the difference goes; sign: +1 where the first looks better."""
    pushes = [*first, *((code, -way) for code, way in second)]
    return tuple(sorted({code for code, way in pushes if way == sign}))


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


def variance_shares(
    difference: FloatArray, subjects: Iterable[Subject], extra: Iterable[FloatArray] = ()
) -> tuple[tuple[str, float], ...]:
    """Shares of the variance of a difference (1 + draws,) by origin, largest first.

    Draws of the inputs are independent, so the multiple correlation of the difference with each group of them is
    that group's share (in the spirit of JCGM 101:2008, Annex B; from memory). What is left is scatter of
    the readings, with the choice of terms that they leave open.
    """
    groups = _groups(list(subjects))
    groups["thermometers"] = list(extra)
    total = np.var(difference[1:])
    if total == 0:
        return ()
    shares = {origin: _explained(difference[1:], columns) for origin, columns in groups.items()}
    everything = _explained(difference[1:], [column for columns in groups.values() for column in columns])
    shares[SCATTER] = 1 - everything
    return tuple(sorted(((k, v) for k, v in shares.items() if v > 0), key=lambda pair: -pair[1]))


def _groups(subjects: list[Subject]) -> dict[str, list[FloatArray]]:
    groups: dict[str, list[FloatArray]] = {}
    for origin, names in ORIGINS.items():
        groups[origin] = [getattr(s.calibration.inputs, name) for s in subjects for name in names]
    groups["dimensions and ports"] = [
        draws for s in subjects for cylinder in s.calibration.inputs.cylinders.values() for draws in cylinder.values()
    ]
    return groups


def _explained(values: FloatArray, columns: list[FloatArray]) -> float:
    """Adjusted multiple correlation R^2 of values (draws,) with columns, (1 + draws,) each; doubles count once."""
    distinct = {column.tobytes(): column[1:] for column in columns if np.ptp(column) > 0}
    n, k = len(values), len(distinct)
    if k == 0 or n <= k + 1:
        return 0.0
    design = np.array([(c - c.mean()) / c.std() for c in distinct.values()]).T
    centred = values - values.mean()
    left = centred - design @ np.linalg.lstsq(design, centred, rcond=None)[0]
    return float(max(1 - (left @ left) / (centred @ centred) * (n - 1) / (n - k - 1), 0.0))
