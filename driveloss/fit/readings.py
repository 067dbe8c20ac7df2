"""Readings of several sweeps laid end to end, one row a reading."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray, Rig, Sweep

SAME_PRESSURE = 0.03  # pressures closer than this fraction belong to one group of readings


@dataclass(frozen=True)
class Readings:
    """Columns of shape (n,), SI units; what was not recorded is nan."""

    file: NDArray[np.str_]
    line: NDArray[np.int64]
    row: NDArray[np.int64]  # 1 = first data row of its file
    stage: NDArray[np.str_]
    cylinder: NDArray[np.str_]  # '' where the stage has none
    frequency: FloatArray  # [Hz]
    power: FloatArray  # [W]
    voltage: FloatArray  # [V], nan unless power is the product of volts and amperes
    current: FloatArray  # [A] of the motor
    winding: FloatArray  # [K]
    mean_pressure: FloatArray  # [Pa]
    cold_end: FloatArray  # [K]
    hot_end: FloatArray  # [K]
    coolant: FloatArray  # [K]
    resolution: FloatArray  # [W] of the power reading

    def __len__(self) -> int:
        return len(self.frequency)

    def only(self, mask: NDArray[np.bool_]) -> Readings:
        """The readings where mask, shape (n,), is true."""
        return Readings(*(getattr(self, name)[mask] for name in self.__dataclass_fields__))

    def where(self, index: int) -> str:
        """File and line of one reading, for messages."""
        return f"{self.file[index]}, line {self.line[index]}"


def gather(rig: Rig, sweeps: Iterable[Sweep], stages: tuple[str, ...]) -> Readings:
    """Readings of every sweep whose stage is among `stages`, in the order of the sweeps."""
    chosen = [sweep for sweep in sweeps if sweep.stage in stages]
    parts = [_columns(rig, sweep) for sweep in chosen]
    names = list(Readings.__dataclass_fields__)
    empty = {name: np.array([], dtype=str if name in ("file", "stage", "cylinder") else float) for name in names}
    return Readings(**{name: np.concatenate([p[name] for p in parts]) if parts else empty[name] for name in names})


def _columns(rig: Rig, sweep: Sweep) -> dict[str, NDArray]:
    """One sweep as the columns of `Readings`."""
    n = len(sweep)

    def filled(values: FloatArray | None) -> FloatArray:
        return np.full(n, np.nan) if values is None else values

    motor_current = sweep.current if rig.motor.supply == "terminals" else None
    pressure = sweep.mean_pressure
    if pressure is None and sweep.stage == "no-load":  # open ports: the cylinder is at ambient
        pressure = np.full(n, rig.ambient_pressure.value)
    return {
        "file": np.full(n, sweep.file),
        "line": sweep.line,
        "row": np.arange(1, n + 1),
        "stage": np.full(n, sweep.stage),
        "cylinder": np.full(n, sweep.cylinder or ""),
        "frequency": sweep.frequency,
        "power": sweep.power,
        "voltage": filled(sweep.voltage if sweep.from_volts_and_amps else None),
        "current": filled(motor_current),
        "winding": filled(sweep.winding),
        "mean_pressure": filled(pressure),
        "cold_end": filled(sweep.cold_end),
        "hot_end": filled(sweep.hot_end),
        "coolant": filled(sweep.coolant),
        "resolution": np.full(n, sweep.power_resolution),
    }


def pressure_groups(pressure: FloatArray) -> NDArray[np.int64]:
    """Number the groups of equal mean pressure, shape (n,): sorted, a gap above 3 % starts a new group.

    >>> pressure_groups(np.array([1.0e5, 2.4e5, 1.01e5])).tolist()
    [0, 1, 0]
    """
    order = np.argsort(pressure, kind="stable")
    steps = np.diff(pressure[order]) > SAME_PRESSURE * pressure[order][:-1]
    groups = np.empty(len(pressure), dtype=np.int64)
    groups[order] = np.concatenate([[0], np.cumsum(steps)]) if len(pressure) else []
    return groups
