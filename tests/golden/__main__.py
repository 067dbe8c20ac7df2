"""Write the golden files anew: `PYTHONPATH=tests python -m golden`."""

import tempfile
from pathlib import Path

from golden import COMMANDS, HERE, printed

with tempfile.TemporaryDirectory() as folder:
    for name in COMMANDS:
        (HERE / f"{name}.txt").write_text(printed(name, Path(folder) / "calibration.json"), encoding="utf-8")
