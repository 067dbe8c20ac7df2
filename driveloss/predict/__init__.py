"""A bore, stroke, pressure or frequency not tried."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from driveloss.bench.records import Bench, Quantity
    from driveloss.breakdown.ask import Breakdown
    from driveloss.predict.ask import Predictions

CIRCUITS = SAME, SCALED = "same", "scaled"  # gas circuit that another swept volume works on


def predict(  # noqa: PLR0913 - what a user may ask for
    measured: Bench | Breakdown,
    at: Iterable[float],
    *,
    like: str | None = None,
    bore: str | Quantity | None = None,
    stroke: str | Quantity | None = None,
    mean_pressure: str | Quantity | None = None,
    back_pressure: str | Quantity | None = None,
    pressure_amplitude: str | Quantity | None = None,
    circuit: str = SAME,
) -> Predictions:
    """Predict a cylinder at each frequency `at` [Hz] from a bench with loaded runs, or from its breakdown.

    Quantities as bench.toml writes them, "50 mm"; what is not given stays as measured, with the cylinder `like` or
    where all agree. pressure_amplitude: half of peak to peak. circuit: "same" where another swept volume works on the
    gas circuit that was measured, "scaled" where all of that grows with it.
    Raises InputError for what cannot be read or built, and for a quantity that stays open.
    """
    from driveloss.bench.records import Bench
    from driveloss.breakdown.ask import breakdown
    from driveloss.fit.calibrate import calibrate
    from driveloss.predict.ask import predict as ask
    from driveloss.predict.wanted import wanted_cylinder

    rig = measured.rig if isinstance(measured, Bench) else measured.calibration.rig
    sizes = {"bore": bore, "stroke": stroke, "mean_pressure": mean_pressure, "back_pressure": back_pressure}
    stated = read_stated({**sizes, "pressure_amplitude": pressure_amplitude}, rig.ambient_pressure)
    if isinstance(measured, Bench):
        read = measured
        measured = breakdown(calibrate(read, compare=False), read.sweeps, read.recordings, read.rundowns)
    return ask(measured, wanted_cylinder(measured, like, circuit, **stated), at)


def read_stated(given: dict[str, str | Quantity | None], ambient_pressure: Quantity) -> dict[str, Quantity]:
    """Those that are given, in SI; messages call them as options of the command are called."""
    from driveloss.bench.quantity import read_option

    def read(key: str, value: str | Quantity) -> Quantity:
        gauge = None if key == "pressure_amplitude" else ambient_pressure
        return read_option(value, key, f"--{key.replace('_', '-')}", gauge) if isinstance(value, str) else value

    return {key: read(key, value) for key, value in given.items() if value is not None}
