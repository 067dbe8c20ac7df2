"""The drive's loss by letting it coast: its inertia times how it slows down, beside what the ladder says of the rung.

A run-down holds iron, bearings, brushes' rubbing, belt, seal and windage, and no copper, since no current flows: the
ladder's shaft power, less what of it is electrical all the same. The two are compared as curves at three frequencies,
never by coefficients.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray, Quantity, Rundown
from driveloss.bench.rundowns import same_machine
from driveloss.breakdown.ways import Way
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration, Range, shifted
from driveloss.fit.coasting import Coast, fit_rundown
from driveloss.fit.laws import rod_ratio
from driveloss.fit.meters import Meters, stream
from driveloss.physics import rundown as physics

PLACES = 3  # low, middle and high of what the ladder and the run-down have in common
SPAN_STEPS = 300  # of the quadrature over the span that two run-downs have in common
SURE = 4.0  # times its own spread by which an addition must change the time taken, to tell an inertia
PARTS = {"motor-alone": "motor", "piston-disconnected": "drive", "no-load": "no_load"}


@dataclass(frozen=True)
class Coasted:
    """One run-down: its loss over its inertia, and that inertia (1 + draws,). [kg m^2]"""

    coast: Coast
    inertia: FloatArray

    def loss(self, frequency: FloatArray, meters: Meters) -> FloatArray:
        """What friction takes at true frequency (m,), without a known brake, (m, 1 + draws). [W]"""
        slowing = self.coast.deceleration(frequency, meters)
        power = physics.run_down_power(self.inertia, frequency[:, None], slowing)
        brake = self.coast.rundown.brake_torque
        if brake is None:
            return power
        return np.asarray(power - 2 * np.pi * frequency[:, None] * _drawn(brake, meters.coasting_aid))


def coasted_ways(calibration: Calibration, rundowns: Iterable[Rundown]) -> tuple[Way, ...]:
    """What each run-down says beside the ladder.

    Raises InputError for one that the ladder has nothing to compare with, or whose inertia a pair does not tell.
    """
    found = tuple(rundowns)
    for one in found:
        _check(calibration, one)
    size = calibration.draws + 1
    coasts = {
        one.file: fit_rundown(calibration.rig, one, stream(calibration.seed, f"rundown {one.file}"), size)
        for one in found
    }
    ways: list[Way] = []
    for one in found:
        alike = same_machine(one, found)
        inertia = _inertia(calibration.meters, one, alike, coasts, calibration)
        if inertia is not None:
            ways += _ways(calibration, Coasted(coasts[one.file], inertia))
    return tuple(ways)


def _check(calibration: Calibration, one: Rundown) -> None:
    if one.stage == "motor-alone" and not calibration.has_motor:
        raise InputError(f"{one.file}: the motor coasted alone, expected a sweep of stage 'motor-alone' beside it")
    if calibration.rig.motor.supply == "controller" and not calibration.has_standby:
        raise InputError(
            f"{one.file}: a run-down holds no idle power of a controller, the ladder an unknown one: expected a sweep "
            "of stage 'standby'"
        )
    if one.cylinder is None:
        return
    if one.cylinder not in calibration.ranges:
        raise InputError(f"{one.file}: cylinder '{one.cylinder}' has no no-load sweep, expected one to compare with")
    if not calibration.pressure_is_known(one.cylinder, one.mean_pressure):
        raise InputError(
            f"{one.file}: it coasted at {one.mean_pressure / 1e5:.4g} bar, expected a pressure at which cylinder "
            f"'{one.cylinder}' was swept without load"
        )


def _drawn(quantity: Quantity, share: FloatArray) -> FloatArray:
    """Its draws, share (1 + draws,) of its limit."""
    return quantity.value + quantity.limit * share


def _inertia(
    meters: Meters, one: Rundown, alike: Sequence[Rundown], coasts: dict[str, Coast], calibration: Calibration
) -> FloatArray | None:
    """All that turns with a known addition, (1 + draws,); None where the run-down was spent on telling it. [kg m^2]"""
    stated = [other for other in (one, *alike) if other.inertia is not None]
    if stated:
        own = _stated(calibration, stated[0])
        return own if one.added_inertia is None else own + _drawn(one.added_inertia, meters.coasting_aid)
    if one.is_aided:
        return None
    told = [_by_pair(meters, coasts[one.file], coasts[other.file]) for other in alike if other.is_aided]
    return np.asarray(np.mean(told, axis=0))


def _stated(calibration: Calibration, one: Rundown) -> FloatArray:
    """As bench.toml has it, with what the piston's swinging adds."""
    meters = calibration.meters
    turning = _drawn(one.inertia or Quantity(0.0), meters.inertia)
    if one.cylinder is None or one.moving_mass is None:
        return turning
    lean = rod_ratio(calibration.rig, calibration.rig.cylinders[one.cylinder])
    mass = np.maximum(_drawn(one.moving_mass, meters.inertia), 0.0)
    return physics.effective_inertia(turning, mass, meters.cylinders[one.cylinder].stroke, lean)


