"""The cylinder to predict: what is asked, completed by what was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from driveloss.bench.records import Quantity, Rig
from driveloss.breakdown.ask import Breakdown
from driveloss.errors import InputError
from driveloss.fit.checks import known_cylinder
from driveloss.predict import CIRCUITS, SAME, cycle_work

MILLIMETRES, BARS = (1e-3, "mm"), (1e5, "bar")


@dataclass(frozen=True)
class Wanted:
    """The cylinder to predict, complete."""

    bore: Quantity  # [m]
    stroke: Quantity  # [m]
    mean_pressure: Quantity  # [Pa]
    back_pressure: Quantity  # [Pa]
    like: str | None  # the measured cylinder whose seal and cycle are scaled; None pools them all
    pressure_amplitude: Quantity | None = None  # [Pa] half of peak to peak
    circuit: str = SAME  # one of CIRCUITS


def wanted_cylinder(answer: Breakdown, like: str | None = None, circuit: str = SAME, **stated: Quantity) -> Wanted:
    """Complete what is stated of `Wanted` by the cylinder `like`, or by what all measured cylinders share.

    Raises InputError for an unknown cylinder or circuit, a size that cannot be, or a quantity that stays open.
    """
    if circuit not in CIRCUITS:
        raise InputError(f"--circuit: read '{circuit}', expected one of {', '.join(CIRCUITS)}")
    rig, names = answer.calibration.rig, list(answer.calibration.ranges)
    if like is not None:
        known_cylinder(answer.calibration, like, "--like", "a cylinder")
    like = names[0] if len(names) == 1 else like
    chosen = [rig.cylinders[name] for name in ([like] if like else names)]
    measured = {
        "bore": ([c.bore for c in chosen], MILLIMETRES),
        "stroke": ([c.stroke for c in chosen], MILLIMETRES),
        "mean_pressure": (_loaded_pressures(answer, like), BARS),
        "back_pressure": ([c.back_pressure for c in chosen], BARS),
    }
    shared = {key: _shared(key, *found, like) for key, found in measured.items() if key not in stated}
    wanted = Wanted(like=like, circuit=circuit, **shared, **stated)
    _check(rig, wanted)
    return wanted


def _shared(key: str, values: Sequence[Quantity], unit: tuple[float, str], like: str | None) -> Quantity:
    """The one value that all have."""
    distinct = {value.value: value for value in values}
    if len(distinct) == 1:
        return next(iter(distinct.values()))
    found = " and ".join(_in(value, unit) for value in sorted(distinct)) or "none"
    whose = f"cylinder '{like}' was measured with" if like else "the cylinders were measured with"
    other = "" if like else ", or name one of them with --like"
    option = f"--{key.replace('_', '-')}"
    raise InputError(f"{option} is missing: {whose} {found}; give {option}{other}")


def _in(value: float, unit: tuple[float, str]) -> str:
    """A value [SI] for a message, in a unit that people use."""
    return f"{value / unit[0]:.4g} {unit[1]}"


def _loaded_pressures(answer: Breakdown, like: str | None) -> list[Quantity]:
    levels = cycle_work.work_levels(answer)
    return [Quantity(level.pressure) for name in ([like] if like in levels else levels) for level in levels[name]]


def _check(rig: Rig, wanted: Wanted) -> None:
    rod, stroke, pressure, amplitude = rig.rod_length, wanted.stroke, wanted.mean_pressure, wanted.pressure_amplitude
    if rod is not None and rod.value <= stroke.value / 2:
        raise InputError(
            f"--stroke: expected less than twice the rod length of {_in(rod.value, MILLIMETRES)}, "
            f"read {_in(stroke.value, MILLIMETRES)}"
        )
    if amplitude is not None and not 0 < amplitude.value < pressure.value:
        raise InputError(
            f"--pressure-amplitude: expected half of peak to peak, less than the mean pressure of "
            f"{_in(pressure.value, BARS)}; read {_in(amplitude.value, BARS)}"
        )
