"""`driveloss losses`: no-load losses at any frequency."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from typer import Option

from driveloss.cli.command import command
from driveloss.cli.console import note
from driveloss.cli.options import CalibrationPath, CylinderOption, OutputOptions
from driveloss.errors import InputError

MOST_ROWS = 10_000


@dataclass(frozen=True)
class Frequencies:
    """Single frequencies, and a series of them."""

    at: Annotated[list[float] | None, Option("--at", metavar="HZ", help="Frequency; repeatable.")] = None
    start: Annotated[float | None, Option("--from", metavar="HZ", help="First frequency of a series.")] = None
    stop: Annotated[float | None, Option("--to", metavar="HZ", help="Last frequency of a series.")] = None
    step: Annotated[float | None, Option("--step", metavar="HZ", help="Step of a series.")] = None

    def all(self) -> list[float]:
        """Every frequency that was asked for. Raises InputError where there is none. [Hz]"""
        found = [*(self.at or []), *self._series()]
        if not found:
            raise InputError("expected a frequency: --at 7.5, or --from 4 --to 10 --step 0.5")
        return found

    def _series(self) -> list[float]:
        """From start to stop, both included."""
        start, stop, step = self.start, self.stop, self.step
        if start is stop is step is None:
            return []
        if start is None or stop is None or step is None or not (0 < start <= stop < float("inf") and step > 0):
            raise InputError("--from, --to and --step go together, expected 0 < from <= to and step > 0")
        if stop - start > MOST_ROWS * step:
            raise InputError(f"--step: {step:g} Hz makes too many rows, expected at most {MOST_ROWS}")
        return [round(start + i * step, 9) for i in range(int((stop - start) / step + 1e-9) + 1)]


@command
def losses(
    calibration: CalibrationPath,
    frequencies: Frequencies,
    cylinder: CylinderOption = None,
    mean_pressure: Annotated[
        list[str] | None, Option("--mean-pressure", metavar="P", help='Such as "2 bar"; repeatable.')
    ] = None,
    *,
    output: OutputOptions,
) -> None:
    """Losses at any frequency, for the drive alone and for each cylinder.

    Example: driveloss losses calib_data/calibration.json --at 7.5 --at 9
    """
    from driveloss.bench.quantity import read_option
    from driveloss.fit.store import read_calibration
    from driveloss.losses.ask import losses as ask
    from driveloss.say.flags import flag_lines

    wanted = frequencies.all()
    saved = read_calibration(calibration)
    ambient = saved.rig.ambient_pressure
    pressures = [read_option(text, "mean_pressure", "--mean-pressure", ambient).value for text in mean_pressure or []]
    answer = ask(saved, wanted, cylinder, pressures or None)
    output.show(answer)
    note(*flag_lines((flag for row in answer for flag in row.flags), lettered=False))
