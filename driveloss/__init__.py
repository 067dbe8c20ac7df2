"""Split the input power of a motor-driven piston machine into motor, linkage, seal and net pneumatic power.

import driveloss
bench = driveloss.load_bench("calib_data")
calibration = driveloss.calibrate(bench)
rows = driveloss.losses(calibration, [7.5])
runs = driveloss.breakdown(calibration, bench.sweeps).runs
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from driveloss.analysis.breakdown import breakdown
    from driveloss.analysis.losses import losses
    from driveloss.bench import load_bench
    from driveloss.errors import DrivelossError, InputError, OutputError
    from driveloss.fit.calibrate import calibrate
    from driveloss.fit.store import read_calibration

_HOMES = {
    "load_bench": "driveloss.bench",
    "calibrate": "driveloss.fit.calibrate",
    "read_calibration": "driveloss.fit.store",
    "losses": "driveloss.analysis.losses",
    "breakdown": "driveloss.analysis.breakdown",
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


def __getattr__(name: str) -> Any:
    """Import what is asked for, and only that: start-up stays quick."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'driveloss' has no attribute '{name}'")
