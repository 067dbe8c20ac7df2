"""What a machine takes without load: the draws of its parts at any frequency, and what a reader must know of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.calibration import Calibration, shifted
from driveloss.fit.estimate import summaries
from driveloss.physics import seal as seal_physics

BLOCK = 32  # frequencies whose draws are reckoned together: what a cache holds


def no_load_draws(
    calibration: Calibration, frequency: FloatArray, cylinder: str | None, pressure: FloatArray | float | None
) -> dict[str, FloatArray]:
    """The known parts of the no-load input power at one place: see `NoLoad.draws`."""
    return NoLoad(calibration, frequency).draws(cylinder, pressure)


@dataclass(frozen=True)
class NoLoad:
    """The machine at frequency (m,) [Hz]; what its places have in common is reckoned once.

    A true frequency: the common error of the frequency meter moves the curves under it.
    """

    calibration: Calibration
    frequency: FloatArray

    @cached_property
    def drive(self) -> FloatArray:
        """Motor and linkage, less what grows with load, (m, 1 + draws). [W]"""
        return self._shifted(self.calibration.drive)

    @cached_property
    def motor(self) -> FloatArray:
        """The motor, less what grows with load, (m, 1 + draws). [W]"""
        return self._shifted(self.calibration.motor)

    def draws(self, cylinder: str | None, pressure: FloatArray | float | None) -> dict[str, FloatArray]:
        """The known parts of the no-load input power [W], and the seal's force [N], (m, 1 + draws) each.

        pressure: one or (m,) [Pa].
        """
        calibration, frequency = self.calibration, self.frequency
        parts = {"drive": self.drive}
        belt = np.zeros_like(self.drive)
        if cylinder is not None and pressure is not None:
            pressed = np.broadcast_to(np.asarray(pressure, dtype=float), frequency.shape)
            seal, pins = self._shifted(lambda f: np.stack(calibration.step(cylinder, f, pressed)))
            port = self._shifted(lambda f: calibration.port(cylinder, f, pressed))
            parts |= {"seal": seal, "port": port, "seal_force": seal_force(calibration, seal, frequency, cylinder)}
            # transmission and pins belong to the linkage: with a piston to move, so does what they take of that
            parts["drive"] = self.drive + (seal + pins) / calibration.meters.efficiency - seal
            belt = calibration.belt(seal + pins)
        shaft = parts["drive"] + parts.get("seal", 0.0)
        load_loss = calibration.load_loss(shaft, frequency).total
        standby = np.broadcast_to(calibration.standby, shaft.shape)
        if calibration.has_motor:
            parts |= {"motor": self.motor + load_loss - belt, "linkage": parts["drive"] - self.motor + belt}
        if calibration.has_standby:
            parts["standby"] = standby
        return parts | {"drive": parts["drive"] + load_loss, "total": standby + load_loss + shaft}

    def _shifted(self, part: Callable[[FloatArray], FloatArray]) -> FloatArray:
        return shifted(part, self.frequency, self._misread)

    @cached_property
    def _misread(self) -> FloatArray:
        return self.calibration.meters.misread(self.frequency)


def in_blocks(calibration: Calibration, frequency: FloatArray) -> Iterator[NoLoad]:
    """The machine at frequency (m,) [Hz], some at a time."""
    yield from (NoLoad(calibration, some) for some in np.array_split(frequency, -(-len(frequency) // BLOCK)))


def summarised(blocks: Iterable[NoLoad], cylinder: str | None, pressure: float | None) -> dict[str, FloatArray]:
    """What the draws of each part come to, (m, 4): see `summaries`."""
    each = [{name: summaries(part) for name, part in one.draws(cylinder, pressure).items()} for one in blocks]
    return {name: np.concatenate([one[name] for one in each]) for name in each[0]}


def seal_force(calibration: Calibration, seal: FloatArray, frequency: FloatArray, cylinder: str) -> FloatArray:
    """Mean friction force of a seal power (m, 1 + draws) at true frequency (m,). [N]"""
    return seal_physics.mean_friction_force(seal, frequency[:, None], calibration.meters.cylinders[cylinder].stroke)


def no_load_flags(
    calibration: Calibration, cylinder: str | None, pressure: float | None, frequency: float | None = None
) -> tuple[str, ...]:
    """What a reader must know of losses at a mean pressure [Pa] and, where one is given, a frequency [Hz]."""
    tests = {
        "extrapolated": frequency is not None and calibration.is_extrapolated(frequency, cylinder),
        "load-loss-assumed": not calibration.route.is_known,
    }
    if cylinder is not None and pressure is not None:
        tests |= {
            "port-loss-unknown": calibration.rig.cylinders[cylinder].open_port_diameter is None,
            "pressure-not-calibrated": not calibration.pressure_is_known(cylinder, pressure),
        }
    return tuple(code for code, holds in tests.items() if holds)
