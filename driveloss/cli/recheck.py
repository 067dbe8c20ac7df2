"""`driveloss recheck`: has the machine changed since it was calibrated?"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from typer import Argument

from driveloss.cli.command import command, option
from driveloss.cli.console import misread, note
from driveloss.cli.options import CalibrationPath, JsonOption, power
from driveloss.errors import InputError

if TYPE_CHECKING:
    from driveloss.bench.records import Sweep
    from driveloss.fit.calibration import Calibration

FORM = "STAGE:FILE, or no-load:CYLINDER:FILE"


@dataclass(frozen=True)
class Terms:
    """At which pressure was read, and what counts as a change."""

    mean_pressure: str | None = option('Of no-load files without such a column: "2 bar".', "P")
    false_alarm: float = option("Chance of calling anything changed if nothing is.", default=0.05)
    worth: str | None = option('Smallest change of interest: "1 W"; else 5 % of the rung.', "POWER")
    tolerance: str | None = option('By how much net power may be off: "0.5 W"; else the calibration\'s own ±.', "POWER")


@command
def recheck(
    calibration: CalibrationPath,
    sweeps: Annotated[list[str], Argument(metavar="SWEEPS", help=f"Files of new readings, each as {FORM}.")],
    terms: Terms,
    output: JsonOption,
) -> None:
    """Say from a few new readings whether the calibration is still valid for net power, and what has changed.

    Example: driveloss recheck calibration.json no-load:wide:new-wide.csv piston-disconnected:new-drive.csv
    """
    from driveloss import __version__
    from driveloss.fit.store import read_calibration
    from driveloss.recheck.ask import check_program
    from driveloss.recheck.ask import recheck as ask

    saved = read_calibration(calibration)
    check_program(saved, __version__, calibration.name)
    read = [_sweep(text, saved, terms.mean_pressure) for text in sweeps]
    worth, tolerance = power(terms.worth, "--worth"), power(terms.tolerance, "--tolerance")
    answer = ask(saved, [sweep for sweep, _ in read], terms.false_alarm, worth, tolerance)
    output.show(answer)
    note(*(notice for _, notices in read for notice in notices), *answer.notes)


def _sweep(text: str, saved: Calibration, mean_pressure: str | None) -> tuple[Sweep, tuple[str, ...]]:
    """One argument, STAGE:FILE or STAGE:CYLINDER:FILE, as a sweep and notices."""
    from driveloss.bench.columns import read_sweep
    from driveloss.bench.quantity import read_option
    from driveloss.bench.records import SweepSpec
    from driveloss.recheck.rungs import STAGES

    stage, _, rest = text.partition(":")
    if stage not in STAGES:
        raise InputError(f"'{text}', stage: {misread(stage, STAGES)}")
    cylinder, file = _cylinder_and_file(rest, text, saved) if stage == "no-load" else (None, rest)
    if not file:
        raise InputError(f"'{text}': expected {FORM}, read no file")
    ambient, pressure = saved.rig.ambient_pressure, None
    if cylinder is not None and mean_pressure is not None:
        pressure = read_option(mean_pressure, "mean_pressure", "--mean-pressure", ambient).value
    spec = SweepSpec(stage=stage, cylinder=cylinder, file=file, mean_pressure=pressure, where=text)
    ratio = saved.rig.transmission.ratio
    return read_sweep(Path(file), spec, ambient.value, None if ratio is None else ratio.value)


def _cylinder_and_file(rest: str, text: str, saved: Calibration) -> tuple[str, str]:
    """The cylinder may be left out where the calibration has only one."""
    name, colon, file = rest.partition(":")
    names = list(saved.ranges)
    if colon and name in names:
        return name, file
    if len(names) == 1 and (not colon or Path(rest).exists()):
        return names[0], rest
    known = ", ".join(f"'{known}'" for known in names) or "none"
    read = f"cylinder '{name}'" if colon else "none"
    raise InputError(
        f"'{text}': expected no-load:CYLINDER:FILE with a cylinder that was calibrated: {known}; read {read}"
    )