def _by_pair(meters: Meters, alone: Coast, aided: Coast) -> FloatArray:
    """By what a known inertia or brake changes the time over the span that two run-downs share, (1 + draws,)."""
    low, high = max(alone.low, aided.low), min(alone.high, aided.high)
    if low >= high:
        raise InputError(
            f"{aided.rundown.file}: it coasts from {aided.high:.4g} to {aided.low:.4g} Hz, expected speeds in common "
            f"with '{alone.rundown.file}', {alone.high:.4g} to {alone.low:.4g} Hz"
        )
    span = np.linspace(high, low, SPAN_STEPS)
    slow, fast = (coast.deceleration(span, meters) for coast in (alone, aided))
    without, together = (physics.run_down_time(span, slowing)[-1] for slowing in (slow, fast))
    brake, added = aided.rundown.brake_torque, aided.rundown.added_inertia
    longer = together - without if brake is None else without - together
    if not longer[0] > SURE * float(longer[1:].std()):
        word = "longer" if brake is None else "shorter"
        raise InputError(
            f"{aided.rundown.file}: from {high:.4g} to {low:.4g} Hz it takes {together[0]:.4g} s, expected clearly "
            f"{word} than '{alone.rundown.file}' with {without[0]:.4g} s: add more, or repeat with less scatter"
        )
    longer = np.maximum(longer, longer[0] / SURE)
    if brake is not None:
        crossed = physics.fallen(span, 1 / (slow * fast))[-1]
        return physics.inertia_by_torque(_drawn(brake, meters.coasting_aid), longer, crossed)
    known = _drawn(added or Quantity(0.0), meters.coasting_aid)
    return physics.inertia_by_added_inertia(known, without, without + longer)


def _ways(calibration: Calibration, coasted: Coasted) -> Iterable[Way]:
    """At the low end, the middle and the high end of what both cover."""
    one = coasted.coast.rundown
    spans = [calibration.drive_range if one.stage != "motor-alone" else calibration.motor_range]
    spans += [calibration.ranges[one.cylinder]] if one.cylinder is not None else []
    at = _common(coasted.coast, [span for span in spans if span is not None])
    by_ladder = _by_ladder(calibration, one, at)
    by_witness = coasted.loss(at, calibration.meters)
    for frequency, ladder, witness in zip(at.tolist(), by_ladder, by_witness, strict=True):
        yield Way(
            witness=f"run-down {one.file}",  # witnesses/tell knows it by its first word
            part=PARTS[one.stage],
            cylinder=one.cylinder,
            frequency=frequency,
            mean_pressure=None if one.cylinder is None else one.mean_pressure,
            by_ladder=ladder,
            by_witness=witness,
        )


def _common(coast: Coast, spans: Sequence[Range]) -> FloatArray:
    low, high = max(span.low for span in spans), min(span.high for span in spans)
    if coast.low >= high or coast.high <= low:
        raise InputError(
            f"{coast.rundown.file}: it coasts from {coast.high:.4g} to {coast.low:.4g} Hz, expected frequencies of the "
            f"crank in common with the ladder's {low:.4g} to {high:.4g} Hz"
        )
    return np.linspace(max(low, coast.low), min(high, coast.high), PLACES)


def _by_ladder(calibration: Calibration, one: Rundown, frequency: FloatArray) -> FloatArray:
    """What friction takes at the rung of a run-down, at true frequency (m,), (m, 1 + draws). [W]"""
    misread = calibration.meters.misread(frequency)
    curve = calibration.motor if one.stage == "motor-alone" else calibration.drive
    shaft = shifted(curve, frequency, misread)
    if one.cylinder is not None:
        shaft = shaft + _beyond(calibration, one, one.cylinder, frequency, misread)
    return shaft - calibration.route.free_load_loss(shaft, frequency, calibration.meters, calibration.drive_range.high)


def _beyond(
    calibration: Calibration, one: Rundown, cylinder: str, frequency: FloatArray, misread: FloatArray
) -> FloatArray:
    """What the piston adds. The inertia on the motor's side, an unknown share, drives it through the transmission."""
    pressure = np.full(len(frequency), one.mean_pressure)
    seal, pins, port = (
        shifted(lambda f, part=part: np.nan_to_num(part(cylinder, f, pressure)), frequency, misread)  # type: ignore[misc]
        for part in (calibration.seal, calibration.pins, calibration.port)
    )
    share = stream(calibration.seed, f"coasting {one.file}").random(calibration.draws + 1)
    share[0] = 0.5
    return np.asarray((seal + pins + port) * (1 + share * (1 / calibration.meters.efficiency - 1)))
