"""What a bench does not state is assumed with limits, never taken as perfect: one row an assumption.

Each row is drawn like a stated limit of error (fit/meters), counts in every interval under its own name, and gives
way to the key of bench.toml that it stands for. Limits are rectangular. They were chosen wide enough to hold the truth
on simulated ordinary benches (tests/benchmark/ordinary.py), no wider.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from driveloss.bench.records import Cylinder, Limits, Quantity, Rig

COMMON = "common practice, no published source"
PERCENT = 100.0
LOOK_UP, MEASURE, RUN = range(3)  # what a cure asks for: a word or a data sheet, a measurement at rest, more sweeps

PASCAL_PER_BAR = 1e5
# [N/(m Pa)] of lip: O-ring, lip and composite seal of 25 mm bore at 1 to 7 bar (Zillen, Delft University of
# Technology, 2021, open data).
PUBLISHED_PRESSURE_DRAG = tuple(slope / PASCAL_PER_BAR / (np.pi * 0.025) for slope in (0.654, 1.366, 0.192))
MEAN_PRESSURE_DRAG = float(np.mean(PUBLISHED_PRESSURE_DRAG))

TOLERANCE = 0.10  # of a winding resistance or torque constant stated without limits: as data sheets mostly allow


@dataclass(frozen=True)
class Assumption:
    """`moves`: which part, and which way. `cure`: how to replace it with tools found at home.

    People are told scale * low to scale * high in the unit `shown`; `limits`, where two numbers would not say it.
    """

    key: str  # of bench.toml (or the column) that replaces it; {cylinder} where each has its own
    name: str  # the row of the budget
    low: float
    high: float
    moves: str
    cure: str
    unit: str = ""
    shown: str | None = None
    scale: float = 1.0
    limits: str = ""
    effort: int = MEASURE  # of the cure
    under_load: bool = False  # nothing that is run without load depends on it
    source: str = COMMON
    value: float | None = None  # the best guess; None = the middle
    applies: Callable[[Any], bool] = lambda holder: True  # to a rig, or to a cylinder where each has its own

    @property
    def best(self) -> float:
        """What the reported value is reckoned with."""
        return (self.low + self.high) / 2 if self.value is None else self.value

    @property
    def range(self) -> str:
        """The limits in words.

        >>> Assumption("key", "name", 0.9, 0.99, "down", "ask", shown="%", scale=PERCENT).range
        '90 to 99 %'
        """
        low, high = (f"{self.scale * end:.3g}" for end in (self.low, self.high))
        numbers = f"±{high}" if self.low == -self.high else f"{low} to {high}"
        return self.limits or f"{numbers} {self.unit if self.shown is None else self.shown}".rstrip()


def _has_transmission(rig: Rig) -> bool:
    """A ratio of one is a shaft, with nothing between; nothing stated may be a belt."""
    return rig.transmission.ratio is None or rig.transmission.ratio.value != 1


def _has_controller(rig: Rig) -> bool:
    return rig.motor.supply == "controller"


def _bearings(kind: str) -> Callable[[Rig], bool]:
    return lambda rig: rig.bearings == kind


METER_LIMITS = {  # of an instrument whose limits are not stated
    "power": Limits(0.01, 0.1),
    "voltage": Limits(0.005, 0.02),
    "current": Limits(0.01, 0.02),
    "frequency": Limits(0.005, 0.0),
    "pressure": Limits(0.016, 1e3),
    "temperature": Limits(0.0, 2.5),
    "torque": Limits(0.02, 0.002),
    "force": Limits(0.01, 0.1),
}
CURVED = 0.5  # of a power meter's limit of gain that may be a smooth function of the reading
METER_SOURCE = {
    "pressure": "class 1.6 of EN 837-1, Bourdon tube gauges (from memory)",
    "temperature": "class 2 of IEC 60584-1, thermocouples (from memory)",
}
PINS_CURE = (
    "state [crank] bearings as rolling or sleeve; better load_friction, from the weight that turns the crank with the "
    "rod loaded and unloaded"
)
PINS_MOVE = "net power down as pins and guides drag more under the rod's force; seal friction down a little"


def _meter(instrument: str, unit: str, cure: str, scale: float = 1.0) -> Assumption:
    limits = METER_LIMITS[instrument]
    parts = [f"{PERCENT * limits.gain:g} %"] if limits.gain else []
    parts += [f"{scale * limits.zero:g} {unit}"] if limits.zero else []
    return Assumption(
        key=f"meter.{instrument}",
        name=f"{instrument} meter",
        low=-1.0,
        high=1.0,
        unit="of the limits",
        limits=" + ".join(parts),
        effort=LOOK_UP,
        source=METER_SOURCE.get(instrument, COMMON),
        moves="either way",
        cure=cure,
    )


def _pins(key: str, low: float, high: float, unit: str, applies: Callable[[Rig], bool]) -> Assumption:
    """Coefficient of friction times the radii of main bearing and pins, some 0.85 of the crank radius together."""
    return Assumption(
        key,
        "pins and guides",
        low,
        high,
        PINS_MOVE,
        PINS_CURE,
        unit=unit,
        shown=f"% {unit}",
        scale=PERCENT,
        effort=LOOK_UP,
        source="coefficient 0.001 to 0.005 rolling (bearing makers' tables), 0.01 to 0.10 plain with boundary "
        "lubrication (Machine Design, Bearing Friction, 2002); radii and guides: " + COMMON,
        applies=applies,
    )


def _brush_drop(low: float, high: float, applies: Callable[[Rig], bool]) -> Assumption:
    return Assumption(
        "motor.brush_drop",
        "brush drop",
        low,
        high,
        "net power down as the current grows",
        'volts over ampere at standstill on a straight line: what is left at no current; "0 V +/- 0 V" for a motor '
        "without brushes",
        unit="V",
        applies=applies,
    )


def _seal_change(name: str, low: float, high: float, cure: str, applies: Callable[[Cylinder], bool]) -> Assumption:
    return Assumption(
        "cylinders.{cylinder}.seal_change",
        name,
        low,
        high,
        "net power up: a seal warmed by the load drags less",
        cure,
        unit="of its drag without load",
        shown="% of its drag without load",
        scale=PERCENT,
        effort=RUN,
        under_load=True,
        applies=applies,
    )


SHEET = "copy the limits of error from the instrument's data sheet"

ASSUMPTIONS: dict[str, tuple[Assumption, ...]] = {  # by the field of fit/meters that is drawn; the first that applies
    "power_gain": (_meter("power", "W", SHEET),),
    "voltage_gain": (_meter("voltage", "V", SHEET),),
    "current_gain": (_meter("current", "A", SHEET),),
    "frequency_gain": (_meter("frequency", "Hz", "count turns against a clock, or copy the data sheet"),),
    "pressure_gain": (_meter("pressure", "mbar", "read the class on the gauge's dial", 1e-2),),
    "torque_gain": (_meter("torque", "N m", "hang a known weight on a known arm"),),
    "force_gain": (_meter("force", "N", "hang a known weight on the scale"),),
    "winding_zero": (_meter("temperature", "K", "read ice water and boiling water"),),
    "power_curve": (
        Assumption(
            "meter.linearity",
            "meter linearity",
            -CURVED,
            CURVED,
            "either way; it does not cancel in a difference",
            "compare the meter with volts times amperes on a resistor at several powers",
            unit="of the meter's limit of gain",
            shown="% of the meter's limit of gain",
            scale=PERCENT,
        ),
    ),
    "resistance": (
        Assumption(
            "motor.winding_resistance",
            "winding resistance",
            -TOLERANCE,
            TOLERANCE,
            "net power, by the copper loss that grows with load",
            "measure it with four wires: current from a supply, volts at the motor's leads, rotor held, at several "
            "rotor positions; state the limits",
            unit="of the value stated",
            shown="% of the value stated",
            scale=PERCENT,
            applies=lambda rig: rig.motor.winding_resistance is not None,
        ),
    ),
    "torque_constant": (
        Assumption(
            "motor.torque_constant",
            "torque constant",
            -TOLERANCE,
            TOLERANCE,
            "net power, by the current that the load asks for",
            "turn the uncoupled motor at a known speed and read its volts; state the limits",
            unit="of the value stated",
            shown="% of the value stated",
            scale=PERCENT,
            applies=lambda rig: rig.motor.torque_constant is not None,
        ),
    ),
    "ripple": (
        Assumption(
            "motor.current_form_factor",
            "current ripple",
            0.0,
            1.0,
            "net power down: current that pulsates with the torque heats the winding more under load",
            "read the current with a true-rms and with an averaging meter",
            unit="of the torque's swing reaches the current",
            shown="% of the torque's swing",
            scale=PERCENT,
            under_load=True,
        ),
    ),
    "brush_drop": (_brush_drop(0.0, 1.0, _has_controller), _brush_drop(0.2, 1.2, lambda rig: True)),
    "controller_efficiency": (
        Assumption(
            "motor.controller_efficiency",
            "controller efficiency",
            0.90,
            0.99,
            "net power down in proportion to what passes",
            "read power before and behind the controller at two loads, or copy the data sheet",
            shown="%",
            scale=PERCENT,
            effort=LOOK_UP,
            applies=_has_controller,
        ),
    ),
    "winding_rise": (
        Assumption(
            "motor.running_temperature",
            "winding temperature",
            0.0,
            40.0,
            "net power down: a warm winding loses 0.39 % more for each kelvin",
            "a column winding, from the resistance straight after a run or a thermocouple on the winding",
            unit="K above the room at the highest power",
            shown="K above the room",
        ),
    ),
    "incremental_efficiency": (
        Assumption(
            "motor.winding_resistance",
            "load loss of the motor",
            0.65,
            0.95,
            "net power up or down in proportion",
            "measure the winding's resistance and the torque constant, or read volts and amperes at the motor",
            unit="of further input reaches the shaft",
            shown="% of further input",
            scale=PERCENT,
        ),
    ),
    "efficiency": (
        Assumption(
            "transmission.efficiency",
            "transmission efficiency",
            0.90,
            1.0,
            "net power up or down in proportion",
            "lift a weight through the belt or gears and compare torques, or drive without it",
            shown="%",
            scale=PERCENT,
            source="V-belts 95 to 98 % new, 93 % worn, toothed belts 98 % (US Department of Energy, Motor Systems Tip "
            "Sheet 5, as quoted in the trade press); small pulleys bend a belt more",
            applies=_has_transmission,
        ),
    ),
    "load_friction_share": (
        _pins("crank.load_friction", 0.0, 0.008, "of the crank radius (rolling)", _bearings("rolling")),
        _pins("crank.load_friction", 0.010, 0.100, "of the crank radius (sleeve)", _bearings("sleeve")),
        _pins("crank.bearings", 0.0, 0.095, "of the crank radius", lambda rig: True),
    ),
    "phase": (
        Assumption(
            "column pressure amplitude",
            "phase of the pressure",
            30.0,
            90.0,
            "pins, lip and ripple: all grow as the phase shrinks",
            "read the pressure's swing (half of peak to peak) beside each run",
            unit="deg before top dead centre",
            effort=RUN,
            under_load=True,
            value=45.0,
        ),
    ),
    "lip_drag": (
        Assumption(
            "cylinders.{cylinder}.pressure_friction",
            "lip under pressure",
            0.0,
            3.0,
            "net power down: a lip pressed on by pressure and its wave drags more",
            "sweep the cylinder without load at two pressures",
            unit="times the drag of other seals per metre of lip and bar",
            shown="times the drag of other seals",
            effort=RUN,
            source="other seals: of the bench, where swept at two pressures, else three pneumatic ones, each of which "
            "drags 0.2 to 3.2 times as much as the others' mean (Zillen, Delft University of Technology, 2021, open "
            "data)",
            value=1.0,
        ),
    ),
    "seal_heat_share": (
        Assumption(
            "aftercooler.seal_heat_share",
            "seal heat share",
            0.5,
            1.0,
            "aftercooler heat down; net power not at all",
            "compare the cylinder wall's warmth with the aftercooler's; 1 is the safe side for sizing",
            shown="%",
            scale=PERCENT,
            under_load=True,
            value=1.0,
        ),
    ),
    "discharge_coefficient": (
        Assumption(
            "cylinders.{cylinder}.discharge_coefficient",
            "discharge coefficient",
            0.60,
            0.80,
            "seal friction and net power: a smaller one makes the port take more of the no-load power",
            "0.60 to 0.65 for a sharp edge, up to 0.8 for a hole two or three diameters long; or no-load sweeps with "
            "two hole sizes",
            source="orifice and short tube (Streeter & Wylie, Fluid Mechanics; from memory)",
        ),
    ),
    "open_ratio": (
        Assumption(
            "cylinders.{cylinder}.open_volume",
            "gas behind the open port",
            0.1,
            2.0,
            "seal friction and net power, where the port is so small that gas is squeezed",
            "measure what is left open at top dead centre with the port open, or use a larger hole",
            unit="of the swept volume",
            shown="times the swept volume",
        ),
    ),
    "open_process": (
        Assumption(
            "nothing: use a larger port",
            "heat of the gas behind the open port",
            0.0,
            1.0,
            "seal friction and net power, where the port is so small that gas is squeezed",
            "use a larger hole",
            unit="from isothermal to adiabatic",
            limits="isothermal to adiabatic",
            effort=RUN,
        ),
    ),
    "hysteresis": (
        Assumption(
            'recordings with stage = "blanked"',
            "gas spring hysteresis",
            0.5,
            2.0,
            "pins, guides and lip down, net power up, as the closed gas loses more heat to the walls and back",
            "record the pressure through the cycle of a blanked reading",
            unit="times what still gas between walls as far apart as V/S loses",
            shown="times what still gas would lose",
            effort=RUN,
            source="the conduction solution holds to its order of size only: gas that swirls loses more, an edge, a "
            "warm wall or less wetted surface make it less (Kornhauser & Smith, J. Energy Resources Technology 115 "
            "(1993) 70; from memory)",
            value=1.0,
        ),
    ),
    "leak_rate": (
        Assumption(
            "cylinders.{cylinder}.leak_down",
            "leak of the closed cylinder",
            0.0,
            0.5,
            "pins, guides and lip down, net power up, as more leaks out of the closed volume and back",
            "close the volume, pump it up at rest, and time the pressure's fall to 37 %",
            unit="of the pressure a second",
            shown="% of the pressure a second",
            scale=PERCENT,
            value=0.1,
        ),
    ),
    "blanked_seal": (
        Assumption(
            "nothing: run the blanked sweep straight after the one without load",
            "seal from sweep to blanked sweep",
            0.95,
            1.03,
            "pins, guides and lip, either way",
            "run the blanked sweep between two no-load sweeps of the cylinder",
            unit="of its drag without load",
            shown="% of its drag without load",
            scale=PERCENT,
            effort=RUN,
        ),
    ),
    "port_share": (
        Assumption(
            "cylinders.{cylinder}.open_port_diameter",
            "open port",
            0.0,
            0.25,
            "seal friction down and net power up: gas pumped through the port is not friction",
            "measure the hole that the cylinder breathes through",
            unit="of the no-load step at the highest frequency",
            shown="% of the no-load step",
            scale=PERCENT,
        ),
    ),
    "seal_change": (
        _seal_change(
            "seal from run to sweep after",
            0.92,
            1.04,
            "read the power without load straight after a run and once more in the sweep; state their ratio",
            lambda cylinder: cylinder.swept_after,
        ),
        _seal_change(
            "seal between ladder and run",
            0.72,
            1.06,
            "a no-load sweep straight after the loaded runs, with everything still warm, listed behind them in "
            "bench.toml",
            lambda cylinder: True,
        ),
    ),
}


ASSUMPTIONS |= {
    **{
        f"{instrument}_zero": ASSUMPTIONS[f"{instrument}_gain"]
        for instrument in METER_LIMITS
        if instrument != "temperature"
    },
    **{f"{place}_zero": ASSUMPTIONS["winding_zero"] for place in ("cold_end", "hot_end", "coolant")},
    "power_curve_quarter": ASSUMPTIONS["power_curve"],
}


DEAD_CENTRE = Quantity(0.0, float(np.radians(2.0)))  # [rad] of a recording's crank angle, where nothing is stated
SENSOR_LAG = Quantity(0.15e-3, 0.15e-3)  # [s] of its sensor with a short tube: common practice
# What a motor loses at no more than its own friction, over what an incremental efficiency that holds under load makes
# of it: nothing where it is copper alone, all where it is brushes or a controller.
FREE_LOAD_LOSS = Quantity(0.5, 0.5)
FREE_LOAD_RISE = Quantity(0.0, 1.0)  # power of the frequency with which that share goes: copper falls, iron in it rises


def assumed(name: str, holder: Rig | Cylinder) -> Assumption | None:
    """The row that stands in for a field of fit/meters of a rig or cylinder; None where there is nothing to assume."""
    return next((row for row in ASSUMPTIONS.get(name, ()) if row.applies(holder)), None)


def limits_in_words(name: str) -> str:
    """What is assumed of a field of fit/meters where nothing narrows it.

    >>> limits_in_words("winding_rise")
    '0 to 40 K above the room'
    """
    return ASSUMPTIONS[name][-1].range


NAMES = tuple(dict.fromkeys(row.name for rows in ASSUMPTIONS.values() for row in rows))


def limits_of(rig: Rig, instrument: str) -> Limits:
    """What an instrument may err by: stated, else assumed."""
    stated: Limits | None = getattr(rig.meter, instrument)
    return METER_LIMITS[instrument] if stated is None else stated


def with_tolerance(stated: Quantity | None) -> Quantity | None:
    """A motor constant without limits has those that data sheets mostly allow, if wider than its last digit."""
    if stated is None or not stated.by_digit:
        return stated
    return Quantity(stated.value, max(stated.limit, TOLERANCE * abs(stated.value)), by_digit=True)
