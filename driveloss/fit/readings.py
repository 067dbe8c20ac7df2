"""Readings of several sweeps laid end to end, one row a reading."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import AMBIENT_STAGES, STAGES, FloatArray, Rig, Sweep

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
    typed: NDArray[np.str_]  # the same as messages call it: "450 rpm" where the file has it so
    power: FloatArray  # [W]
    voltage: FloatArray  # [V] as read, where power is the product of volts and amperes; nan elsewhere
    bus_current: FloatArray  # [A] as read beside it: at the motor's terminals, or on the bus before a controller
    current: FloatArray  # [A] of the motor
    torque: FloatArray  # [N m] of a brake at the crank
    brake_force: FloatArray  # [N]
    winding: FloatArray  # [K]
    mean_pressure: FloatArray  # [Pa]
    pressure_amplitude: FloatArray  # [Pa] half of peak to peak
    cold_end: FloatArray  # [K]
    hot_end: FloatArray  # [K]
    coolant: FloatArray  # [K]
    cold_end_drift: FloatArray  # [K/s] when it was read, as stated
    hot_end_drift: FloatArray  # [K/s]
    settling_time: FloatArray  # [s] since the setting was changed
    resolution: FloatArray  # [W] of the power reading
    power_scatter: FloatArray  # [W] standard deviation of that reading, as a log tells it

    def __len__(self) -> int:
        return len(self.frequency)

    def only(self, mask: NDArray[np.bool_] | NDArray[np.int64] | slice) -> Readings:
        """The readings where mask, shape (n,), is true, or at those places; of a slice they share the memory."""
        return Readings(*(getattr(self, name)[mask] for name in self.__dataclass_fields__))

    def where(self, index: int) -> str:
        """File and line of one reading, for messages."""
        return f"{self.file[index]}, line {self.line[index]}"


def joined(*groups: Readings) -> Readings:
    """Readings of several groups, one after the other."""
    names = [item.name for item in fields(Readings)]
    return Readings(**{name: np.concatenate([getattr(group, name) for group in groups]) for name in names})


def gather(rig: Rig, sweeps: Iterable[Sweep], stages: tuple[str, ...]) -> Readings:
    """Readings of every sweep whose stage is among `stages`, in the order of the sweeps."""
    parts = [_columns(rig, sweep) for sweep in sweeps if sweep.stage in stages]
    names = [item.name for item in fields(Readings)]
    words = ("file", "stage", "cylinder", "typed")
    empty = {name: np.array([], dtype=str if name in words else float) for name in names}
    return Readings(**{name: _end_to_end([p[name] for p in parts]) if parts else empty[name] for name in names})


def _end_to_end(columns: list[NDArray[Any]]) -> NDArray[Any]:
    """Columns one after the other; those of one value throughout take no memory."""
    is_one = all(column.strides == (0,) for column in columns) and len({one[:1].tobytes() for one in columns}) == 1
    return np.broadcast_to(columns[0][:1], sum(map(len, columns))) if is_one else np.concatenate(columns)


def _columns(rig: Rig, sweep: Sweep) -> dict[str, NDArray[Any]]:
    """One sweep as the columns of `Readings`: the sweep's own by their names, and what follows from it."""
    is_product = sweep.from_volts_and_amps
    own = [item.name for item in fields(Readings) if hasattr(sweep, item.name)]
    found: dict[str, Any] = {name: getattr(sweep, name) for name in own}
    found |= {
        "row": np.arange(1, len(sweep) + 1),
        "cylinder": sweep.cylinder or "",
        "voltage": sweep.voltage if is_product else None,
        "bus_current": sweep.current if is_product else None,
        "current": sweep.current if rig.motor.supply == "terminals" else None,
        "resolution": sweep.power_resolution,
        "typed": sweep.typed if len(sweep.typed) == len(sweep) else [f"{hertz:g} Hz" for hertz in sweep.frequency],
    }
    if found["mean_pressure"] is None and sweep.stage in AMBIENT_STAGES:
        found["mean_pressure"] = rig.ambient_pressure.value
    return {name: np.broadcast_to(np.nan if value is None else value, len(sweep)) for name, value in found.items()}


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


@dataclass(frozen=True)
class Rung:
    """One step of the ladder: what turns, of which cylinder and at which mean pressure [Pa]."""

    stage: str
    cylinder: str | None = None
    mean_pressure: float | None = None

    @property
    def lines(self) -> tuple[str, ...]:
        """Stage and cylinder, then the pressure where it has one."""
        if self.cylinder is None or self.mean_pressure is None:
            return (self.stage,)
        return f"{self.stage} '{self.cylinder}'", f"{self.mean_pressure / 1e5:.4g} bar"

    def __str__(self) -> str:
        return " at ".join(self.lines)


def by_rung(readings: Readings) -> list[tuple[Rung, NDArray[np.int64]]]:
    """Rungs and the places of their readings: in the order of the ladder, cylinders as they come, rising pressure."""
    found = []
    for stage in STAGES:
        for cylinder in dict.fromkeys(readings.cylinder[readings.stage == stage].tolist()):
            rows = np.flatnonzero((readings.stage == stage) & (readings.cylinder == cylinder))
            groups = pressure_groups(readings.mean_pressure[rows]) if cylinder else np.zeros(len(rows), dtype=np.int64)
            for mine in (rows[groups == number] for number in range(groups.max() + 1)):
                at = float(readings.mean_pressure[mine].mean()) if cylinder else None
                found.append((Rung(stage, cylinder or None, at), mine))
    return found
