"""The command line: one small file a command."""

from __future__ import annotations

import gc
import os

THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
RINGS = 300_000  # new objects before unused rings of them are looked for: a command leaves few, and looking takes time


def main() -> None:
    """Entry point of the console script."""
    for name in THREADS:  # before NumPy loads: on systems of a hundred unknowns threads wait for one another
        os.environ.setdefault(name, "1")
    gc.set_threshold(RINGS)
    os.environ.pop("MPLBACKEND", None)  # figures go to files: no window is opened, whatever is set there
    from driveloss.cli.streams import emptied, make_ready

    make_ready()
    with emptied():
        from driveloss.cli.app import app

        app()
