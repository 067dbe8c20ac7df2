"""`driveloss recheck`: has the machine changed since it was calibrated?"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from typer import Argument, Option

from driveloss.cli.command import command
from driveloss.cli.console import misread, note
from driveloss.cli.options import CalibrationPath, JsonOption
from driveloss.errors import InputError

if TYPE_CHECKING:
    from driveloss.bench.records import Sweep
    from driveloss.fit.calibration import Calibration

FORM = "STAGE:FILE, or no-load:CYLINDER:FILE"


@dataclass(frozen=True)
class Verdict:
    """What counts as a change."""

    false_alarm: Annotated[float, Option("--false-alarm", help="Chance of calling anything changed if nothing is.")] = (
        0.05
    )
    worth: Annotated[
        str | None,
        Option("--worth", metavar="POWER", help='Smallest change of interest: "1 W"; else 5 % of the rung.'),
    ] = None


@command
def recheck(
    calibration: CalibrationPath,
    sweeps: Annotated[list[str], Argument(metavar="SWEEPS", help=f"Files of new readings, each as {FORM}.")],
    mean_pressure: Annotated[
        str | None,
        Option("--mean-pressure", metavar="P", help='Of no-load files without such a column: "2 bar".'),
    ] = None,
    *,
    verdict: Verdict,
    output: JsonOption,
) -> None:
    """Say from a few new readings whether seal, linkage or motor have changed since the calibration.

    Example: driveloss recheck calibration.json no-load:wide:new-wide.csv piston-disconnected:new-drive.csv
    """
    from driveloss.bench.quantity import read_option
    from driveloss.fit.store import read_calibration
    from driveloss.recheck.ask import check_program
    from driveloss.recheck.ask import recheck as ask

    saved = read_calibration(calibration)
    check_program(saved, _running(), calibration.name)
    read = [_sweep(text, saved, mean_pressure) for text in sweeps]
    worth = None if verdict.worth is None else read_option(verdict.worth, "power", "--worth").value
    answer = ask(saved, [sweep for sweep, _ in read], verdict.false_alarm, worth)
    output.show(answer)
    note(*(notice for _, notices in read for notice in notices), *answer.notes)


def _running() -> str:
    from importlib.metadata import version

    return version("driveloss")


def _sweep(text: str, saved: Calibration, mean_pressure: str | None) -> tuple[Sweep, tuple[str, ...]]:
    """One argument, STAGE:FILE or STAGE:CYLINDER:FILE, as a sweep and notices."""
    from driveloss.bench import read_sweep
    from driveloss.bench.quantity import read_option
    from driveloss.recheck.rungs import STAGES

    stage, _, rest = text.partition(":")
    if stage not in STAGES:
        raise InputError(f"'{text}', stage: {misread(stage, STAGES)}")
    cylinder, file = _cylinder_and_file(rest, text, saved) if stage == "no-load" else (None, rest)
    if not file:
        raise InputError(f"'{text}': expected {FORM}, read no file")
    ambient = saved.rig.ambient_pressure
    stated = None if cylinder is None else mean_pressure
    pressure = None if stated is None else read_option(stated, "mean_pressure", "--mean-pressure", ambient).value
    return read_sweep(Path(file), stage, cylinder, pressure, ambient.value, str(file))


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
