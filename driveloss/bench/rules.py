"""What each key of bench.toml and each column of a sweep file measures, and the range that is believable."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of quantity: its name, SI unit ("" = pure number), an example, and its range in that unit."""

    name: str
    unit: str
    example: str
    low: float = 0.0
    high: float = inf
    hint: str = ""  # what may have gone wrong when a value lies outside the range

    @property
    def is_temperature(self) -> bool:
        """Offsets matter: 20 degC is 293.15 K, but a limit of 1 degC is 1 K."""
        return self.unit == "K"

    @property
    def is_pressure(self) -> bool:
        """May be written as gauge pressure."""
        return self.unit == "Pa"

    @property
    def is_frequency(self) -> bool:
        """Counted in revolutions per second, whatever pint makes of radians."""
        return self.unit == "Hz"


# Ranges are wide on purpose: they catch a wrong unit, not an unusual machine.
KEY_KINDS = {
    "ambient_temperature": Kind("temperature", "K", "21 degC", 220, 340, "was it in degF?"),
    "ambient_pressure": Kind("pressure", "Pa", "1.013 bar", 2e4, 2e5, "was it in mbar?"),
    "winding_resistance": Kind("resistance", "ohm", "0.42 ohm", 1e-4, 1e4, "was it in mohm?"),
    "winding_temperature": Kind("temperature", "K", "20 degC", 220, 520, "was it in degF?"),
    "torque_constant": Kind("torque per current", "N*m/A", "0.061 N*m/A", 1e-5, 100, "was it in mN*m/A?"),
    "current_form_factor": Kind("ratio", "", "1.0", 1, 5, "rms over mean cannot be less than 1"),
    "incremental_efficiency": Kind("ratio", "", "0.8", 0.05, 1, "was it in percent?"),
    "peak_torque": Kind("torque", "N*m", "1.2 N*m", 1e-4, 1e5, "was it in mN*m?"),
    "current_limit": Kind("current", "A", "12 A", 1e-3, 1e4, "was it in mA?"),
    "ratio": Kind("ratio", "", "3.0", 0.01, 1000, "motor revolutions per crank revolution"),
    "efficiency": Kind("ratio", "", "0.95", 0.05, 1, "was it in percent?"),
    "rod_length": Kind("length", "m", "95 mm", 1e-3, 5, "was it in mm?"),
    "bore": Kind("length", "m", "32 mm", 1e-3, 1, "was it in mm?"),
    "stroke": Kind("length", "m", "36 mm", 1e-4, 1, "was it in mm?"),
    "back_pressure": Kind("pressure", "Pa", "1.013 bar", 1, 1e8, "was it in bar?"),
    "open_port_diameter": Kind("length", "m", "8 mm", 1e-4, 1, "was it in mm?"),
    "discharge_coefficient": Kind("ratio", "", "0.62", 0.1, 1, "was it in percent?"),
    "pressure_friction": Kind("force per pressure", "N/Pa", "0.7 N/bar", 0, 1e-2, "was it in N/bar?"),
    "seal_heat_share": Kind("ratio", "", "1.0", 0, 1, "was it in percent?"),
    "thermal_resistance": Kind("temperature rise per power", "K/W", "0.35 K/W", 1e-6, 1e3, "was it in mK/W?"),
    "mean_pressure": Kind("pressure", "Pa", "2 bar", 1e3, 1e8, "was it in bar?"),
}

METER_KINDS = {
    "power": Kind("power", "W", "0.5 % + 0.1 W"),
    "frequency": Kind("frequency", "Hz", "0.02 Hz"),
    "voltage": Kind("voltage", "V", "0.2 % + 0.01 V"),
    "current": Kind("current", "A", "0.5 % + 0.01 A"),
    "pressure": Kind("pressure", "Pa", "0.5 % + 10 mbar"),
    "temperature": Kind("temperature", "K", "1.5 K"),
}

_TEMPERATURE = Kind("temperature", "K", "degC", 0, 2000, "which unit was it in?")

# frequency and speed are two names of one quantity: revolutions of the crank per second.
COLUMN_KINDS = {
    "frequency": Kind("frequency", "Hz", "Hz", 0, 1000, "was it in rpm?"),
    "speed": Kind("frequency", "Hz", "rpm", 0, 1000, "which unit was it in?"),
    "power": Kind("power", "W", "W", 0, 1e7, "was it in mW?"),
    "voltage": Kind("voltage", "V", "V", 0, 1e5, "was it in mV?"),
    "current": Kind("current", "A", "A", 0, 1e5, "was it in mA?"),
    "mean pressure": Kind("pressure", "Pa", "bar", 0, 1e8, "was it in Pa or mbar?"),
    "winding": _TEMPERATURE,
    "cold end": _TEMPERATURE,
    "hot end": _TEMPERATURE,
    "coolant": _TEMPERATURE,
}
