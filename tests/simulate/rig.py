"""Readings of a simulated bench: the true machine seen through imperfect instruments, written as files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from simulate.bench_toml import bench_toml
from simulate.machine import (
    CELSIUS,
    FloatArray,
    Truth,
    blanked_power,
    blanked_pressure,
    blanked_turn,
    electrical,
    loaded_parts,
    loaded_turn,
    no_load_losses,
    open_turn,
    port_power,
    pressure_amplitude,
    ripple_factor,
)
from simulate.recording import PlannedRecording, recording_text
from simulate.rundown import PlannedRundown, rundown_text

BAR = 1e5


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of error as bench.toml states them; true errors are drawn evenly between them.

    power_gain and the like are fractions; zeros are in the reading's unit; geometry limits in metres.
    """

    power_gain: float = 0.0
    power_zero: float = 0.0  # [W]
    frequency: float = 0.0  # [Hz]
    voltage_gain: float = 0.0
    current_gain: float = 0.0
    resistance: float = 0.0  # fraction
    torque_constant: float = 0.0  # fraction
    transmission_efficiency: float = 0.0  # absolute
    port_diameter: float = 0.0  # fraction
    discharge_coefficient: float = 0.0  # fraction
    bore: float = 0.0  # [m]
    stroke: float = 0.0  # [m]
    form_factor: float = 0.0  # absolute
    brush_drop: float = 0.0  # [V]
    controller_efficiency: float = 0.0  # absolute
    pin_friction: float = 0.0  # fraction
    torque_gain: float = 0.0  # of a brake's
    closed_volume: float = 0.0  # fraction


@dataclass(frozen=True, slots=True)
class PlannedSweep:
    """One file: what turns, and at which frequencies it is read."""

    stage: str
    frequencies: tuple[float, ...]  # [Hz] set points of the crank, in the order of reading
    file: str
    cylinder: str | None = None
    pressure: float | None = None  # [Pa]
    delimiter: str = ","
    remarks: tuple[str, ...] = ()  # comment lines at the top of the file
    notes: tuple[tuple[int, str], ...] = ()  # (row, text) for a note column; row 1 = first
    torques: tuple[float, ...] = ()  # [N m] of a brake at the crank, one a reading


@dataclass(frozen=True, slots=True)
class Slip:
    """A mistake in writing down: the power of one reading, or of a whole sweep, is off by a factor."""

    file: str
    row: int | None  # 1 = first data row; None = all
    factor: float


@dataclass(frozen=True, slots=True)
class Protocol:
    """How the bench is read and what its bench.toml tells."""

    sweeps: tuple[PlannedSweep, ...]
    title: str = "Simulated bench"
    remarks: tuple[str, ...] = ()  # comment lines at the top of bench.toml
    limits: Limits = Limits()
    noise_floor: float = 0.0  # [W] standard deviation of a power reading ...
    noise_share: float = 0.0  # ... joined in quadrature by this fraction of it
    frequency_jitter: float = 0.0  # [Hz] standard deviation of each frequency reading
    set_point_scatter: float = 0.0  # [Hz] standard deviation of the true frequency about its set point
    pressure_scatter: float = 0.0  # fraction by which the true pressure misses its set point
    pressure_column: bool = False
    winding_column: bool = False
    temperature_columns: bool = False  # cold end, hot end and coolant, on loaded runs
    electric_columns: str = "power"  # or "power+current" or "volts-amps"
    speed_column: bool = False  # speed [rpm] instead of frequency [Hz]
    power_digits: int = 2  # decimals written
    frequency_digits: int = 3
    states_motor: str = "constants"  # or "incremental" or "nothing"
    states_port: bool = True
    cold_depth: float = 40.0  # [K] below coolant where the cold end gets at the sweep's strongest run
    thermometer_noise: float = 0.0  # [K] standard deviation
    amplitude_column: bool = False  # of the pressure wave, on loaded runs
    motor_speed_column: bool = False
    leaves_out: frozenset[str] = frozenset()  # keys not stated, as "motor.brush_drop"
    meter_curve: float = 0.0  # share of the meter's gain limit that is a smooth unknown function of the reading
    slips: tuple[Slip, ...] = ()
    recordings: tuple[PlannedRecording, ...] = ()
    rundowns: tuple[PlannedRundown, ...] = ()


@dataclass(frozen=True, slots=True)
class Errors:
    """The instruments' true errors, common to all readings of a bench."""

    power_gain: float
    power_zero: float  # [W]
    frequency: float  # [Hz]
    voltage_gain: float
    current_gain: float


