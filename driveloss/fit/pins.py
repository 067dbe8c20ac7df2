"""How much pins and guides can take at most, by what a cylinder's no-load sweeps gain with the mean pressure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.curves import Curves
from driveloss.fit.ladder import Ladder
from driveloss.fit.meters import Meters
from driveloss.fit.readings import pressure_groups
from driveloss.physics.cylinder import disc_area


def bounded_pins(ladder: Ladder, curves: Curves, meters: Meters) -> Meters:
    """The draws with an assumed friction of pins that no pressure swept contradicts.

    A mean pressure across the piston loads the rod both ways, so pins take omega l A for each pascal of it; a lip
    drags more too, never less. What the sweeps gained is the most that pins can have taken: within it the assumption
    stays as even as it was. Sweeps at one pressure bound nothing.
    """
    if "load_friction_share" not in meters.assumed:
        return meters
    share = meters.load_friction_share
    for name, count in ladder.scope.pressures.items():
        if count > 1:
            share = share * np.minimum(_most(ladder, curves, meters, name) / share.max(), 1.0)
    return replace(meters, load_friction_share=share)


def _most(ladder: Ladder, curves: Curves, meters: Meters, name: str) -> FloatArray:
    """Friction torque per newton in the rod over the crank radius that would explain all of a gain, (1 + draws,)."""
    mine = ladder.readings.only(ladder.readings.cylinder == name)
    geometry, groups = meters.cylinders[name], pressure_groups(mine.mean_pressure)
    pressures = [float(mine.mean_pressure[groups == end].mean()) for end in (0, groups.max())]
    f = np.array([float(np.median(mine.frequency))])
    low, high = (curves.seal(name, f, np.array([p]))[0] * meters.efficiency for p in pressures)
    across = [np.abs(p - geometry.back_pressure) for p in pressures]
    gained = np.maximum(high - low, 0.0) / (2 * np.pi * f[0])
    pressed = np.maximum(across[1] - across[0], 1.0) * disc_area(geometry.bore)
    return np.asarray(gained / pressed / (geometry.stroke / 2))
