"""Fitted curves with their draws, asked for one part at a time; both families answer the same questions."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from driveloss.bench.records import FloatArray, Rig
from driveloss.fit.laws import Term, shape


@dataclass(frozen=True)
class PhysicalCurves:
    """Coefficients of the joint fit: `coefficients` has shape (terms, 1 + draws), best estimate first."""

    rig: Rig
    terms: tuple[Term, ...]
    coefficients: FloatArray

    @property
    def has_motor(self) -> bool:
        """Whether motor and linkage are told apart."""
        return any(term.part == "motor" for term in self.terms)

    def idle(self) -> FloatArray:
        """Fitted idle power, shape (1 + draws,). [W]"""
        return np.asarray(self._sum("idle", None, np.zeros(1), np.zeros(1))[0])

    def motor(self, frequency: FloatArray) -> FloatArray:
        """Motor loss that does not grow with load, shape (m, 1 + draws). [W]"""
        return self._sum("motor", None, frequency, np.zeros_like(frequency))

    def drive(self, frequency: FloatArray) -> FloatArray:
        """Motor and linkage together, shape (m, 1 + draws). [W]"""
        zero = np.zeros_like(frequency)
        return sum((self._sum(part, None, frequency, zero) for part in ("motor", "linkage", "drive")), np.zeros(1))

    def seal(self, cylinder: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
        """Seal friction at frequency [Hz] and mean pressure [Pa], shape (m,) each -> (m, 1 + draws). [W]"""
        return self._sum("seal", cylinder, frequency, pressure)

    def as_stated(self) -> PhysicalCurves:
        """The first column alone."""
        return replace(self, coefficients=self.coefficients[:, :1])

    def _sum(self, part: str, cylinder: str | None, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
        mine = [i for i, term in enumerate(self.terms) if term.part == part and term.cylinder == cylinder]
        mine = [i for i in mine if self.coefficients[i].any()]
        shapes = [shape(self.rig, self.terms[i], frequency, pressure) for i in mine]
        if not mine:
            return np.zeros((len(frequency), self.coefficients.shape[1]))
        return np.asarray(np.array(shapes).T @ self.coefficients[mine])


@dataclass(frozen=True)
class SweepCurve:
    """One sweep's polynomial in the frequency scaled to [-1, 1] over `low` to `high` [Hz] (Legendre basis)."""

    stage: str
    cylinder: str | None
    mean_pressure: float  # [Pa], zero for stages without a cylinder
    low: float
    high: float
    coefficients: FloatArray  # (degree + 1, 1 + draws) [W]

    def __call__(self, frequency: FloatArray) -> FloatArray:
        """Power at frequency (m,): (m, 1 + draws). [W]"""
        design = legendre_design(frequency, self.low, self.high, len(self.coefficients) - 1)
        return design @ self.coefficients


@dataclass(frozen=True)
class PolynomialCurves:
    """A polynomial for each sweep; a part is the difference between two rungs and may come out negative."""

    sweeps: tuple[SweepCurve, ...]

    @property
    def has_motor(self) -> bool:
        """Whether motor and linkage are told apart."""
        return any(curve.stage == "motor-alone" for curve in self.sweeps)

    def motor(self, frequency: FloatArray) -> FloatArray:
        """The motor-alone sweep, shape (m, 1 + draws). [W]"""
        return self._rung("motor-alone", None)[0](frequency)

    def drive(self, frequency: FloatArray) -> FloatArray:
        """The piston-disconnected sweep, shape (m, 1 + draws). [W]"""
        return self._rung("piston-disconnected", None)[0](frequency)

    def seal(self, cylinder: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
        """No-load less drive; between two no-load pressures linear in pressure, outside them the nearest. [W]"""
        curves = self._rung("no-load", cylinder)
        at = np.array([curve.mean_pressure for curve in curves])
        values = np.array([curve(frequency) for curve in curves])  # (pressures, m, 1 + draws)
        if len(curves) == 1:
            return np.asarray(values[0] - self.drive(frequency))
        upper = np.clip(np.searchsorted(at, pressure), 1, len(at) - 1)
        share = np.clip((pressure - at[upper - 1]) / (at[upper] - at[upper - 1]), 0.0, 1.0)[:, None]
        row = np.arange(len(frequency))
        return np.asarray((1 - share) * values[upper - 1, row] + share * values[upper, row] - self.drive(frequency))

    def as_stated(self) -> PolynomialCurves:
        """The first column alone."""
        return PolynomialCurves(tuple(replace(one, coefficients=one.coefficients[:, :1]) for one in self.sweeps))

    def _rung(self, stage: str, cylinder: str | None) -> list[SweepCurve]:
        found = [curve for curve in self.sweeps if (curve.stage, curve.cylinder) == (stage, cylinder)]
        return sorted(found, key=lambda curve: curve.mean_pressure)


Curves = PhysicalCurves | PolynomialCurves


def legendre_design(frequency: FloatArray, low: float, high: float, degree: int) -> FloatArray:
    """Legendre polynomials of the scaled frequency, shape (m, degree + 1)."""
    middle, half = (low + high) / 2, (high - low) / 2 or 1.0
    return np.asarray(np.polynomial.legendre.legvander((frequency - middle) / half, degree), dtype=np.float64)