@dataclass(frozen=True)
class Answer:
    """What a perfect analysis of the bench would say."""

    truth: Truth
    stated: Truth  # what bench.toml says instead
    protocol: Protocol
    errors: Errors
    runs: tuple[dict, ...]  # loaded readings: keys as in `breakdown --json`, at true frequency
    true_frequency: dict[str, FloatArray] = field(default_factory=dict)  # [Hz] by file
    true_input: dict[str, FloatArray] = field(default_factory=dict)  # [W] by file

    def run(self, file: str, row: int) -> dict:
        """The true split of one loaded reading; row 1 is the first data row."""
        return next(run for run in self.runs if (run["file"], run["row"]) == (file, row))

    def no_load(self, cylinder: str | None, frequency, pressure=None) -> Mapping[str, FloatArray]:
        """True no-load losses [W] at any frequency [Hz] and pressure [Pa]; keys as in `losses --json`."""
        return no_load_losses(self.truth, cylinder, frequency, pressure)


def in_order(frequencies: Sequence[float], repeats: int, up_and_down: bool) -> tuple[float, ...]:
    """Set points repeated pass after pass, every second pass downwards if wished.

    >>> in_order((2.0, 3.0), 2, up_and_down=True)
    (2.0, 3.0, 3.0, 2.0)
    """
    up = tuple(frequencies)
    passes = [up[::-1] if up_and_down and number % 2 else up for number in range(repeats)]
    return tuple(f for one_pass in passes for f in one_pass)


def ladder(
    truth: Truth,
    frequencies: Sequence[float],
    pressures: Sequence[float] = (101325.0,),
    *,
    repeats: int = 1,
    up_and_down: bool = True,
    motor_alone: bool = True,
    standby: int = 0,
) -> tuple[PlannedSweep, ...]:
    """The whole tear-down, the same set points in every sweep; `standby` is its number of readings."""
    points = in_order(frequencies, repeats, up_and_down)
    sweeps = [PlannedSweep("standby", (0.0,) * standby, "standby.csv")] if standby else []
    if motor_alone:
        sweeps.append(PlannedSweep("motor-alone", points, "motor-alone.csv"))
    sweeps.append(PlannedSweep("piston-disconnected", points, "piston-disconnected.csv"))
    for stage in ("no-load", "loaded"):
        for cylinder in truth.cylinders:
            for number, pressure in enumerate(pressures, 1):
                file = f"{cylinder.name}-{stage}-{number}.csv"
                sweeps.append(PlannedSweep(stage, points, file, cylinder.name, pressure))
    return tuple(sweeps)


def perturb(truth: Truth, limits: Limits, rng: np.random.Generator) -> Truth:
    """A bench within `limits` of the given one: true from stated, or stated from true."""

    def times(value, share):
        return None if value is None else value * (1 + share * rng.uniform(-1, 1))

    def plus(value, limit):
        return value + limit * rng.uniform(-1, 1)

    motor = replace(
        truth.motor,
        resistance=times(truth.motor.resistance, limits.resistance),
        torque_constant=times(truth.motor.torque_constant, limits.torque_constant),
    )
    cylinders = tuple(
        replace(
            cylinder,
            bore=plus(cylinder.bore, limits.bore),
            stroke=plus(cylinder.stroke, limits.stroke),
            port_diameter=times(cylinder.port_diameter, limits.port_diameter),
            discharge_coefficient=times(cylinder.discharge_coefficient, limits.discharge_coefficient),
        )
        for cylinder in truth.cylinders
    )
    efficiency = min(1.0, plus(truth.transmission_efficiency, limits.transmission_efficiency))
    moved = replace(truth, motor=motor, cylinders=cylinders, transmission_efficiency=efficiency)
    return perturb_effects(moved, limits, rng)


def perturb_effects(truth: Truth, limits: Limits, rng: np.random.Generator) -> Truth:
    """The same for what only ordinary benches have; draws nothing where no limits are given."""

    def off(limit: float) -> float:
        return limit * rng.uniform(-1, 1) if limit else 0.0

    motor = replace(truth.motor, form_factor=max(1.0, truth.motor.form_factor + off(limits.form_factor)))
    pins = truth.effects.pins
    effects = replace(
        truth.effects,
        brush_drop=truth.effects.brush_drop + off(limits.brush_drop),
        controller_efficiency=min(1.0, truth.effects.controller_efficiency + off(limits.controller_efficiency)),
        closed_volume=truth.effects.closed_volume * (1 + off(limits.closed_volume)),
        pins=pins and replace(pins, mu=pins.mu * (1 + off(limits.pin_friction))),
    )
    return replace(truth, motor=motor, effects=effects)


