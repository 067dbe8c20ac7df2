"""`driveloss predict`: a bore, stroke, charge pressure or frequency not yet tried."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Annotated

from typer import Option

from driveloss.cli.command import command
from driveloss.cli.console import note
from driveloss.cli.options import BenchPath, CurveOptions, OutputOptions
from driveloss.errors import InputError

if TYPE_CHECKING:
    from driveloss.bench.records import Quantity


@dataclass(frozen=True)
class Untried:
    """The cylinder to predict, as far as it is stated."""

    bore: Annotated[str | None, Option("--bore", metavar="LENGTH", help='Such as "50 mm".')] = None
    stroke: Annotated[str | None, Option("--stroke", metavar="LENGTH", help='Such as "28 mm".')] = None
    mean_pressure: Annotated[
        str | None, Option("--mean-pressure", metavar="P", help='Charge, such as "3 bar" or "2 bar gauge".')
    ] = None
    back_pressure: Annotated[
        str | None, Option("--back-pressure", metavar="P", help="Behind the piston, such as the charged case's.")
    ] = None
    like: Annotated[
        str | None,
        Option("--like", metavar="CYLINDER", help="Scale this measured cylinder; all are pooled unless given."),
    ] = None
    pressure_amplitude: Annotated[
        str | None,
        Option("--pressure-amplitude", metavar="P", help="Half of the pressure's peak to peak, if known."),
    ] = None

    def stated(self, ambient: Quantity) -> dict[str, Quantity]:
        """Each quantity that is given, in SI."""
        from driveloss.predict import read_stated

        return read_stated({key: text for key, text in asdict(self).items() if key != "like"}, ambient)


@command
def predict(
    bench: BenchPath,
    at: Annotated[list[float] | None, Option("--at", metavar="HZ", help="Crank frequency; repeatable.")] = None,
    *,
    untried: Untried,
    curves: CurveOptions,
    output: OutputOptions,
) -> None:
    """Predict losses, net power and motor torque for a cylinder, pressure or frequency not yet tried.

    What is not stated stays as measured: with the cylinder named by --like, or where all cylinders agree.

    Example: driveloss predict calib_data --bore "50 mm" --mean-pressure "3 bar" --at 9
    """
    from driveloss.bench import load_bench
    from driveloss.breakdown.ask import breakdown
    from driveloss.breakdown.tell import CAUTION
    from driveloss.predict.ask import predict as ask
    from driveloss.predict.ask import wanted_cylinder
    from driveloss.say.calibration import finding_lines
    from driveloss.say.flags import flag_lines

    if not at:
        raise InputError("--at is missing: expected a crank frequency in Hz, such as --at 9")
    loaded = load_bench(bench)
    stated = untried.stated(loaded.rig.ambient_pressure)
    fitted = curves.calibrate(loaded, compare=False)
    measured = breakdown(fitted, loaded.sweeps)
    answer = ask(measured, wanted_cylinder(measured, untried.like, **stated), at)
    output.show(answer)
    flags = (flag for point in answer.points for flag in point.flags)
    note(*loaded.notices, *finding_lines(fitted), *flag_lines(flags), CAUTION)
