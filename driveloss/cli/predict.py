"""`driveloss predict`: a bore, stroke, charge pressure or frequency not yet tried."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from driveloss.cli.console import (
    BenchPath,
    CsvOption,
    DrawsOption,
    FamilyOption,
    JsonOption,
    KeepAllOption,
    SeedOption,
    bad_input_exits_2,
    choose,
    note,
    one_format,
    show,
)

if TYPE_CHECKING:
    from driveloss.bench.records import Quantity


def predict(
    bench: BenchPath,
    at: Annotated[list[float] | None, typer.Option("--at", metavar="HZ", help="Crank frequency; repeatable.")] = None,
    bore: Annotated[str | None, typer.Option("--bore", metavar="LENGTH", help='Such as "50 mm".')] = None,
    stroke: Annotated[str | None, typer.Option("--stroke", metavar="LENGTH", help='Such as "28 mm".')] = None,
    mean_pressure: Annotated[
        str | None, typer.Option("--mean-pressure", metavar="P", help='Charge, such as "3 bar" or "2 bar gauge".')
    ] = None,
    back_pressure: Annotated[
        str | None, typer.Option("--back-pressure", metavar="P", help="Behind the piston, such as the charged case's.")
    ] = None,
    like: Annotated[
        str | None,
        typer.Option("--like", metavar="CYLINDER", help="Scale this measured cylinder; all are pooled unless given."),
    ] = None,
    pressure_amplitude: Annotated[
        str | None,
        typer.Option("--pressure-amplitude", metavar="P", help="Half of the pressure's peak to peak, if known."),
    ] = None,
    calibration: Annotated[
        Path | None,
        typer.Option("--calibration", metavar="FILE", help="Use a saved calibration instead of fitting this bench's."),
    ] = None,
    family: FamilyOption = "physical",
    draws: DrawsOption = 2000,
    seed: SeedOption = 20,
    keep_all: KeepAllOption = False,
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
) -> None:
    """Predict losses, net power and motor torque for a cylinder, pressure or frequency not yet tried.

    What is not stated stays as measured: with the cylinder named by --like, or where all cylinders agree.

    Example: driveloss predict calib_data --bore "50 mm" --mean-pressure "3 bar" --at 9
    """
    with bad_input_exits_2():
        from driveloss.bench import load_bench
        from driveloss.breakdown.ask import breakdown
        from driveloss.breakdown.tell import CAUTION
        from driveloss.errors import InputError
        from driveloss.fit.calibrate import calibrate
        from driveloss.fit.calibration import FAMILIES
        from driveloss.fit.store import read_calibration
        from driveloss.predict.ask import predict as ask
        from driveloss.predict.ask import wanted_cylinder
        from driveloss.predict.tell import predict_data, predict_tables, prediction_flag_lines
        from driveloss.say.calibration import finding_lines
        from driveloss.say.json_form import to_json

        one_format(as_json, as_csv)
        if not at:
            raise InputError("--at is missing: expected a crank frequency in Hz, such as --at 9")
        loaded = load_bench(bench)
        texts = {"bore": bore, "stroke": stroke, "mean_pressure": mean_pressure, "back_pressure": back_pressure}
        stated = {key: _quantity(key, text, loaded.rig.ambient_pressure) for key, text in texts.items()}
        stated["pressure_amplitude"] = _quantity("pressure_amplitude", pressure_amplitude, None)
        if calibration is None:
            family = choose(family, FAMILIES, "--family")
            fitted = calibrate(loaded, family, draws, seed, keep_all=keep_all, compare=False)
        else:
            fitted = read_calibration(calibration)
        measured = breakdown(fitted, loaded.sweeps)
        answer = ask(measured, wanted_cylinder(measured, like, **stated), at)
        data = predict_data(answer)
        rows = [{key: value for key, value in row.items() if key != "torque_cycle"} for row in data["rows"]]
        show(predict_tables(answer), lambda: to_json(data), as_json, (lambda: rows) if as_csv else None)
        flags = (flag for point in answer.points for flag in point.flags)
        note(*loaded.notices, *finding_lines(fitted), *prediction_flag_lines(flags), CAUTION)


def _quantity(key: str, text: str | None, ambient: Quantity | None) -> Quantity | None:
    """An option's quantity in SI, read as the key of bench.toml would be."""
    from driveloss.bench.quantity import parse_quantity
    from driveloss.bench.rules import KEY_KINDS, Kind

    if text is None:
        return None
    amplitude = Kind("pressure", "Pa", "0.5 bar", 1, 1e8, "was it in bar?")
    return parse_quantity(text, KEY_KINDS.get(key, amplitude), f"--{key.replace('_', '-')}", ambient)
