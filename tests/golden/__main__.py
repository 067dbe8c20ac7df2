"""Write the golden files anew: `PYTHONPATH=tests python -m golden`."""

import tempfile
from pathlib import Path

from golden import COMMANDS, HERE, printed
from golden.numbers import HELD, as_text, numbers

with tempfile.TemporaryDirectory() as folder:
    saved = Path(folder) / "calibration.json"
    for name in COMMANDS:
        (HERE / f"{name}.txt").write_text(printed(name, saved), encoding="utf-8")
    HELD.write_text(as_text(numbers(saved)), encoding="utf-8")
