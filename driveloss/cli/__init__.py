"""The command line: one small file a command."""

from __future__ import annotations

import os

THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def main() -> None:
    """Entry point of the console script."""
    for name in THREADS:  # before NumPy loads: on systems of a hundred unknowns threads wait for one another
        os.environ.setdefault(name, "1")
    os.environ.pop("MPLBACKEND", None)  # figures go to files: no window is opened, whatever is set there
    from driveloss.cli.streams import emptied, make_ready

    make_ready()
    with emptied():
        from driveloss.cli.app import app

        app()
