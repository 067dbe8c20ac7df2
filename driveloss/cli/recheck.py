"""`driveloss recheck`: has the machine changed since it was calibrated?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from driveloss.cli.console import JsonOption, bad_input_exits_2, choose, note, show

if TYPE_CHECKING:
    from driveloss.bench.records import Sweep
    from driveloss.fit.calibration import Calibration

FORM = "STAGE:FILE, or no-load:CYLINDER:FILE"


def recheck(
    calibration: Annotated[Path, typer.Argument(metavar="CALIBRATION", help="A calibration.json.")],
    sweeps: Annotated[
        list[str],
        typer.Argument(metavar="SWEEPS", help=f"Files of new readings, each as {FORM}."),
    ],
    mean_pressure: Annotated[
        str | None,
        typer.Option("--mean-pressure", metavar="P", help='Of no-load files without such a column: "2 bar".'),
    ] = None,
    false_alarm: Annotated[
        float, typer.Option("--false-alarm", help="Chance of calling anything changed if nothing is.")
    ] = 0.05,
    worth: Annotated[
        str | None,
        typer.Option("--worth", metavar="POWER", help='Smallest change of interest: "1 W"; else 5 % of the rung.'),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say from a few new readings whether seal, linkage or motor have changed since the calibration.

    Example: driveloss recheck calibration.json no-load:wide:new-wide.csv piston-disconnected:new-drive.csv
    """
    with bad_input_exits_2():
        from driveloss.fit.store import read_calibration
        from driveloss.recheck.ask import check_program
        from driveloss.recheck.ask import recheck as ask
        from driveloss.recheck.tell import recheck_data, recheck_tables
        from driveloss.say.json_form import to_json

        saved = read_calibration(calibration)
        check_program(saved, _running(), calibration.name)
        read = [_sweep(text, saved, mean_pressure) for text in sweeps]
        least = None if worth is None else _power(worth)
        answer = ask(saved, [sweep for sweep, _ in read], false_alarm, least)
        show(recheck_tables(answer), lambda: to_json(recheck_data(answer)), as_json)
        note(*(notice for _, notices in read for notice in notices), *answer.notes)


def _running() -> str:
    from importlib.metadata import version

    return version("driveloss")


def _sweep(text: str, saved: Calibration, mean_pressure: str | None) -> tuple[Sweep, tuple[str, ...]]:
    """One argument, STAGE:FILE or STAGE:CYLINDER:FILE, as a sweep and notices."""
    from driveloss.bench import read_sweep
    from driveloss.recheck.rungs import STAGES

    stage, _, rest = text.partition(":")
    choose(stage, STAGES, f"'{text}', stage")
    cylinder, file = _cylinder_and_file(rest, text, saved) if stage == "no-load" else (None, rest)
    if not file:
        raise _refuse(text, f"expected {FORM}, read no file")
    pressure = None if cylinder is None or mean_pressure is None else _pressure(mean_pressure, saved)
    ambient = saved.rig.ambient_pressure.value
    return read_sweep(Path(file), stage, cylinder, pressure, ambient, str(file))


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
    raise _refuse(text, f"expected no-load:CYLINDER:FILE with a cylinder that was calibrated: {known}; read {read}")


def _refuse(text: str, reason: str) -> Exception:
    from driveloss.errors import InputError

    return InputError(f"'{text}': {reason}")


def _pressure(text: str, saved: Calibration) -> float:
    from driveloss.bench.quantity import parse_quantity
    from driveloss.bench.rules import KEY_KINDS

    return parse_quantity(text, KEY_KINDS["mean_pressure"], "--mean-pressure", saved.rig.ambient_pressure).value


def _power(text: str) -> float:
    from driveloss.bench.quantity import parse_quantity
    from driveloss.bench.rules import Kind

    return parse_quantity(text, Kind("power", "W", "1 W", 1e-6, 1e6, "was it in mW?"), "--worth").value
