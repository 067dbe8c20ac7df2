"""The text of a simulated bench's bench.toml."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from simulate.machine import CELSIUS, CylinderTruth, Truth
from simulate.recording import table
from simulate.rundown import table as rundown_table

if TYPE_CHECKING:
    from simulate.rig import Limits, PlannedSweep, Protocol

NEW_KEYS = frozenset(
    {
        "motor.brush_drop",
        "motor.controller_efficiency",
        "motor.running_temperature",
        "crank.bearings",
        "crank.pin_friction",
        "crank.crank_pin_radius",
        "crank.wrist_pin_radius",
        "crank.main_bearing_radius",
        "crank.load_friction",
        "cylinders.pressure_friction",
        "cylinders.seal_change",
        "meter.linearity",
        "motor.current_form_factor",
    }
)
COLUMN = 40  # where comments start
STAGES = {
    "standby": "controller on, nothing turns",
    "motor-alone": "the motor, uncoupled",
    "piston-disconnected": "+ transmission and crank",
    "braked": "the same against a brake on the crank",
    "no-load": "+ the piston, ports open",
    "blanked": "the same on a closed volume",
    "loaded": "the whole machine at work",
}


def bench_toml(stated: Truth, protocol: Protocol, incremental_efficiency: float) -> str:
    """bench.toml with what the bench's owner believes, in workshop units."""
    sections = [
        head(stated, protocol),
        *(
            told(lines, protocol.leaves_out)
            for lines in (
                meter(protocol),
                motor(stated, protocol, incremental_efficiency),
                transmission(stated, protocol),
                crank(stated, protocol),
                *(cylinder(stated, one, protocol) for one in stated.cylinders),
                aftercooler(stated),
                ["[cycle]", entry("kind", stated.cycle, "which cooling ceiling to quote")],
            )
        ),
        *(sweep(one, protocol) for one in protocol.sweeps),
        *(table(one) for one in protocol.recordings),
        *(rundown_table(one) for one in protocol.rundowns),
    ]
    return "\n\n".join("\n".join(lines) for lines in sections if lines) + "\n"


def told(lines: list[str], leaves_out: frozenset[str]) -> list[str]:
    """A table without what its owner does not know; nothing where nothing is left of it.

    >>> told(["[motor]", 'supply = "terminals"', "x = 1"], frozenset({"motor.x"}))
    ['[motor]', 'supply = "terminals"']
    """
    table = lines[0].partition("[")[2].partition("]")[0].partition(".")[0]
    left = [line for line in lines[1:] if f"{table}.{line.partition(' =')[0]}" not in leaves_out]
    return [lines[0], *left] if left else []


def entry(key: str, value: str | float, comment: str = "") -> str:
    """One line; text in quotes, numbers bare.

    >>> entry("ratio", 3.0)
    'ratio = 3'
    """
    text = f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value:.6g}"
    return f"{text:<{COLUMN - 2}}  # {comment}" if comment else text


def amount(value: float, unit: str, share: float = 0.0, limit: float | None = 0.0) -> str:
    """A quantity with its unit and its limit of error, a share of it or in the same unit; None = to its last digit.

    >>> amount(0.42, "ohm", share=0.02)
    '0.42 ohm +/- 2 %'
    """
    text = f"{value:.6g} {unit}"
    if share:
        return f"{text} +/- {share * 100:.6g} %"
    return text if limit is None else f"{text} +/- {limit:.6g} {unit}"


def number(value: float, limit: float) -> str:
    """A pure number with its limit.

    >>> number(0.95, 0.02)
    '0.95 +/- 0.02'
    """
    return f"{value:.6g} +/- {limit:.6g}"


def celsius(kelvin: float) -> str:
    return f"{kelvin - CELSIUS:.6g} degC"


def bar(pascal: float) -> str:
    return f"{pascal / 1e5:.7g} bar"


def head(stated: Truth, protocol: Protocol) -> list[str]:
    return [
        *(f"# {remark}" for remark in protocol.remarks),
        "schema = 1",
        entry("title", protocol.title),
        entry("ambient_temperature", celsius(stated.ambient_temperature)),
        entry("ambient_pressure", bar(stated.ambient_pressure)),
    ]


def meter(protocol: Protocol) -> list[str]:
    limits = protocol.limits
    lines = ["[meter]  # limits of error, as on the instruments' data sheets"]
    if protocol.electric_columns == "volts-amps":
        lines.append(entry("voltage", f"{limits.voltage_gain * 100:.6g} %"))
    else:
        lines.append(entry("power", f"{limits.power_gain * 100:.6g} % + {limits.power_zero:.6g} W"))
    if protocol.electric_columns != "power":
        lines.append(entry("current", f"{limits.current_gain * 100:.6g} %"))
    bent = protocol.meter_curve * (limits.power_gain or limits.voltage_gain + limits.current_gain)
    return [
        *lines,
        entry("frequency", f"{limits.frequency:.6g} Hz"),
        *([entry("torque", f"{limits.torque_gain * 100:.6g} %")] if limits.torque_gain else []),
        *([entry("pressure", f"{100 * protocol.recordings[0].pressure_gain:g} %")] if protocol.recordings else []),
        entry("linearity", f"{bent * 100:.6g} %", "what bends with the reading"),
    ]


def motor(stated: Truth, protocol: Protocol, incremental_efficiency: float) -> list[str]:
    lines = ["[motor]", entry("supply", stated.motor.supply, "where the power meter sits")]
    if protocol.states_motor == "incremental":
        lines.append(entry("incremental_efficiency", number(round(incremental_efficiency, 3), 0.0)))
    if protocol.states_motor == "constants":
        lines += motor_constants(stated, protocol.limits)
    return lines + electronics(stated, protocol.limits)


