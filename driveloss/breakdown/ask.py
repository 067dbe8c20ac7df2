"""Every loaded reading split into its parts, with ceilings and the heat at the aftercooler."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any, ClassVar

import numpy as np

from driveloss.bench.records import FloatArray, Recording, Rundown, Sweep
from driveloss.breakdown.assumed import Assumed, assumptions_at_work
from driveloss.breakdown.coasted import coasted_ways
from driveloss.breakdown.doubt import doubt, flagged_suspects
from driveloss.breakdown.joint import Verdict, joined, judge
from driveloss.breakdown.recorded import Recorded, recorded_work, with_waves
from driveloss.breakdown.settled import Ends, settled_ends
from driveloss.breakdown.temperatures import ceilings_and_ends
from driveloss.breakdown.ways import Way
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration, scattered, shifted
from driveloss.fit.contributions import Attribution
from driveloss.fit.cycle import Cycle, loaded_cycle
from driveloss.fit.estimate import COVERAGE, Estimate, estimates
from driveloss.fit.laws import peak_drop
from driveloss.fit.meters import stream
from driveloss.fit.motor_loss import shaft_power
from driveloss.fit.readings import Readings, gather
from driveloss.losses.no_load import no_load_draws
from driveloss.physics import aftercooler, ceilings
from driveloss.say.answer import Answer
from driveloss.say.quantities import Named

PASSES = 4  # each some thirty times closer than the one before
LARGE_DROP = 0.05  # of the pressure outside: beyond it the volume behind the port decides some 10 % of its power
BEYOND_BRAKED = 1.1  # times the braked sweep's largest torque

PLACE = ("file", "line", "row", "cylinder", "frequency", "mean_pressure")  # of a reading, as a run repeats it
TEMPERATURES = ("cold_end", "hot_end", "coolant", "winding")

Draws = dict[str, FloatArray]  # (n, 1 + draws) by name; what cannot be determined is absent, or nan in its row


@dataclass(frozen=True, kw_only=True)
class Balance(Named):
    """The input and its parts, in W, with what they come to; None where not determinable."""

    input: Estimate
    standby: Estimate | None = None
    motor: Estimate | None = None
    motor_copper: Estimate | None = None
    linkage: Estimate | None = None
    drive: Estimate
    transmission: Estimate
    seal: Estimate
    pneumatic: Estimate
    efficiency_ceiling: Estimate | None = None
    aftercooler_heat: Estimate
    friction_heat: Estimate


@dataclass(frozen=True, kw_only=True)
class Run(Balance):
    """One loaded reading: its place, its parts, and temperatures in K."""

    file: str
    line: int
    row: int
    cylinder: str
    frequency: float  # [Hz]
    mean_pressure: float  # [Pa]
    cold_end_read: float | None = None  # [K] as read, like the next three
    hot_end_read: float | None = None
    coolant_read: float | None = None
    winding_read: float | None = None
    cooling_ceiling: Estimate | None = None
    cycle_work_ratio: Estimate | None = None
    subtraction: Estimate
    hot_end: Estimate | None = None
    thermal_resistance: Estimate | None = None
    below_ambient: Estimate | None = None
    hot_to_cold: Estimate | None = None
    flags: tuple[str, ...]

    @property
    def at_most(self) -> Estimate | None:
        """The plain difference of input powers where nothing tells how the motor's loss grows with load, else None."""
        return self.subtraction if "load-loss-assumed" in self.flags else None

    def __repr__(self) -> str:
        return f"Run({self.file!r}, row {self.row}: {self.input.value:.4g} W in, {self.pneumatic.value:.3g} W net)"


@dataclass(frozen=True, repr=False)
class Breakdown(Answer):
    """The loaded readings and their parts. `draws` by name: (n, 1 + draws), best estimate first."""

    calibration: Calibration
    readings: Readings
    draws: Draws
    flags: tuple[tuple[str, ...], ...]
    recorded: tuple[Recorded, ...] = ()
    ways: tuple[Way, ...] = ()  # second ways to the same watts, beside what the ladder said before they joined in
    verdict: Verdict | None = None  # on them; None without any
    coverage: float = COVERAGE
    told_by: ClassVar[str] = "driveloss.breakdown.tell:breakdown"
    has_more: ClassVar[bool] = True
    lists: ClassVar[tuple[str, ...]] = ("runs",)
    columns: ClassVar[tuple[str, ...]] = (*Run.csv_columns(), "flags", "budget")

    def __repr__(self) -> str:
        return f"Breakdown({self.calibration.title!r}, {len(self.readings)} runs)"

    @property
    def best_run(self) -> int:
        """Position of the run with the highest net pneumatic power."""
        return int(np.argmax(self.draws["pneumatic"][:, 0]))

    @cached_property
    def assumptions(self) -> tuple[Assumed, ...]:
        """What was assumed because bench.toml states nothing, the one that leaves most of the net open first."""
        return assumptions_at_work(self.calibration, self.shares)

    @cached_property
    def shares(self) -> dict[str, FloatArray]:
        """Half-widths of the net intervals with one source of error alone at work, (runs,) each, largest first. [W]"""
        return Attribution(self.calibration.meters).half_widths(self.draws["pneumatic"])

    @cached_property
    def runs(self) -> tuple[Run, ...]:
        """One entry a loaded reading, in the order of the sweeps."""
        columns: dict[str, Sequence[Any]] = {name: getattr(self.readings, name).tolist() for name in PLACE}
        for name in TEMPERATURES:
            read = getattr(self.readings, name).tolist()
            columns[f"{name}_read"] = [kelvin if np.isfinite(kelvin) else None for kelvin in read]
        columns |= {name: estimates(draws, self.calibration.meters) for name, draws in self.draws.items()}
        columns["flags"] = self.flags
        return tuple(Run(**{name: column[i] for name, column in columns.items()}) for i in range(len(self.readings)))


