"""`driveloss plan`: which readings to take."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from typer import Option

from driveloss.cli.command import command
from driveloss.cli.console import note
from driveloss.cli.options import BenchPath, CylinderOption, JsonOption, KeepAllOption, SeedOption, one_of
from driveloss.errors import InputError
from driveloss.fit import SEED
from driveloss.plan import DRAWS, ORDERS

if TYPE_CHECKING:
    from driveloss.plan.outlook import Outlook


@dataclass(frozen=True)
class Wish:
    """What is to be known, and how well."""

    at: Annotated[list[float], Option("--at", metavar="HZ", help="Frequency of interest; repeatable.")]
    half_width: Annotated[
        str | None, Option("--half-width", metavar="POWER", help='Wanted for the net power: "1 W".')
    ] = None
    readings: Annotated[int | None, Option("--readings", help="Take just so many readings.")] = None
    cylinder: CylinderOption = None


@dataclass(frozen=True)
class Expectation:
    """What the readings will be like, where there are none yet or the user knows better."""

    scatter: Annotated[
        str | None, Option("--scatter", metavar="POWER", help="Standard deviation of a power reading.")
    ] = None
    power_at: Annotated[
        str | None,
        Option("--power-at", metavar="POWER", help="Input of loaded runs at --to, or else the highest --at."),
    ] = None
    start: Annotated[float | None, Option("--from", metavar="HZ", help="Lowest frequency, no readings yet.")] = None
    stop: Annotated[float | None, Option("--to", metavar="HZ", help="Highest frequency, no readings yet.")] = None

    @property
    def powers(self) -> tuple[float | None, float | None]:
        """Scatter, and input of loaded runs. [W]"""
        return _power(self.scatter, "--scatter"), _power(self.power_at, "--power-at")


@dataclass(frozen=True)
class Taking:
    """How the readings are taken, and which old ones count."""

    sheets: Annotated[
        Path | None, Option("--sheets", metavar="DIR", help="Write a sheet to fill in for each rung.")
    ] = None
    order: Annotated[str, one_of(tuple(ORDERS), "--order", "Of the sheets.")] = next(iter(ORDERS))
    seed: SeedOption = SEED
    keep_all: KeepAllOption = False


@command
def plan(bench: BenchPath, wish: Wish, expectation: Expectation, taking: Taking, output: JsonOption) -> None:
    """Say which frequencies to measure on which rung, how often, and how well the net power will then be known.

    A bench without readings needs --from, --to, --scatter and --power-at.

    Example: driveloss plan calib_data --cylinder wide --at 8 --half-width "0.5 W" --sheets next-sweeps
    """
    from driveloss.plan.ask import plan as ask
    from driveloss.plan.tell import sheets
    from driveloss.say.calibration import finding_lines
    from driveloss.say.files import check_folder, write_folder

    if taking.sheets is not None:
        check_folder(taking.sheets)
    half_width = _power(wish.half_width, "--half-width")
    is_new = expectation.start is not None or expectation.stop is not None
    outlook = _assumed(bench, expectation) if is_new else _measured(bench, expectation, wish.at, taking)
    answer = ask(outlook, wish.at, half_width, wish.readings, wish.cylinder or None)
    notes = [*outlook.bench.notices, *(() if is_new else finding_lines(outlook.calibration))]
    if taking.sheets is not None:
        texts = sheets(answer, taking.order, taking.seed, _further_columns(outlook))
        write_folder(taking.sheets, texts)
        notes.append(f"Wrote {len(texts)} sheets to {taking.sheets}: {', '.join(texts)}")
    output.show(answer)
    note(*notes)


def _measured(bench: Path, expectation: Expectation, at: list[float], taking: Taking) -> Outlook:
    from driveloss.bench import load_bench
    from driveloss.errors import NoReadingsError
    from driveloss.fit.calibrate import calibrate
    from driveloss.plan.outlook import outlook

    scatter, loaded_power = expectation.powers
    try:
        loaded = load_bench(bench)
    except NoReadingsError as error:
        raise InputError(f"{error}; a bench without readings needs --from, --to, --scatter and --power-at") from error
    calibration = calibrate(loaded, draws=DRAWS, seed=taking.seed, keep_all=taking.keep_all, compare=False)
    return outlook(loaded, calibration, scatter, loaded_power, at)


def _assumed(bench: Path, expectation: Expectation) -> Outlook:
    from driveloss.bench.load import BENCH_FILE
    from driveloss.bench.toml import read_config
    from driveloss.plan.assumed import Expected, assumed_outlook

    scatter, loaded_power = expectation.powers
    start, stop = expectation.start, expectation.stop
    if scatter is None or loaded_power is None or start is None or stop is None:
        raise InputError("--from, --to, --scatter and --power-at go together: expected all four")
    path = bench / BENCH_FILE if bench.is_dir() else bench
    if not path.is_file():
        raise InputError(f"{path}: there is no such file; expected a bench folder or its {BENCH_FILE}")
    return assumed_outlook(read_config(path), path.parent, Expected(loaded_power, scatter, start, stop))


def _further_columns(outlook: Outlook) -> tuple[str, ...]:
    """Empty columns for what the calibration goes by beside power."""
    current = ("current [A]",) if outlook.calibration.route.needs_current else ()
    return (*current, "winding [degC]") if outlook.calibration.winding is not None else current


def _power(text: str | None, option: str) -> float | None:
    from driveloss.bench.quantity import read_option

    return None if text is None else read_option(text, "power", option).value
