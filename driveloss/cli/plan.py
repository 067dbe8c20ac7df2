"""`driveloss plan`: which readings to take."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from driveloss.cli.console import (
    BenchPath,
    JsonOption,
    KeepAllOption,
    SeedOption,
    bad_input_exits_2,
    choose,
    note,
    show,
)

if TYPE_CHECKING:
    from driveloss.plan.outlook import Outlook

DRAWS = 400  # the plan needs spreads, not tails


def plan(
    bench: BenchPath,
    at: Annotated[list[float], typer.Option("--at", metavar="HZ", help="Frequency of interest; repeatable.")],
    half_width: Annotated[
        str | None, typer.Option("--half-width", metavar="POWER", help='Wanted for the net power: "1 W".')
    ] = None,
    readings: Annotated[int | None, typer.Option("--readings", help="Take just so many readings.")] = None,
    cylinder: Annotated[list[str] | None, typer.Option("--cylinder", help="Only this cylinder; repeatable.")] = None,
    scatter: Annotated[
        str | None, typer.Option("--scatter", metavar="POWER", help="Standard deviation of a power reading.")
    ] = None,
    power_at: Annotated[
        str | None,
        typer.Option("--power-at", metavar="POWER", help="Input of loaded runs at --to, or else the highest --at."),
    ] = None,
    start: Annotated[
        float | None, typer.Option("--from", metavar="HZ", help="Lowest frequency, no readings yet.")
    ] = None,
    stop: Annotated[
        float | None, typer.Option("--to", metavar="HZ", help="Highest frequency, no readings yet.")
    ] = None,
    sheets: Annotated[
        Path | None, typer.Option("--sheets", metavar="DIR", help="Write a sheet to fill in for each rung.")
    ] = None,
    order: Annotated[str, typer.Option("--order", help="Of the sheets: up-down or random.")] = "up-down",
    seed: SeedOption = 20,
    keep_all: KeepAllOption = False,
    as_json: JsonOption = False,
) -> None:
    """Say which frequencies to measure on which rung, how often, and how well the net power will then be known.

    A bench without readings needs --from, --to, --scatter and --power-at.

    Example: driveloss plan calib_data --cylinder wide --at 8 --half-width "0.5 W" --sheets next-sweeps
    """
    with bad_input_exits_2():
        from driveloss.plan.ask import plan as ask
        from driveloss.plan.tell import ORDERS, plan_data, plan_tables
        from driveloss.say.calibration import finding_lines
        from driveloss.say.json_form import to_json

        choose(order, ORDERS, "--order")
        wanted, noise, loaded = (
            None if text is None else _power(text, option)
            for text, option in ((half_width, "--half-width"), (scatter, "--scatter"), (power_at, "--power-at"))
        )
        if start is None and stop is None:
            outlook = _measured(bench, noise, loaded, at, seed, keep_all)
        else:
            outlook = _assumed(bench, noise, loaded, start, stop)
        answer = ask(outlook, at, wanted, readings, cylinder or None)
        show(plan_tables(answer), lambda: to_json(plan_data(answer)), as_json)
        findings = () if start is not None else finding_lines(outlook.calibration)
        note(*outlook.bench.notices, *findings)
        if sheets is not None:
            from driveloss.bench.template import write_files
            from driveloss.plan.tell import sheets as texts

            written = write_files(sheets, texts(answer, order, seed, _further_columns(outlook)))
            note(f"Wrote {len(written)} sheets to {sheets}: {', '.join(path.name for path in written)}")


def _measured(
    bench: Path, scatter: float | None, loaded: float | None, at: list[float], seed: int, keep_all: bool
) -> Outlook:
    from driveloss.bench import load_bench
    from driveloss.errors import InputError
    from driveloss.fit.calibrate import calibrate
    from driveloss.plan.outlook import outlook

    try:
        loaded_bench = load_bench(bench)
    except InputError as error:
        if "below the header, read none" not in str(error):
            raise
        raise InputError(f"{error}; a bench without readings needs --from, --to, --scatter and --power-at") from error
    calibration = calibrate(loaded_bench, draws=DRAWS, seed=seed, keep_all=keep_all, compare=False)
    return outlook(loaded_bench, calibration, scatter, loaded, at)


def _assumed(
    bench: Path, scatter: float | None, loaded: float | None, start: float | None, stop: float | None
) -> Outlook:
    from driveloss.bench.load import BENCH_FILE
    from driveloss.bench.toml import read_config
    from driveloss.errors import InputError
    from driveloss.plan.assumed import Expected, assumed_outlook

    if scatter is None or loaded is None or start is None or stop is None:
        raise InputError("--from, --to, --scatter and --power-at go together: expected all four")
    path = bench / BENCH_FILE if bench.is_dir() else bench
    if not path.is_file():
        raise InputError(f"{path}: there is no such file; expected a bench folder or its {BENCH_FILE}")
    return assumed_outlook(read_config(path), path.parent, Expected(loaded, scatter, start, stop))


def _further_columns(outlook: Outlook) -> tuple[str, ...]:
    """Empty columns for what the calibration goes by beside power."""
    current = ("current [A]",) if outlook.calibration.route == "measured current" else ()
    return (*current, "winding [degC]") if outlook.calibration.winding is not None else current


def _power(text: str, option: str) -> float:
    from driveloss.bench.quantity import parse_quantity
    from driveloss.bench.rules import Kind

    return parse_quantity(text, Kind("power", "W", "1 W", 1e-6, 1e6, "was it in mW?"), option).value
