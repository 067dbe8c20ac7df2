"""`driveloss losses`: no-load losses at any frequency."""

from __future__ import annotations

from dataclasses import dataclass

from driveloss.cli.command import command, option
from driveloss.cli.console import note
from driveloss.cli.options import CalibrationPath, OutputOptions, cylinder_option
from driveloss.errors import InputError

MOST = 1_000_000


@dataclass(frozen=True)
class Wanted:
    """Single frequencies, and a series of them; which cylinders at which pressures."""

    at: list[float] | None = option("Frequency; repeatable.", "HZ")
    start: float | None = option("First frequency of a series.", "HZ", "--from")
    stop: float | None = option("Last frequency of a series.", "HZ", "--to")
    step: float | None = option("Step of a series.", "HZ")
    cylinder: list[str] | None = cylinder_option()
    mean_pressure: list[str] | None = option('Such as "2 bar"; repeatable.', "P")

    def frequencies(self) -> list[float]:
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
        if stop - start > MOST * step:
            raise InputError(f"--step: {step:g} Hz makes too many frequencies, expected at most {MOST}")
        return [round(start + i * step, 9) for i in range(int((stop - start) / step + 1e-9) + 1)]


@command
def losses(calibration: CalibrationPath, wanted: Wanted, output: OutputOptions) -> None:
    """Losses at any frequency, for the drive alone and for each cylinder.

    Example: driveloss losses calib_data/calibration.json --at 7.5 --at 9
    """
    from driveloss.bench.quantity import read_option
    from driveloss.fit.store import read_calibration
    from driveloss.losses.ask import losses as ask
    from driveloss.say.flags import flag_lines

    frequencies = wanted.frequencies()
    saved = read_calibration(calibration)
    ambient, stated = saved.rig.ambient_pressure, wanted.mean_pressure or ()
    pressures = [read_option(text, "mean_pressure", "--mean-pressure", ambient).value for text in stated]
    answer = ask(saved, frequencies, wanted.cylinder, pressures or None)
    output.show(answer)
    note(*flag_lines(answer.flags))
