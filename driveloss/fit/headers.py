"""Columns that hold something else than their headers say: exchanged, of the motor, or in Fahrenheit.

Settings repeat from file to file, readings do not; volts follow the speed, amperes the load.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TypeVar

import numpy as np

from driveloss.bench.records import Bench, FloatArray, Rig, Sweep
from driveloss.fit.findings import Finding

LEAST_RATIO = 1.4  # of a transmission that can be told from none
ROOM_HEAT = 323.15  # [K] ambient that no room has
SAME_PLACE = 6.0  # [K] by which a coolant in a room may differ from the room's air, in the mean
ALIKE = 0.01  # relative: the same setting
A_LITTLE_OFF = (0.95, 0.97, 1.03, 1.05)
MOSTLY, HARDLY = 0.6, 0.4  # shares of a column that are settings
SURELY_OVER = 1.0  # [K] by which a cold end lies above the hot one


def said(text: str, files: Iterable[str] = ()) -> Finding:
    """A finding, its files named first."""
    named = list(files)
    return Finding("mix-up", f"{', '.join(named)}: {text}" if named else text, named[0] if named else None)


def turning(bench: Bench) -> tuple[Sweep, ...]:
    """Every sweep but standby."""
    return tuple(sweep for sweep in bench.sweeps if sweep.stage != "standby")


def transmission_ratio(rig: Rig) -> float:
    """Motor turns for one of the crank; one where not stated."""
    return 1.0 if rig.transmission.ratio is None else rig.transmission.ratio.value


def _repeats(values: FloatArray, settings: FloatArray) -> float:
    """Share of the values that are settings (within 1 %), beyond those a little off that seem to be."""

    known = np.sort(settings)

    def alike(those: FloatArray) -> float:
        first = np.searchsorted(known, those / (1 + ALIKE))
        return float(np.mean(np.searchsorted(known, those / (1 - ALIKE), "right") > first))

    return alike(values) - float(np.mean([alike(values * off) for off in A_LITTLE_OFF]))


def _each_and_others(sweeps: Sequence[Sweep]) -> Iterator[tuple[Sweep, list[Sweep]]]:
    """Each sweep of four readings or more, with all the others."""
    for sweep in sweeps if len(sweeps) > 1 else ():
        if len(sweep) > 3:
            yield sweep, [other for other in sweeps if other is not sweep]


def power_for_frequency(bench: Bench) -> Iterator[Finding]:
    """Files whose power column holds the settings and whose frequency column does not."""
    files = []
    for sweep, others in _each_and_others([s for s in turning(bench) if not s.from_volts_and_amps]):
        frequency = np.concatenate([other.frequency for other in others])
        power = np.concatenate([other.power for other in others])
        settings = (frequency, frequency * 60, power)  # exchanged here alone, with speeds in rpm, or everywhere
        is_setting = any(_repeats(sweep.power, those) > MOSTLY for those in settings)
        if is_setting and _repeats(sweep.frequency, frequency) < HARDLY:
            files.append(sweep.file)
    if files:
        yield said(
            "the power column holds settings that repeat from file to file and the frequency column does not: the two "
            "were probably exchanged; check their headers.",
            files,
        )


def volts_for_amps(bench: Bench) -> Iterator[Finding]:
    """Volts follow the speed whatever turns, amperes the load: columns in which it is the other way round."""
    sweeps = [sweep for sweep in turning(bench) if sweep.from_volts_and_amps]
    if len(sweeps) < 2:
        return
    frequency = np.log(np.concatenate([sweep.frequency for sweep in sweeps]))
    volts, amps = _logarithms(sweep.voltage for sweep in sweeps), _logarithms(sweep.current for sweep in sweeps)
    (slope, spread), (_, other) = _course(frequency, amps), _course(frequency, volts)
    if other > 3 * spread and (slope > 0.6 if bench.rig.motor.supply == "terminals" else np.ptp(amps) < 0.05):
        yield said(
            "the current column follows frequency alone and the voltage column the load, as volts and amperes do: the "
            "two were probably exchanged; check their headers.",
            [sweep.file for sweep in sweeps],
        )


def _logarithms(columns: Iterable[FloatArray | None]) -> FloatArray:
    there = np.concatenate([column for column in columns if column is not None])
    return np.asarray(np.log(np.maximum(there, 1e-9)))


def _course(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope of a straight line through the points, and the standard deviation about it."""
    design = np.column_stack([x, np.ones_like(x)])
    line = np.linalg.lstsq(design, y, rcond=None)[0]
    return float(line[0]), float(np.std(y - design @ line))