def draw_errors(limits: Limits, rng: np.random.Generator) -> Errors:
    draw = rng.uniform(-1, 1, 5)
    sizes = (limits.power_gain, limits.power_zero, limits.frequency, limits.voltage_gain, limits.current_gain)
    return Errors(*(float(size * share) for size, share in zip(sizes, draw, strict=True)))


@dataclass(frozen=True, slots=True)
class Readings:
    """All readings of a bench, one entry each: true values first, then what the instruments show."""

    frequency: FloatArray
    pressure: FloatArray
    power: FloatArray
    current: FloatArray
    winding: FloatArray
    shown_frequency: FloatArray
    shown_power: FloatArray
    shown_current: FloatArray
    shown_voltage: FloatArray
    thermometer: FloatArray  # [K] noise of cold end, hot end and coolant; shape (3, readings)
    torque_gain: float  # error of the brake, common to its readings


def true_states(truth: Truth, protocol: Protocol, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """True frequency [Hz] and pressure [Pa] of every reading, shape (readings,)."""
    f = np.concatenate([np.asarray(sweep.frequencies, float) for sweep in protocol.sweeps])
    f = np.where(f > 0, f + protocol.set_point_scatter * rng.standard_normal(f.size), 0.0)
    set_points = [sweep.pressure or truth.ambient_pressure for sweep in protocol.sweeps]
    p = np.repeat(set_points, [len(sweep.frequencies) for sweep in protocol.sweeps])
    return f, p * (1 + protocol.pressure_scatter * rng.standard_normal(f.size))


def slices(protocol: Protocol) -> dict[str, slice]:
    """Where each file's readings lie in the arrays."""
    ends = np.cumsum([len(sweep.frequencies) for sweep in protocol.sweeps])
    return {
        sweep.file: slice(int(end) - len(sweep.frequencies), int(end))
        for sweep, end in zip(protocol.sweeps, ends, strict=True)
    }


def air_gap_power(
    truth: Truth, protocol: Protocol, f: FloatArray, p: FloatArray, runs: dict
) -> tuple[FloatArray, FloatArray]:
    """What the motor's rotor delivers [W] in every reading, and the ripple of its current; shape (readings,)."""
    power = truth.motor.law.power(2 * np.pi * truth.ratio * f)
    ripple = np.ones_like(power)
    for sweep, part in zip(protocol.sweeps, slices(protocol).values(), strict=True):
        if sweep.stage not in ("standby", "motor-alone"):
            power[part] += truth.linkage.power(2 * np.pi * f[part])
        if sweep.torques:
            power[part] += 2 * np.pi * f[part] * np.array(sweep.torques) / truth.transmission_efficiency
        if sweep.stage == "no-load":
            cylinder = truth.cylinder(sweep.cylinder)
            turn = open_turn(truth, cylinder, f[part], p[part])
            beyond = turn.seal + port_power(truth, cylinder, f[part], p[part]) + turn.bearing
            power[part] += beyond / truth.transmission_efficiency
            ripple[part] = ripple_factor(truth, power[part], turn)
        if sweep.stage == "blanked":
            cylinder = truth.cylinder(sweep.cylinder)
            power[part] += blanked_power(truth, cylinder, f[part], p[part]) / truth.transmission_efficiency
            ripple[part] = ripple_factor(truth, power[part], blanked_turn(truth, cylinder, f[part], p[part]))
        if sweep.stage == "loaded":
            parts, turn = runs[sweep.file], loaded_turn(truth, truth.cylinder(sweep.cylinder), f[part], p[part])
            power[part] += parts["seal_W"] + parts["transmission_W"] + parts["pneumatic_W"] + turn.bearing
            ripple[part] = ripple_factor(truth, power[part], turn)
    return power, ripple


def read_instruments(
    truth: Truth,
    protocol: Protocol,
    errors: Errors,
    f: FloatArray,
    p: FloatArray,
    air_gap: FloatArray,
    ripple: FloatArray,
    rng: np.random.Generator,
) -> Readings:
    """Every reading as the instruments show it: common errors first, then each reading's own noise."""
    electric = electrical(truth, f, air_gap, ripple)
    power, at_terminals = electric["input"], truth.motor.supply == "terminals"
    sigma = np.hypot(protocol.noise_floor, protocol.noise_share * power)
    noisy = power + sigma * rng.standard_normal(f.size)
    own = protocol.frequency_jitter * rng.standard_normal(f.size)
    volts = np.full_like(f, truth.motor.bus_voltage)
    np.divide(power, electric["current"], out=volts, where=at_terminals & (electric["current"] > 0))
    through = electric["current"] if at_terminals else power / volts
    share = np.divide(noisy, power, out=np.ones_like(power), where=power > 0)
    thermometer = protocol.thermometer_noise * rng.standard_normal((3, f.size))
    slip = slip_factors(protocol, f.size)
    straight, bend = 1 - protocol.meter_curve, protocol.meter_curve * wandering(protocol, power, rng)
    power_gain = errors.power_gain * straight + protocol.limits.power_gain * bend
    current_gain = errors.current_gain * straight + protocol.limits.current_gain * bend
    return Readings(
        frequency=f,
        pressure=p,
        power=power,
        current=electric["current"],
        winding=electric["winding"],
        shown_frequency=np.where(f > 0, f + errors.frequency + own, 0.0),
        shown_power=(noisy * (1 + power_gain) + errors.power_zero) * slip,
        shown_current=through * share * (1 + current_gain) * slip,
        shown_voltage=volts * (1 + errors.voltage_gain),
        thermometer=thermometer,
        torque_gain=protocol.limits.torque_gain * (rng.uniform(-1, 1) if protocol.limits.torque_gain else 0.0),
    )


def slip_factors(protocol: Protocol, readings: int) -> FloatArray:
    """What each reading's power is multiplied by, by mistake."""
    factor, where = np.ones(readings), slices(protocol)
    for slip in protocol.slips:
        part = where[slip.file]
        first = part.start if slip.row is None else part.start + slip.row - 1
        factor[first : part.stop if slip.row is None else first + 1] *= slip.factor
    return factor


def wandering(protocol: Protocol, power: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A smooth function of the reading between -1 and 1; nobody knows which."""
    if not protocol.meter_curve:
        return np.zeros_like(power)
    share, phase = rng.uniform(0, 1), rng.uniform(0, 2 * np.pi, 2)
    turns = np.pi * power / power.max()
    return share * np.cos(turns + phase[0]) + (1 - share) * np.cos(2 * turns + phase[1])


def columns(sweep: PlannedSweep, part: slice, seen: Readings, truth: Truth, protocol: Protocol, runs: dict):
    """The file's columns: header to (values, decimals)."""
    table: dict[str, tuple[FloatArray, int]] = {}
    if sweep.stage != "standby":
        if protocol.speed_column:
            table["speed [rpm]"] = (seen.shown_frequency[part] * 60, max(protocol.frequency_digits - 2, 0))
        else:
            table["frequency [Hz]"] = (seen.shown_frequency[part], protocol.frequency_digits)
    if protocol.electric_columns == "volts-amps":
        table["voltage [V]"] = (seen.shown_voltage[part], 3)
        table["current [A]"] = (seen.shown_current[part], 4)
    else:
        table["power [W]"] = (seen.shown_power[part], protocol.power_digits)
    if protocol.electric_columns == "power+current" and sweep.stage != "standby":
        table["current [A]"] = (seen.shown_current[part], 4)
    if protocol.pressure_column and sweep.pressure is not None:
        table["mean pressure [bar]"] = (seen.pressure[part] / BAR, 3)
    if protocol.winding_column:
        table["winding [degC]"] = (seen.winding[part] - CELSIUS, 1)
    if protocol.motor_speed_column and sweep.stage != "standby":
        table["motor speed [rpm]"] = (seen.shown_frequency[part] * truth.ratio * 60, 0)
    if protocol.amplitude_column and sweep.stage == "loaded":
        swing = pressure_amplitude(truth, truth.cylinder(sweep.cylinder), seen.frequency[part], seen.pressure[part])
        table["pressure amplitude [bar]"] = (swing / BAR, 3)
    if protocol.amplitude_column and sweep.stage == "blanked":
        wave = blanked_pressure(truth, truth.cylinder(sweep.cylinder), seen.frequency[part], seen.pressure[part])
        table["pressure amplitude [bar]"] = (np.ptp(wave, axis=1) / 2 / BAR, 3)
    if sweep.torques:
        table["torque [N*m]"] = (np.array(sweep.torques) * (1 + seen.torque_gain), 4)
    if protocol.temperature_columns and sweep.stage == "loaded":
        table |= temperatures(truth, protocol, runs[sweep.file], seen.thermometer[:, part])
    return table


def temperatures(truth: Truth, protocol: Protocol, run: Mapping[str, FloatArray], noise: FloatArray):
    """Cold end, hot end and coolant columns of a loaded sweep."""
    coolant, pneumatic = truth.ambient_temperature - CELSIUS, run["pneumatic_W"]
    cold = coolant - protocol.cold_depth * pneumatic / pneumatic.max()
    hot = coolant + (truth.thermal_resistance or 0.0) * run["aftercooler_heat_W"]
    return {
        "cold end [degC]": (cold + noise[0], 1),
        "hot end [degC]": (hot + noise[1], 1),
        "coolant [degC]": (coolant + noise[2], 1),
    }


def csv_text(table: Mapping[str, tuple[FloatArray, int]], sweep: PlannedSweep) -> str:
    """The file's text; a decimal comma where semicolons part the columns."""
    cells = [[f"{value:.{digits}f}" for value in values.tolist()] for values, digits in table.values()]
    rows = [sweep.delimiter.join(row) for row in zip(*cells, strict=True)]
    if sweep.delimiter == ";":
        rows = [row.replace(".", ",") for row in rows]
    header = sweep.delimiter.join(table)
    if sweep.notes:
        texts = dict(sweep.notes)
        header += f"{sweep.delimiter}note"
        rows = [f"{row}{sweep.delimiter}{texts.get(number, '')}" for number, row in enumerate(rows, 1)]
    return "\n".join([*(f"# {remark}" for remark in sweep.remarks), header, *rows, ""])


def write_bench(
    folder: Path, truth: Truth, protocol: Protocol, rng: np.random.Generator, stated: Truth | None = None
) -> Answer:
    """Write bench.toml and the sweeps' files into `folder`; return the truth behind them.

    `stated` is what bench.toml says of the machine; drawn within the protocol's limits unless given.
    """
    folder.mkdir(parents=True, exist_ok=True)
    stated = stated or perturb(truth, protocol.limits, rng)
    errors = draw_errors(protocol.limits, rng)
    f, p = true_states(truth, protocol, rng)
    where = slices(protocol)
    loaded = [sweep for sweep in protocol.sweeps if sweep.stage == "loaded"]
    runs = {s.file: loaded_parts(truth, s.cylinder, f[where[s.file]], p[where[s.file]]) for s in loaded}
    air_gap, ripple = air_gap_power(truth, protocol, f, p, runs)
    seen = read_instruments(truth, protocol, errors, f, p, air_gap, ripple, rng)
    for sweep in protocol.sweeps:
        table = columns(sweep, where[sweep.file], seen, truth, protocol, runs)
        (folder / sweep.file).write_text(csv_text(table, sweep), encoding="utf-8", newline="\n")
    for plan in protocol.recordings:
        text = recording_text(truth, plan, plan.frequency, rng)
        (folder / plan.file).write_text(text, encoding="utf-8", newline="\n")
    for plan in protocol.rundowns:
        text = rundown_text(truth, plan, errors.frequency, rng)
        (folder / plan.file).write_text(text, encoding="utf-8", newline="\n")
    text = bench_toml(stated, protocol, incremental_efficiency(truth, seen))
    (folder / "bench.toml").write_text(text, encoding="utf-8", newline="\n")
    return Answer(
        truth=truth,
        stated=stated,
        protocol=protocol,
        errors=errors,
        runs=tuple(run for sweep in loaded for run in listed(sweep, runs[sweep.file], seen, where[sweep.file])),
        true_frequency={file: f[part] for file, part in where.items()},
        true_input={file: seen.power[part] for file, part in where.items()},
    )


def listed(sweep: PlannedSweep, parts: Mapping[str, FloatArray], seen: Readings, part: slice):
    """One record a loaded reading."""
    for index in range(len(sweep.frequencies)):
        yield {
            "file": sweep.file,
            "row": index + 1,
            "cylinder": sweep.cylinder,
            "frequency_Hz": float(seen.frequency[part][index]),
            "mean_pressure_Pa": float(seen.pressure[part][index]),
            **{key: float(values[index]) for key, values in parts.items()},
        }


def incremental_efficiency(truth: Truth, seen: Readings) -> float:
    """Slope of air-gap against input power at the middle of the bench's readings."""
    turning = seen.frequency > 0
    f, current = np.median(seen.frequency[turning]), np.median(seen.current[turning])
    useful = truth.motor.torque_constant * 2 * np.pi * truth.ratio * f
    squared = truth.motor.form_factor**2 * truth.motor.resistance
    return float(useful / (useful + 2 * squared * current))
