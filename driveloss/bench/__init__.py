"""What is on the bench and what was read there: `load_bench`, `read_sweep`, `write_template`."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from driveloss.bench.columns import read_sweep
    from driveloss.bench.load import load_bench
    from driveloss.bench.template import write_demo, write_template

_HOMES = {"load_bench": "load", "read_sweep": "columns", "write_template": "template", "write_demo": "template"}

__all__ = ["load_bench", "read_sweep", "write_demo", "write_template"]


def __getattr__(name: str) -> Any:
    """Import a reader when it is asked for: a saved calibration needs none of them."""
    if name in _HOMES:
        return getattr(import_module(f"driveloss.bench.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'driveloss.bench' has no attribute '{name}'")
