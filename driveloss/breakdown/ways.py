"""Second ways to a watt that the ladder tells, too: what each says of one part at one place."""

from __future__ import annotations

from dataclasses import dataclass

from driveloss.bench.records import FloatArray


@dataclass(frozen=True)
class Way:
    """One part of the power at one place by the ladder and by another witness, (1 + draws,) each. [W]"""

    witness: str
    part: str  # its name in say/quantities
    cylinder: str | None
    frequency: float  # [Hz]
    mean_pressure: float | None  # [Pa]
    by_ladder: FloatArray
    by_witness: FloatArray
    phase: float | None = None  # [rad] by which the pressure peaks before top dead centre, where that was recorded

    @property
    def apart(self) -> FloatArray:
        """By how much the ladder says more, (1 + draws,). [W]"""
        return self.by_ladder - self.by_witness
