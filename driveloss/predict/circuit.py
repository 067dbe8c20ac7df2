"""How the work of a cycle goes with the swept volume: what a gas circuit does with a larger or smaller piston."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray, Rig
from driveloss.fit.assumptions import COMMON, Assumption
from driveloss.fit.meters import strata
from driveloss.predict import SCALED


def _exponent(low: float, high: float, best: float) -> Assumption:
    return Assumption(
        "--circuit",
        "work of a larger piston",
        low,
        high,
        "net power either way, the more the swept volume differs",
        "run it loaded, or read the pressure's swing",
        unit="power of the swept volume",
        value=best,
        source=COMMON + "; the limits hold lumped circuits of volumes and resistances",
    )


# Linear resistances and gas springs give 2. Turbulent flow gives more where most of the gas goes through, less where
# most of it is squeezed; a cylinder's own gas springs too, and takes some. A displacer makes part of the pressure.
PASSIVE, WITH_DISPLACER = _exponent(1.4, 2.4, 1.9), _exponent(0.8, 2.4, 1.5)


def exponent_of(rig: Rig) -> Assumption:
    """By the kind of cycle; one that is not stated may have a displacer."""
    return PASSIVE if rig.cycle == "pulse-tube" else WITH_DISPLACER


@dataclass(frozen=True)
class Circuit:
    """One way that work goes with swept volume."""

    exponent: FloatArray  # (1 + draws,)
    spread: float  # assumed relative standard deviation between cylinders beyond it

    def growth(self, volumes: FloatArray) -> FloatArray:
        """Factor on the cycle work ratio where the swept volume is so many times the measured, (1 + draws,)."""
        return np.asarray(volumes ** (self.exponent - 1))


# Assumed, no published source: standard deviation of the cycle work ratio between cylinders.
SAME_CIRCUIT_SPREAD = 0.05  # what leaks past other seals and stays in other clearances
SCALED_CIRCUIT_SPREAD = 0.15  # no circuit is quite a larger copy of another


def circuit_of(kind: str, rig: Rig, rng: np.random.Generator, size: int) -> Circuit:
    """One of CIRCUITS on a rig, with an exponent drawn `size` - 1 times."""
    if kind == SCALED:
        return Circuit(np.ones(size), SCALED_CIRCUIT_SPREAD)
    row = exponent_of(rig)
    drawn = row.low + (row.high - row.low) * strata(rng, size - 1)
    return Circuit(np.concatenate([[row.best], drawn]), SAME_CIRCUIT_SPREAD)
