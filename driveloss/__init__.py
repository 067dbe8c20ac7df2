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
    from driveloss.batch.ask import batch as batch
    from driveloss.bench.load import load_bench as load_bench
    from driveloss.bench.logs import read_log as read_log
    from driveloss.breakdown.ask import breakdown as breakdown
    from driveloss.compare.ask import compare as compare
    from driveloss.errors import DrivelossError as DrivelossError
    from driveloss.errors import InputError as InputError
    from driveloss.errors import MissingPackageError as MissingPackageError
    from driveloss.errors import OutputError as OutputError
    from driveloss.figures import draw as draw
    from driveloss.fit.calibrate import calibrate as calibrate
    from driveloss.fit.store import read_calibration as read_calibration
    from driveloss.losses.ask import losses as losses
    from driveloss.physics.settling import three_readings as three_readings
    from driveloss.plan import plan as plan
    from driveloss.predict import predict as predict
    from driveloss.recheck.ask import recheck as recheck
    from driveloss.say.calibration import save_calibration as save_calibration
    from driveloss.steady.ask import steady as steady
    from driveloss.whatif.ask import whatif as whatif
    from driveloss.witnesses.ask import witnesses as witnesses

    __version__: str

_HOMES = {
    "load_bench": "driveloss.bench.load",
    "calibrate": "driveloss.fit.calibrate",
    "save_calibration": "driveloss.say.calibration",
    "read_calibration": "driveloss.fit.store",
    "losses": "driveloss.losses.ask",
    "breakdown": "driveloss.breakdown.ask",
    "compare": "driveloss.compare.ask",
    "predict": "driveloss.predict",
    "plan": "driveloss.plan",
    "recheck": "driveloss.recheck.ask",
    "witnesses": "driveloss.witnesses.ask",
    "whatif": "driveloss.whatif.ask",
    "read_log": "driveloss.bench.logs",
    "steady": "driveloss.steady.ask",
    "three_readings": "driveloss.physics.settling",
    "draw": "driveloss.figures",
    "batch": "driveloss.batch.ask",
    **dict.fromkeys(("DrivelossError", "InputError", "OutputError", "MissingPackageError"), "driveloss.errors"),
}
__all__ = sorted([*_HOMES, "__version__"])


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
    if name == "__version__":
        return import_module("importlib.metadata").version("driveloss")
    raise AttributeError(f"module 'driveloss' has no attribute '{name}'")


def __dir__() -> list[str]:
    return __all__


sys.modules[__name__].__class__ = _Front
