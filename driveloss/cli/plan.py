"""`driveloss plan`: which readings to take."""

from __future__ import annotations

from dataclasses import MISSING, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from driveloss.cli.command import command, option
from driveloss.cli.console import note
from driveloss.cli.options import BenchPath, JsonOption, cylinder_option, keep_all_option, one_of, power, seed_option
from driveloss.errors import InputError
from driveloss.plan import ORDERS

if TYPE_CHECKING:
    from driveloss.plan.outlook import Outlook


@dataclass(frozen=True)
class Wish:
    """What is to be known, and how well."""

    at: list[float] = option("Frequency of interest; repeatable.", "HZ", default=MISSING)
    half_width: str | None = option('Wanted for the net power: "1 W".', "POWER")
    readings: int | None = option("Take just so many readings.")
    cylinder: list[str] | None = cylinder_option()


@dataclass(frozen=True)
class Expectation:
    """What the readings will be like, where there are none yet or the user knows better."""

    scatter: str | None = option("Standard deviation of a power reading.", "POWER")
    digit: str | None = option("Last digit of a power reading.", "POWER")
    power_at: str | None = option("Input of loaded runs at --to, or else the highest --at.", "POWER")
    start: float | None = option("Lowest frequency, no readings yet.", "HZ", "--from")
    stop: float | None = option("Highest frequency, no readings yet.", "HZ", "--to")


@dataclass(frozen=True)
class Taking:
    """How the readings are taken, and which old ones count."""

    sheets: Path | None = option("Write a sheet to fill in for each sweep.", "DIR")
    order: str = one_of(tuple(ORDERS), "Of the sheets.")
    seed: int = seed_option()
    keep_all: bool = keep_all_option()


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
    half_width = power(wish.half_width, "--half-width")
    is_new = expectation.start is not None or expectation.stop is not None
    outlook = _assumed(bench, expectation) if is_new else _measured(bench, expectation, wish.at, taking)
    answer = ask(outlook, wish.at, half_width=half_width, readings=wish.readings, cylinders=wish.cylinder or None)
    notes = [*outlook.bench.notices, *(() if is_new else finding_lines(outlook.calibration))]
    if taking.sheets is not None:
        texts = sheets(answer, taking.order, taking.seed, _further_columns(outlook))
        write_folder(taking.sheets, texts)
        notes.append(f"Wrote {len(texts)} sheets to {taking.sheets}: {', '.join(texts)}")
    output.show(answer)
    note(*notes)


def _measured(bench: Path, expectation: Expectation, at: list[float], taking: Taking) -> Outlook:
    from driveloss.bench.load import load_bench
    from driveloss.errors import NoReadingsError
    from driveloss.fit.calibrate import calibrate
    from driveloss.plan.outlook import Given, outlook

    given = Given(
        scatter=power(expectation.scatter, "--scatter"),
        digit=power(expectation.digit, "--digit"),
        loaded_power=power(expectation.power_at, "--power-at"),
        highest=max(at, default=None),
    )
    try:
        loaded = load_bench(bench)
    except NoReadingsError as error:
        raise InputError(f"{error}; a bench without readings needs --from, --to, --scatter and --power-at") from error
    calibration = calibrate(loaded, seed=taking.seed, keep_all=taking.keep_all, compare=False)
    return outlook(loaded, calibration, given)


def _assumed(bench: Path, expectation: Expectation) -> Outlook:
    from driveloss.bench.load import config_path
    from driveloss.bench.toml import read_config
    from driveloss.plan.assumed import Expected, assumed_outlook

    scatter, loaded_power = power(expectation.scatter, "--scatter"), power(expectation.power_at, "--power-at")
    digit = power(expectation.digit, "--digit") or 0.0
    start, stop = expectation.start, expectation.stop
    if scatter is None or loaded_power is None or start is None or stop is None:
        raise InputError("--from, --to, --scatter and --power-at go together: expected all four")
    path = config_path(bench)
    return assumed_outlook(read_config(path), path.parent, Expected(loaded_power, scatter, start, stop, digit))


def _further_columns(outlook: Outlook) -> tuple[str, ...]:
    """Empty columns for what the calibration goes by beside power."""
    current = ("current [A]",) if outlook.calibration.route.needs_current else ()
    was_read = any(sweep.winding is not None for sweep in outlook.bench.sweeps)
    return (*current, "winding [degC]") if was_read else current