def motor_constants(stated: Truth, limits: Limits) -> list[str]:
    this = stated.motor
    resistance = amount(this.resistance, "ohm", limits.resistance)
    lines = [
        entry("winding_resistance", resistance, "that the motor current meets"),
        entry("winding_temperature", celsius(this.reference_temperature), "when that was measured"),
        entry("torque_constant", amount(this.torque_constant, "N*m/A", limits.torque_constant)),
        entry("current_form_factor", number(this.form_factor, limits.form_factor), "rms over mean current"),
    ]
    if this.heating:
        return lines  # who knows how warm it runs
    room = f"{celsius(stated.ambient_temperature)} +/- 0 K"
    return [*lines, entry("running_temperature", room, "of the winding, where it was not read")]


def electronics(stated: Truth, limits: Limits) -> list[str]:
    """What brushes and controller lose; a limit of zero is written, since leaving it out would mean 'to the digit'."""
    effects = stated.effects
    brush = f"{effects.brush_drop:.6g} V +/- {limits.brush_drop:.6g} V"
    lines = [entry("brush_drop", brush, "both brushes")]
    if stated.motor.supply == "controller":
        passed = f"{effects.controller_efficiency:.6g} +/- {limits.controller_efficiency:.6g}"
        lines.append(entry("controller_efficiency", passed, "of what passes beyond standby"))
    return lines


def transmission(stated: Truth, protocol: Protocol) -> list[str]:
    efficiency = stated.transmission_efficiency
    value = number(efficiency, protocol.limits.transmission_efficiency)
    return [
        "[transmission]",
        entry("ratio", number(stated.ratio, 0.0), "motor turns for one crank turn"),
        entry("efficiency", value, "of the load power passing through"),
    ]


def crank(stated: Truth, protocol: Protocol) -> list[str]:
    if stated.rod_length is None:
        return ["[crank]", "# no rod_length: a scotch yoke, pure sine", *pins(stated, protocol.limits)]
    rod = entry("rod_length", amount(stated.rod_length * 1e3, "mm", limit=None))
    return ["[crank]", rod, *pins(stated, protocol.limits)]


def pins(stated: Truth, limits: Limits) -> list[str]:
    """The crank mechanism's bearings."""
    this = stated.effects.pins
    if this is None:
        return [entry("bearings", "rolling"), entry("load_friction", "0 mm +/- 0 mm", "none that grows with load")]
    mu = f"{this.mu:.6g} +/- {limits.pin_friction * 100:.6g} %"
    radii = {"crank_pin_radius": this.crank_pin, "wrist_pin_radius": this.wrist_pin, "main_bearing_radius": this.main}
    return [
        entry("bearings", this.kind, "pins and main"),
        entry("pin_friction", mu, "friction torque over force and radius"),
        *(entry(key, amount(radius * 1e3, "mm", limit=None)) for key, radius in radii.items()),
    ]


def cylinder(stated: Truth, this: CylinderTruth, protocol: Protocol) -> list[str]:
    limits = protocol.limits
    lines = [
        f"[cylinders.{this.name}]",
        entry("bore", amount(this.bore * 1e3, "mm", limit=limits.bore * 1e3)),
        entry("stroke", amount(this.stroke * 1e3, "mm", limit=limits.stroke * 1e3)),
        entry("seal", this.seal_text),
        entry("gas", this.gas),
        entry("back_pressure", bar(this.back_pressure), "on the seal's other side"),
        entry("pressure_friction", f"{this.seal.energised * 1e5:.6g} N/bar +/- 0 N/bar", "drag per bar across it"),
        entry("seal_change", number(stated.effects.warm_seal, 0.0), "drag in the loaded runs over that without load"),
    ]
    if any((sweep.stage, sweep.cylinder) == ("blanked", this.name) for sweep in protocol.sweeps):
        closed = stated.effects.closed_volume * this.area * this.stroke * 1e6
        lines.append(entry("closed_volume", amount(closed, "cm^3", limits.closed_volume), "blanked, at the top"))
    if this.port_diameter is None or not protocol.states_port:
        return lines
    hole = amount(this.port_diameter * 1e3, "mm", limits.port_diameter)
    return [
        *lines,
        entry("open_port_diameter", hole, "breathing hole of the no-load runs"),
        entry("discharge_coefficient", coefficient(this, limits)),
    ]


def coefficient(this: CylinderTruth, limits: Limits) -> str:
    share = limits.discharge_coefficient
    return f"{this.discharge_coefficient:.6g} +/- {share * 100:.6g} %"


def aftercooler(stated: Truth) -> list[str]:
    share = number(stated.seal_heat_share, 0.0)
    lines = ["[aftercooler]", entry("seal_heat_share", share, "of the seal's friction heat")]
    if stated.thermal_resistance is not None:
        lines.append(
            entry("thermal_resistance", amount(stated.thermal_resistance, "K/W", limit=None), "hot end above coolant")
        )
    return lines


def sweep(this: PlannedSweep, protocol: Protocol) -> Iterator[str]:
    yield "[[sweeps]]"
    yield entry("stage", this.stage, STAGES[this.stage])
    if this.cylinder is not None:
        yield entry("cylinder", this.cylinder)
    yield entry("file", this.file)
    if this.pressure is not None and not protocol.pressure_column:
        yield entry("mean_pressure", bar(this.pressure))