def motor_speeds(bench: Bench) -> Iterator[Finding]:
    """Files of the ladder whose speeds are the motor's while the others' are the crank's."""
    ratio = transmission_ratio(bench.rig)
    if max(ratio, 1 / ratio) < LEAST_RATIO:
        return
    files = []
    for sweep, others in _each_and_others(turning(bench)):
        settings = np.concatenate([other.frequency for other in others])
        as_crank = _repeats(sweep.frequency / ratio, settings)
        if as_crank > MOSTLY and _repeats(sweep.frequency, settings) < HARDLY:
            files.append(sweep.file)
    if files:
        yield said(
            f"speeds are {ratio:.3g} times the other files' settings, which is transmission.ratio: they are "
            "probably the motor's; frequency and speed must be the crank's.",
            files,
        )


def fahrenheit(bench: Bench) -> Iterator[Finding]:
    """Temperatures in degrees Fahrenheit that were called Celsius."""
    ambient = bench.rig.ambient_temperature.value
    if ambient > ROOM_HEAT:
        yield said(
            f"bench.toml, ambient_temperature: {ambient - 273.15:.3g} degC is no room's: was it in degF "
            f"({_from_fahrenheit(ambient) - 273.15:.2g} degC)?"
        )
        return
    columns = {sweep.file: _in_fahrenheit(sweep, bench.rig) for sweep in bench.sweeps}
    files = [file for file, name in columns.items() if name]
    if files:
        first = next(sweep for sweep in bench.sweeps if sweep.file == files[0])
        name = columns[first.file]
        middle = float(np.median(getattr(first, name)))
        yield said(
            f"column '{name.replace('_', ' ')}' holds {middle - 273.15:.3g} degC in the middle, with "
            f"ambient_temperature at {ambient - 273.15:.3g} degC: was it in degF, which would be "
            f"{_from_fahrenheit(middle) - 273.15:.2g} degC, and the other columns too? Then write [degF] above it.",
            files,
        )


T = TypeVar("T", float, FloatArray)


def _from_fahrenheit(kelvin: T) -> T:
    """What was meant by a number of degrees Fahrenheit that was taken for Celsius. [K]"""
    return (kelvin - 273.15 - 32) / 1.8 + 273.15


def _in_fahrenheit(sweep: Sweep, rig: Rig) -> str:
    """Which column shows that it is: a coolant at the room's temperature, else a cooler's ends; or none."""
    columns = {name: getattr(sweep, name) for name in ("coolant", "cold_end", "hot_end")}
    read = {name: values[np.isfinite(values)] for name, values in columns.items() if values is not None}
    room = rig.ambient_temperature.value
    meant = {name: _from_fahrenheit(values) for name, values in read.items()}
    is_cold = "cold_end" not in read or np.median(meant["cold_end"]) < room + SAME_PLACE
    if "coolant" in read:
        middle = float(np.median(read["coolant"]))
        is_room = abs(_from_fahrenheit(middle) - room) < SAME_PLACE and middle > room + 4 * SAME_PLACE
        return "coolant" if is_room and is_cold and rig.cycle != "heat-pump" else ""
    if rig.cycle not in ("stirling", "pulse-tube") or not {"cold_end", "hot_end"} <= read.keys():
        return ""
    hot = float(np.min(meant["hot_end"])) - room
    is_warm = float(np.max(read["cold_end"])) > room + 2 * SAME_PLACE  # as no cooler's cold end is
    return "hot_end" if is_warm and is_cold and -SAME_PLACE < hot < 2 * SAME_PLACE else ""


def exchanged_ends(bench: Bench) -> Iterator[Finding]:
    """Cold ends above hot ends in every run."""
    over = {
        sweep.file: above[np.isfinite(above)]
        for sweep in bench.sweeps
        if sweep.cold_end is not None
        and sweep.hot_end is not None
        and np.isfinite(above := sweep.cold_end - sweep.hot_end).sum() > 2
    }
    files = [file for file, above in over.items() if (above > SURELY_OVER).all()]
    if files:
        yield said(
            f"the cold end is above the hot end in every row, by {np.median(over[files[0]]):.2g} K in the middle: the "
            "two columns were probably exchanged; check their headers.",
            files,
        )
