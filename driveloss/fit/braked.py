"""The braked sweep: input power as a function of frequency and crank torque, fitted beside the drive's own losses."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from driveloss.bench.records import Bench, FloatArray, Quantity
from driveloss.errors import InputError
from driveloss.fit.brake import Brake, drive_shapes, load_shapes
from driveloss.fit.estimate import estimate
from driveloss.fit.family import FamilyFit, TermReport, scatter_draws
from driveloss.fit.least_squares import nonnegative
from driveloss.fit.meters import Meters, Sampler, stream
from driveloss.fit.readings import Readings, gather, joined
from driveloss.fit.scatter import choose_pattern, least_size

LEAST_READINGS = 3  # braked, from which what grows with torque is told
LEAST_SPARE = 2
TERMS = {
    "share": ("load loss of the drive: of the power that passes", "1"),
    "slope": ("load loss of the drive: with the torque", "W/(N m)"),
    "square": ("load loss of the drive: with its square", "W/(N m)^2"),
}


@dataclass(frozen=True)
class FittedBrake:
    """What a braked sweep tells."""

    brake: Brake

    def known_to(self, meters: Meters) -> Meters:
        """The draws of a bench with it among them: what passes the crank has passed the transmission already."""
        ones = np.ones(meters.size)
        return replace(meters, brake=self.brake, efficiency=ones, fitted=(*meters.fitted, "efficiency"))

    def told_with(self, fit: FamilyFit) -> FamilyFit:
        """A family's report with the load loss before its terms."""
        found = {name: estimate(getattr(self.brake, name)) for name in TERMS}
        terms = (TermReport(*TERMS[name], one) for name, one in found.items() if one is not None)
        return replace(fit, terms=(*terms, *fit.terms))


def at_the_crank(bench: Bench) -> Bench:
    """The bench with a transmission that loses nothing beyond what the braked sweep counts."""
    direct = replace(bench.rig.transmission, efficiency=Quantity(1.0))
    return replace(bench, rig=replace(bench.rig, transmission=direct))


def fit_braked(bench: Bench, meters: Meters, standby: FloatArray, sampler: Sampler) -> FittedBrake:
    """Fit net input to frequency and torque over the braked and the piston-disconnected sweeps.

    standby: (1 + draws,) [W]. Coefficients cannot be negative. Every draw is fitted again with its own instruments'
    errors and scatter, as the ladder is. Raises InputError for fewer than LEAST_READINGS.
    """
    braked = gather(bench.rig, bench.sweeps, ("braked",))
    free = gather(bench.rig, bench.sweeps, ("piston-disconnected",))
    if len(braked) < LEAST_READINGS:
        raise InputError(
            f"{braked.file[0]}: {len(braked)} braked readings, expected {LEAST_READINGS} or more at different torques"
        )
    both = joined(free, braked)
    torque = np.nan_to_num(meters.torque(both))
    frequency = both.frequency
    design = np.column_stack([drive_shapes(frequency), load_shapes(frequency, torque[:, 0])])
    net = meters.power(both) - standby - 2 * np.pi * meters.frequency(frequency) * torque
    scatter = _scatter(both, design, net[:, 0], meters, sampler)
    return FittedBrake(Brake(*nonnegative(design, net + scatter), *torque.max(axis=0)[None], *meters.efficiency[None]))


def _scatter(readings: Readings, design: FloatArray, net: FloatArray, meters: Meters, sampler: Sampler) -> FloatArray:
    """Chance deviations of the readings in each draw, as large as the best fit's residuals tell. [W]"""
    residuals = net - design @ nonnegative(design, net[:, None])[:, 0]
    pattern = choose_pattern(readings.power, residuals)
    sigma = pattern(readings.power)
    spare = max(len(net) - int(np.linalg.matrix_rank(design)), LEAST_SPARE)
    size = max(float(np.sqrt(np.sum((residuals / sigma) ** 2) / spare)), least_size(readings, pattern))
    rng = stream(sampler.seed, "braked")
    sizes = scatter_draws(
        np.full(meters.size - 1, size), np.full(meters.size - 1, spare), rng, active="noise" in sampler.active
    )
    return np.asarray(rng.standard_normal((len(net), meters.size)) * sigma[:, None] * sizes)