def breakdown(
    calibration: Calibration,
    sweeps: Iterable[Sweep],
    recordings: Iterable[Recording] = (),
    rundowns: Iterable[Rundown] = (),
) -> Breakdown:
    """Split every loaded reading among `sweeps`, joined with recordings of the pressure and run-downs where they agree.

    Raises InputError where there is none, or where the calibration lacks its cylinder or needs the motor current.
    """
    readings = gather(calibration.rig, sweeps, ("loaded",))
    _check(calibration, readings)
    rng = stream(calibration.seed, "breakdown")
    recorded = recorded_work(calibration, readings, recordings)
    if recorded:
        calibration, readings = with_waves(calibration, readings, recorded)
    parts = _split(calibration, readings, rng)
    ways = (*(one.way(parts["pneumatic"]) for one in recorded), *coasted_ways(calibration, rundowns))
    verdict = judge(ways) if ways else None
    if verdict is not None and verdict.agree:
        parts = joined(parts, verdict)
    ends = settled_ends(calibration, readings)
    draws = (
        parts | _heat(calibration, readings, parts, ends) | {"subtraction": _subtracted(calibration, readings, parts)}
    )
    flags = tuple(_flags(calibration, readings, draws, i) for i in range(len(readings)))
    if verdict is not None and not verdict.agree:
        flags = tuple((*own, "witnesses-disagree") for own in flags)
    flags = flagged_suspects(calibration, readings, flags)
    flags = tuple((*own, "not-settled") if late else own for own, late in zip(flags, ends.unsettled, strict=True))
    return Breakdown(calibration, readings, draws, flags, recorded, ways, verdict)


def _check(calibration: Calibration, readings: Readings) -> None:
    if len(readings) == 0:
        raise InputError("bench.toml, [[sweeps]]: no sweep of stage 'loaded', expected at least one to break down")
    for i, name in enumerate(readings.cylinder):
        if name not in calibration.ranges:
            raise InputError(
                f"{readings.where(i)}: cylinder '{name}' has no no-load sweep in the calibration, expected one"
            )
    lacking = np.flatnonzero(~np.isfinite(readings.current))
    if calibration.route.needs_current and len(lacking):
        raise InputError(
            f"{readings.where(lacking[0])}: no motor current was recorded, "
            "expected a column 'current [A]' as in the calibration"
        )


def _split(calibration: Calibration, readings: Readings, rng: np.random.Generator) -> Draws:
    """The parts of the input power; they add up to it in every draw. [W]

    What pins, lip and ripple take follows from the cycle, which follows from the net power: found in a few passes.
    """
    meters, shape = calibration.meters, (len(readings), calibration.draws + 1)
    scatter = scattered(calibration, readings, rng, doubt(calibration, readings))
    misread = calibration.meters.each_misread(readings.frequency, rng)
    drive = shifted(calibration.drive, readings.frequency, misread)
    seal = shifted(partial(_seal, calibration, readings), readings.frequency, misread)
    cycle = Cycle(np.zeros(shape), seal, np.zeros((len(readings), 1)))
    for _ in range(PASSES):
        shaft = shaft_power(readings, meters, calibration.standby, calibration.route, scatter, cycle.swing)
        load = shaft.power - drive  # what passes through the transmission: pins, the seal's friction and the gas
        net = meters.efficiency * load - cycle.pins - cycle.seal
        cycle = loaded_cycle(calibration, readings, net, seal)
    drive = drive + meters.efficiency * load - cycle.seal - net  # and pins
    belt = calibration.belt(load)
    load_loss = shaft.load_loss - belt
    draws = {
        "input": shaft.input,
        "standby": np.broadcast_to(calibration.standby, shape),
        "drive": drive + load_loss,
        "transmission": (1 - meters.efficiency) * load + belt,
        "seal": cycle.seal,
        "pneumatic": net,
    }
    if calibration.has_motor:
        motor = shifted(calibration.motor, readings.frequency, misread)
        draws |= {"motor": motor + load_loss, "linkage": drive - motor}
    return draws | ({"motor_copper": shaft.copper} if calibration.route.has_copper else {})


