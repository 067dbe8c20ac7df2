"""A small invented bench, written to a folder and changed where a test wants it."""

from pathlib import Path

from driveloss.bench.records import Limits, Rig, SweepSpec
from driveloss.bench.rules import every_key

KEYS = [key for record in (Rig, SweepSpec) for key in every_key(record)]
KEY_KINDS = {key.field: key.kind for key in KEYS if key.form is not Limits}
METER_KINDS = {key.field: key.kind for key in KEYS if key.form is Limits}

TOML = """\
schema = 1
title = "Invented bench"
ambient_temperature = "21 degC"
ambient_pressure = "1.013 bar"

[meter]
power = "0.5 % + 0.1 W"
frequency = "0.02 Hz"

[motor]
supply = "terminals"
winding_resistance = "0.42 ohm +/- 2 %"

[transmission]
ratio = 3.0

[crank]
rod_length = "95 mm"

[cylinders.narrow]
bore = "30 mm +/- 0.05 mm"
stroke = "36 mm"

[[sweeps]]
stage = "piston-disconnected"
file = "drive.csv"

[[sweeps]]
stage = "no-load"
cylinder = "narrow"
file = "no-load.csv"

[[sweeps]]
stage = "loaded"
cylinder = "narrow"
file = "loaded.csv"
mean_pressure = "2 bar"
"""

READINGS = "frequency [Hz],power [W]\n2,3.1\n4,7.4\n6,12.5\n"
FILES = {"drive.csv": READINGS, "no-load.csv": READINGS, "loaded.csv": READINGS}


def write_bench(folder: Path, *changes: tuple[str, str], files: dict[str, str] = FILES) -> Path:
    """Write the bench with pieces of bench.toml replaced; each piece must be there."""
    toml = TOML
    for old, new in changes:
        assert old in toml, old
        toml = toml.replace(old, new, 1)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "bench.toml").write_text(toml, encoding="utf-8")
    for name, text in files.items():
        (folder / name).write_bytes(text.encode())
    return folder


def line_of(piece: str, *changes: tuple[str, str]) -> int:
    """Line of the first line that starts with a piece."""
    toml = TOML
    for old, new in changes:
        toml = toml.replace(old, new, 1)
    return next(number for number, line in enumerate(toml.split("\n"), 1) if line.startswith(piece))
