"""`driveloss losses`: no-load losses at any frequency."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from driveloss.cli.console import CsvOption, JsonOption, bad_input_exits_2, note, one_format, show

MOST_ROWS = 10_000


def losses(
    calibration: Annotated[Path, typer.Argument(metavar="CALIBRATION", help="A calibration.json.")],
    at: Annotated[list[float] | None, typer.Option("--at", metavar="HZ", help="Frequency; repeatable.")] = None,
    start: Annotated[float | None, typer.Option("--from", metavar="HZ", help="First frequency of a series.")] = None,
    stop: Annotated[float | None, typer.Option("--to", metavar="HZ", help="Last frequency of a series.")] = None,
    step: Annotated[float | None, typer.Option("--step", metavar="HZ", help="Step of a series.")] = None,
    cylinder: Annotated[list[str] | None, typer.Option("--cylinder", help="Only this cylinder; repeatable.")] = None,
    mean_pressure: Annotated[
        list[str] | None, typer.Option("--mean-pressure", metavar="P", help='Such as "2 bar"; repeatable.')
    ] = None,
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
) -> None:
    """Losses at any frequency, for the drive alone and for each cylinder.

    Example: driveloss losses calib_data/calibration.json --at 7.5 --at 9
    """
    with bad_input_exits_2():
        from driveloss.fit.store import read_calibration
        from driveloss.losses.ask import losses as ask
        from driveloss.losses.tell import loss_tables, losses_data
        from driveloss.say.flags import flag_lines
        from driveloss.say.json_form import to_json

        one_format(as_json, as_csv)
        frequencies = list(at or []) + series(start, stop, step)
        if not frequencies:
            raise _usage("expected a frequency: --at 7.5, or --from 4 --to 10 --step 0.5")
        saved = read_calibration(calibration)
        pressures = [_pressure(text, saved.rig.ambient_pressure.value) for text in mean_pressure or []]
        rows = ask(saved, frequencies, cylinder, pressures or None)
        data = losses_data(rows)
        show(loss_tables(rows), lambda: to_json(data), as_json, (lambda: data["rows"]) if as_csv else None)
        note(*flag_lines((flag for row in rows for flag in row.flags), lettered=False))


def series(start: float | None, stop: float | None, step: float | None) -> list[float]:
    """Frequencies from start to stop, both included. Raises InputError unless all three are given and sensible."""
    given = [value for value in (start, stop, step) if value is not None]
    if not given:
        return []
    if start is None or stop is None or step is None or not (0 < start <= stop < float("inf") and step > 0):
        raise _usage("--from, --to and --step go together, expected 0 < from <= to and step > 0")
    if stop - start > MOST_ROWS * step:
        raise _usage(f"--step: {step:g} Hz makes too many rows, expected at most {MOST_ROWS}")
    return [round(start + i * step, 9) for i in range(int((stop - start) / step + 1e-9) + 1)]


def _usage(text: str) -> Exception:
    from driveloss.errors import InputError

    return InputError(text)


def _pressure(text: str, ambient: float) -> float:
    from driveloss.bench.quantity import parse_quantity
    from driveloss.bench.records import Quantity
    from driveloss.bench.rules import KEY_KINDS

    return parse_quantity(text, KEY_KINDS["mean_pressure"], "--mean-pressure", Quantity(ambient)).value
