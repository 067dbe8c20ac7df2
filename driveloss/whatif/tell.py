"""Changes as a table for people, what they rest on, and plain data for scripts."""

from __future__ import annotations

from typing import Any

from driveloss.say.json_form import quantity
from driveloss.say.numbers import bar, plus_minus
from driveloss.say.quantities import columns
from driveloss.say.sheet import Item, Sheet
from driveloss.whatif.ask import Gain, Gains

KEYS = ("net_gain", "ceiling_gain", "heat_gain", "input_saved")
MEANING = (
    "Net, ceiling and heat: at the same input, the gas taking up what is saved (more charge, or a freer gas circuit). "
    "Input saved: at the work that the gas takes now. The copper that a lighter load saves is in both."
)


def whatif_tables(answer: Gains) -> list[Item]:
    """The table of changes, what it means, how hard the motor works."""
    rows = tuple((gain.change, *gain.cells(KEYS), gain.rests_on or "") for gain in answer.gains)
    heads = ("Change", *columns(KEYS), "Rests on (assumed)")
    sheet = Sheet(f"What would be gained at {place(answer)}", heads, rows, left=("Change", "Rests on (assumed)"))
    return [sheet, MEANING, motor_line(answer)]


def place(answer: Gains) -> str:
    """The run in words."""
    readings, i = answer.answer.readings, answer.run
    return (
        f"run {i + 1}, '{readings.cylinder[i]}' at {readings.frequency[i]:.2f} Hz and "
        f"{bar(float(readings.mean_pressure[i]))} bar"
    )


def motor_line(answer: Gains) -> str:
    """Whether the motor is too small, as far as the runs and stated limits show."""
    load, rig = answer.motor, answer.answer.calibration.rig
    own = "" if load.has_motor else ", its own drag with it"
    shows = f"The run asks the motor for {plus_minus(load.torque)} N m on average{own}; "
    if load.most_run == answer.run:
        shows += "no run asked for more."
    else:
        shows += f"the most that any run asked for is {load.most:.3g} N m (run {load.most_run + 1})."
    if rig.motor.peak_torque is None:
        return f"{shows} What it can give at most is not stated ([motor] peak_torque)."
    limit = rig.motor.peak_torque.value
    return f"{shows} bench.toml allows {limit:.3g} N m, {limit / load.torque.value:.2g} times that mean."


def whatif_data(answer: Gains) -> dict[str, Any]:
    """`driveloss.whatif/1`."""
    readings, i = answer.answer.readings, answer.run
    return {
        "schema": "driveloss.whatif/1",
        "coverage": answer.coverage,
        "run": i + 1,
        "file": str(readings.file[i]),
        "row": int(readings.row[i]),
        "cylinder": str(readings.cylinder[i]),
        "frequency_Hz": float(readings.frequency[i]),
        "mean_pressure_Pa": float(readings.mean_pressure[i]),
        "gains": [_row(gain) for gain in answer.gains],
        "motor_torque_Nm": quantity(answer.motor.torque),
        "most_motor_torque_Nm": answer.motor.most,
    }


def _row(gain: Gain) -> dict[str, Any]:
    return {"change": gain.change, **gain.data(), "rests_on": gain.rests_on}
