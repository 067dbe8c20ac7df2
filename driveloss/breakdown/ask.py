"""Every loaded reading split into its parts, with ceilings and the heat at the aftercooler."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from driveloss.bench.records import FloatArray, Sweep
from driveloss.breakdown.temperatures import ceilings_and_ends
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration, growth_beyond
from driveloss.fit.estimate import COVERAGE, Estimate, estimates
from driveloss.fit.motor_loss import Scattered, shaft_power
from driveloss.fit.readings import Readings, gather
from driveloss.losses.ask import shifted
from driveloss.physics import aftercooler, ceilings, ports

PARTS = ("standby", "motor", "linkage", "drive", "transmission", "seal", "pneumatic")
LARGE_DROP = 0.1  # of ambient pressure: beyond it the incompressible orifice law fails

Draws = dict[str, FloatArray | None]


@dataclass(frozen=True)
class Run:
    """One loaded reading. `parts` by name: powers in W, temperatures in K; None where not determinable."""

    file: str
    line: int
    row: int
    cylinder: str
    frequency: float  # [Hz]
    mean_pressure: float  # [Pa]
    parts: dict[str, Estimate | None]
    flags: tuple[str, ...]

    def __getattr__(self, name: str) -> Estimate | None:
        """`run.pneumatic` for `run.parts["pneumatic"]`."""
        try:
            return self.__dict__["parts"][name]
        except KeyError:
            raise AttributeError(name) from None


@dataclass(frozen=True)
class Breakdown:
    """The loaded readings and their parts. `draws` by name: (n, 1 + draws), best estimate first, or None."""

    calibration: Calibration
    readings: Readings
    draws: Draws
    flags: tuple[tuple[str, ...], ...]
    coverage: float = COVERAGE

    @property
    def best_run(self) -> int:
        """Position of the run with the highest net pneumatic power."""
        net = self.draws["pneumatic"]
        assert net is not None
        return int(np.argmax(net[:, 0]))

    @cached_property
    def runs(self) -> tuple[Run, ...]:
        """One entry a loaded reading, in the order of the sweeps."""
        columns = {name: _column(draws, len(self.readings)) for name, draws in self.draws.items()}
        r = self.readings
        return tuple(
            Run(
                str(r.file[i]),
                int(r.line[i]),
                int(r.row[i]),
                str(r.cylinder[i]),
                float(r.frequency[i]),
                float(r.mean_pressure[i]),
                {name: column[i] for name, column in columns.items()},
                self.flags[i],
            )
            for i in range(len(r))
        )


def _column(draws: FloatArray | None, n: int) -> list[Estimate | None]:
    return [None] * n if draws is None else estimates(draws)


def breakdown(calibration: Calibration, sweeps: Iterable[Sweep]) -> Breakdown:
    """Split every loaded reading among `sweeps`.

    Raises InputError where there is none, or where the calibration lacks its cylinder or needs the motor current.
    """
    readings = gather(calibration.rig, sweeps, ("loaded",))
    _check(calibration, readings)
    rng = np.random.default_rng([calibration.seed, 5])
    draws = _split(calibration, readings, rng)
    draws |= _heat(calibration, readings, draws, rng)
    flags = tuple(_flags(calibration, readings, draws, i) for i in range(len(readings)))
    return Breakdown(calibration, readings, draws, flags)


def _check(calibration: Calibration, readings: Readings) -> None:
    if len(readings) == 0:
        raise InputError("bench.toml, [[sweeps]]: no sweep of stage 'loaded', expected at least one to break down")
    for i, name in enumerate(readings.cylinder):
        if name not in calibration.ranges:
            raise InputError(
                f"{readings.where(i)}: cylinder '{name}' has no no-load sweep in the calibration, expected one"
            )
    lacking = np.flatnonzero(~np.isfinite(readings.current))
    if calibration.route == "measured current" and len(lacking):
        raise InputError(
            f"{readings.where(lacking[0])}: no motor current was recorded, "
            "expected a column 'current [A]' as in the calibration"
        )


def _split(calibration: Calibration, readings: Readings, rng: np.random.Generator) -> Draws:
    """The parts of the input power; they add up to it in every draw. [W]"""
    inputs, shape = calibration.inputs, (len(readings), calibration.draws + 1)
    shaft = shaft_power(readings, inputs, calibration.standby, calibration.route, _scatter(calibration, readings, rng))
    misread = _frequency_error(calibration, readings, rng)
    drive, seal, motor = _no_load(calibration, readings, misread)
    load = shaft.power - drive  # what passes through the transmission: the seal's friction and the gas
    return {
        "input": shaft.input,
        "standby": np.broadcast_to(calibration.standby, shape),
        "motor": None if motor is None else motor + shaft.load_loss,
        "motor_copper": shaft.load_loss if calibration.route in ("measured current", "motor constants") else None,
        "linkage": None if motor is None else drive - motor,
        "drive": drive + shaft.load_loss,
        "transmission": (1 - inputs.efficiency) * load,
        "seal": seal,
        "pneumatic": inputs.efficiency * load - seal,
    }


def _scatter(calibration: Calibration, readings: Readings, rng: np.random.Generator) -> Scattered:
    """Each run's own chance deviation, as large as the ladder's readings scatter."""
    shape = (len(readings), calibration.draws + 1)
    size = calibration.scatter(readings.power)
    size = size * growth_beyond(readings.frequency, calibration.drive_range)[:, None]  # its growth is extrapolated too
    power = rng.standard_normal(shape) * size
    if calibration.route == "incremental":  # the scatter was found on the shaft's side
        power = power / calibration.inputs.incremental_efficiency
    relative = power / readings.power[:, None]
    by_product = np.isfinite(readings.voltage)[:, None]  # the same ammeter then makes both deviate
    own = rng.standard_normal(shape) * size / readings.power[:, None]
    return Scattered(power, np.where(by_product, relative, own))


def _no_load(
    calibration: Calibration, readings: Readings, misread: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Drive, seal and (where known) motor loss at each reading, (n, 1 + draws), moved by the misread frequency. [W]"""
    drive = shifted(calibration.drive, readings.frequency, misread)
    seal = shifted(lambda f: _seal(calibration, readings, f), readings.frequency, misread)
    assert drive is not None and seal is not None
    return drive, seal, shifted(calibration.motor, readings.frequency, misread)


