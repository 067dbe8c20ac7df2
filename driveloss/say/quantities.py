"""The table of reported quantities: the unit, the key for scripts, the words and the size for people of each.

A quantity that is added here, and reckoned where an answer is, appears in every table and file that lists them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Any

from driveloss.fit.estimate import Estimate
from driveloss.say.csv_form import spread
from driveloss.say.json_form import quantity
from driveloss.say.numbers import NEGLIGIBLE, PASCAL_PER_BAR, PERCENT, ZERO_CELSIUS, plus_minus


@dataclass(frozen=True)
class Reported:
    """One quantity: its name in draws and records, its unit, the head of its column, and how it is called in words.

    unit: SI, "1" for a ratio. People are shown scale * (value - zero) in the unit `shown` ("" names none).
    """

    key: str
    unit: str
    head: str
    words: str = ""
    shown: str | None = None
    scale: float = 1.0
    zero: float = 0.0
    is_part: bool = False  # of the input: the parts add up to it

    @property
    def json_key(self) -> str:
        """The key for scripts, which ends in the unit.

        >>> QUANTITIES["thermal_resistance"].json_key, QUANTITIES["mean_torque"].json_key
        ('thermal_resistance_K_per_W', 'mean_torque_Nm')
        """
        return self.key if self.unit == "1" else f"{self.key}_{self.unit.replace(' ', '').replace('/', '_per_')}"

    @property
    def unit_for_people(self) -> str:
        """The unit of what `cell` shows; '' for a ratio."""
        return self.shown if self.shown is not None else self.unit.removeprefix("1")

    @property
    def column(self) -> str:
        """The head of its column where columns differ in unit."""
        return f"{self.head} [{self.unit_for_people}]" if self.unit_for_people else self.head

    def cell(self, estimate: Estimate | None) -> str:
        """Value and half-width as people read them."""
        return plus_minus(estimate, self.scale, self.zero)


QUANTITIES = {
    q.key: q
    for q in (
        Reported("input", "W", "Input", "input"),
        Reported("standby", "W", "Standby", "standby", is_part=True),
        Reported("motor", "W", "Motor", "motor", is_part=True),
        Reported("motor_copper", "W", "(Copper)", "copper loss of the motor"),
        Reported("linkage", "W", "Linkage", "linkage", is_part=True),
        Reported("drive", "W", "Drive", "drive (motor and linkage)", is_part=True),  # where these two cannot be told
        Reported("transmission", "W", "Transm.", "transmission", is_part=True),
        Reported("seal", "W", "Seal", "seal friction", is_part=True),
        Reported("pneumatic", "W", "Net", "net pneumatic", is_part=True),
        Reported("efficiency_ceiling", "1", "Ceiling", "efficiency ceiling", "%", PERCENT),
        Reported("aftercooler_heat", "W", "Heat", "heat at the aftercooler"),
        Reported("friction_heat", "W", "of it friction", "friction's part of that heat", shown=""),
        Reported("cooling_ceiling", "W", "Cooling, ideal at most", "cooling ceiling"),
        Reported("subtraction", "W", "At most", "plain difference of input powers, the most that the net can be"),
        Reported("cycle_work_ratio", "1", "Work ratio", "work per cycle over pressure times swept volume"),
        Reported("hot_end", "K", "Hot end", "hot end", "°C", zero=ZERO_CELSIUS),
        Reported("thermal_resistance", "K/W", "R_th", "thermal resistance of the aftercooler"),
        Reported("below_ambient", "K", "Below amb.", "cold end below ambient"),
        Reported("hot_to_cold", "K", "Hot to cold", "hot end above cold end"),
        Reported("below_ambient_per_net", "K/W", "K per W net", "drop below ambient per net power", shown=""),
        Reported("below_ambient_per_input", "K/W", "K per W input", "drop below ambient per input", shown=""),
        Reported("port", "W", "(Port)", "gas pumped through the open port"),
        Reported("total", "W", "Total", "total, without the port"),
        Reported("no_load", "W", "No load", "all friction without load, with the port"),
        Reported("seal_force", "N", "Force", "mean seal friction force"),
        Reported("lip_force", "N/m", "Lip", "friction force per metre of seal lip"),
        Reported("lip_friction", "N/m", "Seal", "friction force per metre of seal lip", "N/m lip"),
        Reported("friction_mean_effective_pressure", "Pa", "FMEP", "friction mean effective pressure", "kPa", 1e-3),
        Reported("share_of_input", "1", "Share", "share of the input", "%", PERCENT),
        Reported("pressure_amplitude", "Pa", "Pressure wave", "pressure amplitude", "bar", 1 / PASCAL_PER_BAR),
        Reported("least_pressure_amplitude", "Pa", "Least", "least amplitude", "bar", 1 / PASCAL_PER_BAR),
        Reported("mean_torque", "N m", "Mean", "mean torque at the motor shaft"),
        Reported("peak_torque", "N m", "Peak", "peak torque at the motor shaft"),
        Reported("mean_current", "A", "Mean", "mean motor current"),
        Reported("peak_current", "A", "Peak", "peak motor current"),
        Reported("mean_torque_margin", "1", "Limit/mean", "torque limit over mean torque"),
        Reported("peak_torque_margin", "1", "Limit/peak", "torque limit over peak torque"),
        Reported("mean_current_margin", "1", "Limit/mean", "current limit over mean current"),
        Reported("net_gain", "W", "Net", "net power gained at the same input"),
        Reported("ceiling_gain", "1", "Ceiling", "efficiency ceiling gained at the same input", "points", PERCENT),
        Reported("heat_gain", "W", "Heat", "heat at the aftercooler gained at the same input"),
        Reported("input_saved", "W", "Input saved", "input saved at the same net power"),
        Reported("peak_current_margin", "1", "Limit/peak", "current limit over peak current"),
    )
}
PLACE_UNITS = {"file": "", "row": "", "cylinder": "", "frequency": "_Hz", "mean_pressure": "_Pa"} | dict.fromkeys(
    ("cold_end_read", "hot_end_read", "coolant_read", "winding_read"), "_K"
)
PARTS = tuple(q.key for q in QUANTITIES.values() if q.is_part)


def reported(record: Any) -> tuple[Reported, ...]:
    """The quantities that a record, or its class, has fields for, in that order."""
    return tuple(QUANTITIES[field.name] for field in fields(record) if field.name in QUANTITIES)


def columns(keys: Iterable[str]) -> tuple[str, ...]:
    """Heads of columns with their units."""
    return tuple(QUANTITIES[key].column for key in keys)


def shown_parts(records: Iterable[Named]) -> tuple[str, ...]:
    """The input and its parts for a table: motor and linkage where they can be told apart, no column of zeros."""
    rows = [record.parts for record in records]
    hidden = {"drive"} if any(row["motor"] for row in rows) else {"motor", "linkage"}
    for key in ("standby", "transmission"):
        hidden |= {key} if all(abs(e.value) < NEGLIGIBLE for row in rows if (e := row[key])) else set()
    return ("input", *(key for key in PARTS if key not in hidden))


@dataclass(frozen=True)
class Named:
    """A record whose quantities are fields; `parts` holds them by name, for tables."""

    @property
    def parts(self) -> dict[str, Estimate | None]:
        """By name, None where not determinable."""
        return {q.key: getattr(self, q.key) for q in reported(self)}

    def cells(self, keys: Iterable[str]) -> tuple[str, ...]:
        """Cells of a table, in the units of `columns`."""
        return tuple(QUANTITIES[key].cell(getattr(self, key)) for key in keys)

    @classmethod
    def _place_names(cls) -> list[str]:
        return [field.name for field in fields(cls) if field.name in PLACE_UNITS]

    def place(self) -> dict[str, Any]:
        """Where it was read, and at which temperatures, by the keys for scripts."""
        return {name + PLACE_UNITS[name]: getattr(self, name) for name in self._place_names()}

    @classmethod
    def csv_columns(cls) -> tuple[str, ...]:
        """The columns of `place` and of `data`."""
        place = (name + PLACE_UNITS[name] for name in cls._place_names())
        return (*place, *spread(*(q.json_key for q in reported(cls))))

    def data(self) -> dict[str, dict[str, float] | None]:
        """The quantities by their keys for scripts."""
        return {q.json_key: quantity(getattr(self, q.key)) for q in reported(self)}
