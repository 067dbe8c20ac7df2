"""`driveloss whatif`: what each change of the machine would gain."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from driveloss.cli.command import command, option
from driveloss.cli.console import check_outputs, note
from driveloss.cli.options import BenchPath, CurveOptions, OutputOptions, figure_option, force_option
from driveloss.errors import InputError

if TYPE_CHECKING:
    from driveloss.whatif.machine import Change


@dataclass(frozen=True)
class Wishes:
    """What to change, each as a factor on what it is now; all plain levers where nothing is named."""

    seal: float | None = option("Friction of the seal, as a factor: 0.7 is 30 % less.", "X")
    seal_of: str | None = option("The seal of another cylinder, for the same length of lip.", "CYLINDER")
    pins: float | None = option("Friction of pins and guides, as a factor.", "X")
    linkage: float | None = option("Drag of the linkage without load, as a factor.", "X")
    motor_drag: float | None = option("The motor's own drag without load, as a factor.", "X")
    resistance: float | None = option("Winding resistance, as a factor.", "X")
    torque_constant: float | None = option("Torque constant, as a factor.", "X")
    transmission: float | None = option("Efficiency of the transmission; 1 is driven directly.", "X")
    standby: float | None = option("The controller's idle power, as a factor.", "X")
    speed: float | None = option("Crank speed, as a factor; the pressure changes the other way.", "X")

    def change(self) -> Change | None:
        """What is wished, if anything. Raises InputError for a factor that cannot be."""
        from driveloss.whatif.machine import Change

        given = {name: value for name, value in vars(self).items() if value is not None}
        for name, value in given.items():
            if isinstance(value, float) and not 0 < value <= (1 if name == "transmission" else 10):
                most = "at most 1" if name == "transmission" else "up to 10"
                raise InputError(f"--{name.replace('_', '-')}: read {value:g}, expected a number above 0, {most}")
        return Change(**given) if given else None


@dataclass(frozen=True)
class View:
    """At which run, and where a figure goes."""

    run: int | None = option("Which loaded run, counted from 1; else the best net.", min=1)
    figure: Path | None = figure_option()
    force: bool = force_option()


@command
def whatif(bench: BenchPath, wishes: Wishes, view: View, curves: CurveOptions, output: OutputOptions) -> None:
    """Say what each change of the machine would gain at one run: net power, ceiling, heat, or input saved.

    Example: driveloss whatif calib_data --seal 0.7 --torque-constant 2
    """
    from driveloss.bench.load import load_bench
    from driveloss.breakdown.ask import breakdown
    from driveloss.breakdown.tell import CAUTION
    from driveloss.figures import draw, save
    from driveloss.say.calibration import finding_lines
    from driveloss.whatif.ask import whatif as ask

    change, loaded = wishes.change(), load_bench(bench)
    check_outputs(loaded, figures=[view.figure] if view.figure else [], force=view.force)
    fitted = curves.calibrate(loaded, compare=False)
    measured = breakdown(fitted, loaded.sweeps, loaded.recordings, loaded.rundowns)
    answer = ask(measured, change, run=None if view.run is None else view.run - 1)
    if view.figure is not None:
        save(draw("gains", answer), view.figure)
    output.show(answer)
    note(*loaded.notices, *finding_lines(fitted), CAUTION)
