"""Every loaded reading split into its parts, with ceilings and the heat at the aftercooler."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache, partial
from itertools import chain
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray, Recording, Rundown, Sweep
from driveloss.breakdown.assumed import Assumed, assumptions_at_work
from driveloss.breakdown.coasted import coasted_ways
from driveloss.breakdown.joint import Verdict, joined, judge
from driveloss.breakdown.recorded import Recorded, recorded_work, with_waves
from driveloss.breakdown.settled import settled_ends
from driveloss.breakdown.split import Block, Draws, beside, blocks_of, parts_of
from driveloss.breakdown.ways import Way
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.contributions import Attribution
from driveloss.fit.estimate import COVERAGE, Estimate, estimates
from driveloss.fit.laws import peak_drop
from driveloss.fit.readings import Readings, gather
from driveloss.fit.readings import joined as end_to_end
from driveloss.fit.suspects import loaded_course
from driveloss.say.answer import Answer
from driveloss.say.quantities import Named

AT_ONCE = 3000  # runs whose draws are held together: a third of a megabyte each
KEPT = 1  # block whose parts are kept for when they are asked for again: that of several recordings
LARGE_DROP = 0.05  # of the pressure outside: beyond it the volume behind the port decides some 10 % of its power
BEYOND_BRAKED = 1.1  # times the braked sweep's largest torque

PLACE = ("file", "line", "row", "cylinder", "frequency", "mean_pressure")  # of a reading, as a run repeats it
TEMPERATURES = ("cold_end", "hot_end", "coolant", "winding")


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

    Raises InputError where there is none, where the calibration lacks its cylinder or needs the motor current, and for
    more than AT_ONCE, which go by `in_blocks`.
    """
    readings = gather(calibration.rig, sweeps, ("loaded",))
    if len(readings) > AT_ONCE:
        raise InputError(
            f"bench.toml: its loaded sweeps hold {len(readings)} readings, expected at most {AT_ONCE} where runs are "
            "compared or drawn; driveloss breakdown alone takes any number"
        )
    return _together(list(_answers(calibration, readings, recordings, rundowns)))


def in_blocks(
    calibration: Calibration,
    sweeps: Iterable[Sweep],
    recordings: Iterable[Recording] = (),
    rundowns: Iterable[Rundown] = (),
) -> Iterator[Breakdown]:
    """The same for any number of readings, some after the other: no more draws are held than those of a block."""
    yield from _answers(calibration, gather(calibration.rig, sweeps, ("loaded",)), recordings, rundowns)


def by_ladder(calibration: Calibration, sweeps: Iterable[Sweep], place: int) -> FloatArray:
    """Net power of the loaded reading at one place among all by subtraction alone, (1 + draws,). [W]

    Raises InputError as `breakdown` does.
    """
    readings = gather(calibration.rig, sweeps, ("loaded",))
    _check(calibration, readings)
    blocks = blocks_of(readings, loaded_course(calibration, readings), calibration.draws)
    mine = next(block for block in blocks if place in block.places)
    at = place - int(mine.places[0])
    return np.asarray(parts_of(calibration, mine, slice(at, at + 1))["pneumatic"][0])


def _answers(
    calibration: Calibration, readings: Readings, recordings: Iterable[Recording], rundowns: Iterable[Rundown]
) -> Iterator[Breakdown]:
    _check(calibration, readings)
    course, recorded = loaded_course(calibration, readings), recorded_work(calibration, readings, recordings)
    if recorded:
        calibration, readings = with_waves(calibration, readings, recorded)
    blocks = blocks_of(readings, course, calibration.draws)
    parts = lru_cache(KEPT)(lambda number: parts_of(calibration, blocks[number]))
    ways = (*(_recorded_way(one, blocks, parts) for one in recorded), *coasted_ways(calibration, rundowns))
    verdict = judge(ways) if ways else None
    agreed = verdict if verdict is not None and verdict.agree else None
    answer = partial(Breakdown, calibration, recorded=recorded, ways=ways, verdict=verdict)
    for block in blocks:
        found = parts(block.number) if agreed is None else joined(parts(block.number), agreed)
        ends = settled_ends(calibration, block.readings, block.number)
        draws = found | beside(calibration, block.readings, found, ends)
        late = {"suspect-reading": block.course.off != 0, "not-settled": ends.unsettled}
        if verdict is not None and agreed is None:
            late = {"witnesses-disagree": np.ones_like(ends.unsettled), **late}
        yield answer(block.readings, draws, _flags(calibration, block.readings, draws, late))


def _recorded_way(recorded: Recorded, blocks: Iterable[Block], parts: Callable[[int], Draws]) -> Way:
    """A recording beside what the ladder says of the runs that it was made at."""
    net = np.zeros(1)
    for block in blocks:
        mine = np.isin(block.places, recorded.runs)
        if mine.any():
            net = net + parts(block.number)["pneumatic"][mine].sum(axis=0)
    return recorded.way(net / len(recorded.runs))


def _together(blocks: Sequence[Breakdown]) -> Breakdown:
    first = blocks[0]
    if len(blocks) == 1:
        return first
    draws = {name: np.concatenate([block.draws[name] for block in blocks]) for name in first.draws}
    flags = tuple(chain.from_iterable(block.flags for block in blocks))
    return replace(first, readings=end_to_end(*(block.readings for block in blocks)), draws=draws, flags=flags)


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


def _flags(
    calibration: Calibration, readings: Readings, draws: Draws, late: Mapping[str, NDArray[np.bool_]]
) -> tuple[tuple[str, ...], ...]:
    """Of each run, those of `late` (n,) last."""
    return tuple(
        (*_own_flags(calibration, readings, draws, i), *(code for code, holds in late.items() if holds[i]))
        for i in range(len(readings))
    )


def _own_flags(calibration: Calibration, readings: Readings, draws: Draws, i: int) -> tuple[str, ...]:
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