def _seal(calibration: Calibration, readings: Readings, frequency: FloatArray) -> FloatArray:
    friction = np.empty((len(readings), calibration.draws + 1))
    for name in np.unique(readings.cylinder):
        mine = readings.cylinder == name
        friction[mine] = calibration.seal(str(name), frequency[mine], readings.mean_pressure[mine])
    return friction


def _frequency_error(calibration: Calibration, readings: Readings, rng: np.random.Generator) -> FloatArray:
    """Each run's own misreading of frequency, (n, 1 + draws). [Hz]

    An error common to all readings cancels between a curve and a run read on the same meter, so the limits
    of error are drawn for each run by itself.
    """
    limits = calibration.rig.meter.frequency
    shape = (len(readings), calibration.draws + 1)
    size = limits.gain * readings.frequency[:, None] + limits.zero
    if np.ptp(calibration.inputs.frequency_gain) == 0 and np.ptp(calibration.inputs.frequency_zero) == 0:
        return np.zeros(shape)  # this source of error is switched off
    error = (2 * rng.random(shape) - 1) * size
    error[:, 0] = 0.0
    return error


def _heat(calibration: Calibration, readings: Readings, parts: Draws, rng: np.random.Generator) -> Draws:
    """Ceilings, aftercooler heat, cycle work and the temperatures of the ends."""
    inputs, pneumatic, seal = calibration.inputs, parts["pneumatic"], parts["seal"]
    assert pneumatic is not None and seal is not None
    heat = aftercooler.aftercooler_heat(pneumatic, seal, inputs.seal_heat_share)
    frequency = readings.frequency[:, None] * inputs.frequency_gain + inputs.frequency_zero
    pressure = readings.mean_pressure[:, None] * inputs.pressure_gain + inputs.pressure_zero
    bore, stroke = (_by_cylinder(calibration, readings, key) for key in ("bore", "stroke"))
    return {
        "efficiency_ceiling": ceilings.efficiency_ceiling(pneumatic, parts["input"]),
        "aftercooler_heat": heat,
        "friction_heat": inputs.seal_heat_share * seal,
        "cycle_work_ratio": ceilings.cycle_work_ratio(pneumatic, frequency, pressure, bore, stroke),
        **ceilings_and_ends(calibration, readings, pneumatic, heat, rng),
    }


def _by_cylinder(calibration: Calibration, readings: Readings, key: str) -> FloatArray:
    """A dimension of each reading's cylinder, (n, 1 + draws)."""
    return np.array([calibration.inputs.cylinders[name][key] for name in readings.cylinder])


def _flags(calibration: Calibration, readings: Readings, draws: Draws, i: int) -> tuple[str, ...]:
    rig, name = calibration.rig, str(readings.cylinder[i])
    pneumatic, has_hot = draws["pneumatic"], np.isfinite(readings.hot_end[i])
    assert pneumatic is not None
    copper = draws["motor_copper"] is not None
    cooling, wants_ceiling = draws["cooling_ceiling"], rig.cycle != "none"
    has_cold = np.isfinite(readings.cold_end[i])
    tests = {
        "extrapolated": calibration.is_extrapolated(float(readings.frequency[i]), name),
        "load-loss-unknown": calibration.route == "unknown",
        "winding-temperature-assumed": copper and not np.isfinite(readings.winding[i]),
        "port-loss-unknown": rig.cylinders[name].open_port_diameter is None,
        "port-drop-large": port_drop_is_large(calibration, name),
        "pressure-not-calibrated": not calibration.pressure_is_known(name, float(readings.mean_pressure[i])),
        "negative-pneumatic": bool(pneumatic[i, 0] < 0),
        "hot-end-assumed": wants_ceiling and not has_hot and rig.aftercooler.thermal_resistance is None,
        "cold-end-missing": wants_ceiling and not has_cold,
        "not-cooling": bool(has_cold and cooling is not None and not np.isfinite(cooling[i]).all()),
    }
    return tuple(code for code, holds in tests.items() if holds)


def port_drop_is_large(calibration: Calibration, name: str) -> bool:
    """Whether the open port's peak drop passed 10 % of ambient somewhere in a cylinder's no-load sweeps."""
    rig, span = calibration.rig, calibration.ranges[name]
    cylinder = rig.cylinders[name]
    if cylinder.open_port_diameter is None:
        return False
    from driveloss.fit.laws import rod_ratio
    from driveloss.physics.gas import gas_density

    density = gas_density(cylinder.gas, span.pressures[-1], rig.ambient_temperature.value)
    drop = ports.peak_port_drop(
        span.high,
        cylinder.bore.value,
        cylinder.stroke.value,
        rod_ratio(rig, cylinder),
        cylinder.open_port_diameter.value,
        cylinder.discharge_coefficient.value,
        density,
    )
    return bool(drop > LARGE_DROP * rig.ambient_pressure.value)
