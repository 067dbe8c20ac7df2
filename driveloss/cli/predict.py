"""`driveloss predict`: a bore, stroke, charge pressure or frequency not yet tried."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from driveloss.cli.command import command, option
from driveloss.cli.console import note
from driveloss.cli.options import BenchPath, CurveOptions, OutputOptions, all_option, one_of, switch
from driveloss.errors import InputError
from driveloss.predict import CIRCUITS

if TYPE_CHECKING:
    from driveloss.bench.records import Quantity


@dataclass(frozen=True)
class Untried:
    """The cylinder to predict, as far as it is stated, and at which frequencies."""

    at: list[float] | None = option("Crank frequency; repeatable.", "HZ")
    bore: str | None = option('Such as "50 mm".', "LENGTH")
    stroke: str | None = option('Such as "28 mm".', "LENGTH")
    mean_pressure: str | None = option('Charge, such as "3 bar" or "2 bar gauge".', "P")
    back_pressure: str | None = option("Behind the piston, such as the charged case's.", "P")
    like: str | None = option("Scale this measured cylinder; all are pooled unless given.", "CYLINDER")
    circuit: str = one_of(CIRCUITS, "Gas circuit that another swept volume works on: as it is, or grown alike.")
    pressure_amplitude: str | None = option("Half of the pressure's peak to peak, if known.", "P")

    def stated(self, ambient: Quantity) -> dict[str, Quantity]:
        """Each quantity that is given, in SI."""
        from driveloss.predict import read_stated

        own = ("at", "like", "circuit")
        return read_stated({key: text for key, text in asdict(self).items() if key not in own}, ambient)


@dataclass(frozen=True)
class View:
    """How much is told."""

    rules: bool = switch("Tell the rules of the prediction and their sources, too.", "--rules")
    everything: bool = all_option()


@command
def predict(bench: BenchPath, untried: Untried, view: View, curves: CurveOptions, output: OutputOptions) -> None:
    """Predict losses, net power and motor torque for a cylinder, pressure or frequency not yet tried.

    What is not stated stays as measured: with the cylinder named by --like, or where all cylinders agree.

    Example: driveloss predict calib_data --bore "50 mm" --mean-pressure "3 bar" --at 9
    """
    from driveloss.bench.load import load_bench
    from driveloss.breakdown.ask import breakdown
    from driveloss.breakdown.tell import CAUTION
    from driveloss.predict.ask import predict as ask
    from driveloss.predict.tell import rule_items
    from driveloss.predict.wanted import wanted_cylinder
    from driveloss.say.calibration import finding_lines
    from driveloss.say.flags import flag_lines

    if not untried.at:
        raise InputError("--at is missing: expected a crank frequency in Hz, such as --at 9")
    loaded = load_bench(bench)
    stated = untried.stated(loaded.rig.ambient_pressure)
    fitted = curves.calibrate(loaded, compare=False)
    measured = breakdown(fitted, loaded.sweeps, loaded.recordings, loaded.rundowns)
    answer = ask(measured, wanted_cylinder(measured, untried.like, untried.circuit, **stated), untried.at)
    rules = rule_items(answer) if view.rules and not view.everything else []
    output.print([*answer.tables(everything=view.everything), *rules], answer.to_dict(), answer.rows(), answer.columns)
    flags = (flag for point in answer.points for flag in point.flags)
    note(*loaded.notices, *finding_lines(fitted), *flag_lines(flags), CAUTION)
