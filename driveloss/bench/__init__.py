"""What is on the bench and what was read there: `load_bench`, `read_sweep`, `template_files`."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from driveloss.bench.columns import read_sweep
    from driveloss.bench.load import load_bench
    from driveloss.bench.template import demo_files, template_files

_HOMES = {"load_bench": "load", "read_sweep": "columns", "template_files": "template", "demo_files": "template"}

__all__ = ["demo_files", "load_bench", "read_sweep", "template_files"]


def __getattr__(name: str) -> Any:
    """Import a reader when it is asked for: a saved calibration needs none of them."""
    if name in _HOMES:
        return getattr(import_module(f"driveloss.bench.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'driveloss.bench' has no attribute '{name}'")
