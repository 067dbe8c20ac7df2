"""Split the input power of a motor-driven piston machine into motor, linkage, seal and net pneumatic power.

import driveloss
bench = driveloss.load_bench("calib_data")
calibration = driveloss.calibrate(bench)
rows = driveloss.losses(calibration, [7.5])
runs = driveloss.breakdown(calibration, bench.sweeps).runs
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from driveloss.bench import load_bench
    from driveloss.breakdown.ask import breakdown
    from driveloss.errors import DrivelossError, InputError, OutputError
    from driveloss.fit.calibrate import calibrate
    from driveloss.fit.store import read_calibration
    from driveloss.losses.ask import losses

_HOMES = {
    "load_bench": "driveloss.bench",
    "calibrate": "driveloss.fit.calibrate",
    "read_calibration": "driveloss.fit.store",
    "losses": "driveloss.losses.ask",
    "breakdown": "driveloss.breakdown.ask",
    "DrivelossError": "driveloss.errors",
    "InputError": "driveloss.errors",
    "OutputError": "driveloss.errors",
}

__all__ = [
    "DrivelossError",
    "InputError",
    "OutputError",
    "breakdown",
    "calibrate",
    "load_bench",
    "losses",
    "read_calibration",
]


class _Front(ModuleType):
    """The package as users see it: `driveloss.losses` is the function, though its folder has the same name."""

    def __setattr__(self, name: str, value: object) -> None:
        """Leave out what the import system binds: a folder named as a public function must not hide it."""
        if not (name in _HOMES and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


def __getattr__(name: str) -> Any:
    """Import what is asked for, and only that: start-up stays quick."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'driveloss' has no attribute '{name}'")


sys.modules[__name__].__class__ = _Front
