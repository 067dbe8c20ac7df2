"""What a bench leaves unsaid, or says against its own readings: one finding each."""

from __future__ import annotations

import numpy as np

from driveloss.bench.records import Bench, FloatArray
from driveloss.fit.findings import Finding
from driveloss.fit.ladder import Ladder, known_load
from driveloss.fit.meters import Inputs


def unstated_meter(bench: Bench) -> list[Finding]:
    """A meter without limits of error is taken as perfect, which none is."""
    meter = bench.rig.meter
    products = any(sweep.from_volts_and_amps for sweep in bench.sweeps)
    watts = any(not sweep.from_volts_and_amps for sweep in bench.sweeps)
    lacking = []
    if watts and meter.power.is_perfect:
        lacking.append("power")
    if products and meter.power.is_perfect and (meter.voltage.is_perfect or meter.current.is_perfect):
        lacking.append("voltage and current")
    return [
        Finding(
            "meter",
            f"bench.toml, [meter]: no limit of error of the {name} reading is stated, so the meter counts as perfect "
            "and every interval is too narrow; take the limit from its data sheet.",
        )
        for name in lacking
    ]


def overpumped(ladder: Ladder, stated: Inputs, power: FloatArray) -> list[Finding]:
    """No-load readings in which the gas through the open port would take more than was read. power: (n,) [W].

    power is what the curves have to explain, the port's share taken out: not positive where the port takes all.
    """
    readings = ladder.readings
    wrong = np.flatnonzero((readings.stage == "no-load") & (power <= 0))
    if len(wrong) == 0:
        return []
    i = int(wrong[np.argmin(power[wrong])])
    pumped = float(known_load(ladder, stated)[i, 0])
    text = (
        f"{readings.where(i)}: the gas through the open port alone would take {pumped:.2g} W at "
        f"{readings.frequency[i]:g} Hz, more than reached the shaft ({len(wrong)} such readings): check the frequency "
        f"and, in bench.toml, open_port_diameter of '{readings.cylinder[i]}'."
    )
    return [Finding("port", text, str(readings.file[i]), int(readings.line[i]), float(power[i]))]


def idle_unknown(ladder: Ladder) -> list[Finding]:
    """A controller whose idle power neither a sweep nor the frequencies tell."""
    if not ladder.scope.idle_unknown:
        return []
    text = (
        "No standby sweep, and fewer than 3 frequencies to find the controller's idle power from: it counts as motor "
        "loss, the copper loss comes out too high and the net power too low; add a standby sweep."
    )
    return [Finding("idle", text)]


def unused_drag(ladder: Ladder) -> list[Finding]:
    """A stated pressure_friction that sweeps at several pressures overrule."""
    given = ladder.given_pressure_friction
    stated = [name for name, c in ladder.rig.cylinders.items() if c.pressure_friction is not None]
    unused = [name for name in stated if name in ladder.scope.pressures and name not in given]
    return [
        Finding(
            "drag",
            f"bench.toml, cylinders.{name}.pressure_friction: not used, since no-load sweeps at "
            f"{ladder.scope.pressures[name]} pressures across the seal tell the drag.",
        )
        for name in unused
    ]