def _subtracted(calibration: Calibration, readings: Readings, parts: Draws) -> FloatArray:
    """Input less the no-load input at the same frequency: the most that the net can be, if nothing else grew. [W]"""
    least = np.empty_like(parts["input"])
    groups = zip(readings.cylinder.tolist(), readings.mean_pressure.tolist(), strict=True)
    places = np.array([f"{name}|{pressure!r}" for name, pressure in groups])
    for place in np.unique(places):
        mine = places == place
        name, pressure = str(readings.cylinder[mine][0]), float(readings.mean_pressure[mine][0])
        least[mine] = no_load_draws(calibration, readings.frequency[mine], name, pressure)["total"]
    return np.asarray(parts["input"] - least)


def _seal(calibration: Calibration, readings: Readings, frequency: FloatArray) -> FloatArray:
    """Seal friction of each reading's cylinder at frequency (n,), (n, 1 + draws). [W]"""
    friction = np.empty((len(readings), calibration.draws + 1))
    for name in np.unique(readings.cylinder):
        mine = readings.cylinder == name
        friction[mine] = calibration.seal(str(name), frequency[mine], readings.mean_pressure[mine])
    return friction


def _heat(calibration: Calibration, readings: Readings, parts: Draws, ends: Ends) -> Draws:
    """Ceilings, aftercooler heat, cycle work and the temperatures of the ends."""
    meters, pneumatic, seal = calibration.meters, parts["pneumatic"], parts["seal"]
    heat = aftercooler.aftercooler_heat(pneumatic, seal, meters.seal_heat_share)
    frequency = meters.frequency(readings.frequency)
    pressure = meters.pressure(readings.mean_pressure)
    bore, stroke = (_by_cylinder(calibration, readings, key) for key in ("bore", "stroke"))
    return {
        "efficiency_ceiling": ceilings.efficiency_ceiling(pneumatic, parts["input"]),
        "aftercooler_heat": heat,
        "friction_heat": meters.seal_heat_share * seal,
        "cycle_work_ratio": ceilings.cycle_work_ratio(pneumatic, frequency, pressure, bore, stroke),
        **ceilings_and_ends(calibration, readings, pneumatic, heat, ends),
    }


def _by_cylinder(calibration: Calibration, readings: Readings, key: str) -> FloatArray:
    """A dimension of each reading's cylinder, (n, 1 + draws)."""
    return np.array([getattr(calibration.meters.cylinders[name], key) for name in readings.cylinder])


def _flags(calibration: Calibration, readings: Readings, draws: Draws, i: int) -> tuple[str, ...]:
    rig, name = calibration.rig, str(readings.cylinder[i])
    pneumatic, has_hot = draws["pneumatic"], np.isfinite(readings.hot_end[i])
    cooling, wants_ceiling = draws.get("cooling_ceiling"), rig.cycle != "none"
    has_cold = np.isfinite(readings.cold_end[i])
    tests = {
        "extrapolated": calibration.is_extrapolated(float(readings.frequency[i]), name),
        "load-loss-assumed": not calibration.route.is_known,
        "winding-temperature-assumed": calibration.route.is_cold and not np.isfinite(readings.winding[i]),
        "port-loss-unknown": rig.cylinders[name].open_port_diameter is None,
        "port-drop-large": port_drop_is_large(calibration, name),
        "pressure-not-calibrated": not calibration.pressure_is_known(name, float(readings.mean_pressure[i])),
        "negative-pneumatic": bool(pneumatic[i, 0] < 0),
        "hot-end-assumed": wants_ceiling and not has_hot and rig.aftercooler.thermal_resistance is None,
        "cold-end-missing": wants_ceiling and not has_cold,
        "not-cooling": bool(has_cold and cooling is not None and not np.isfinite(cooling[i]).all()),
        "torque-beyond-braked": _is_beyond_braked(calibration, readings, draws, i),
    }
    return tuple(code for code, holds in tests.items() if holds)


def _is_beyond_braked(calibration: Calibration, readings: Readings, draws: Draws, i: int) -> bool:
    """Whether a run asks for more torque at the crank than the braked sweep went to."""
    if calibration.meters.brake is None:
        return False
    torque = (draws["pneumatic"] + draws["seal"])[i, 0] / (2 * np.pi * readings.frequency[i])
    return bool(torque > BEYOND_BRAKED * calibration.meters.brake.highest[0])


def port_drop_is_large(calibration: Calibration, name: str) -> bool:
    """Whether the open port's peak drop passed 5 % of the pressure outside somewhere in a cylinder's no-load sweeps."""
    span = calibration.ranges[name]
    return peak_drop(calibration.rig, name, span.high, span.pressures[-1]) > LARGE_DROP
