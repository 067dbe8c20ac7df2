"""A key of bench.toml, or a column of a sweep file, is one line in one place."""

import subprocess
import sys
from pathlib import Path

from copies import open_copy

import driveloss

LINES = {  # the line of records.py that the new one follows
    '    stroke: Quantity = key("length", "m", "36 mm", 1e-4, 1, "was it in mm?")\n': (
        '    dead_volume: Quantity = key("volume", "m^3", "12 cm^3", 1e-9, 1, "was it in mm^3?", "above the piston")\n'
    ),
    "    coolant: FloatArray | None = column(*_TEMPERATURE)\n": (
        "    crankcase: FloatArray | None = column(*_TEMPERATURE)\n"
    ),
}
ASK = """
from pathlib import Path
from driveloss.bench.load import load_bench
from driveloss.bench.template import template_files
from driveloss.errors import InputError

files = {name: content.decode() for name, content in template_files().items()}
print(*(line for line in files["bench.toml"].splitlines() if "dead_volume" in line))
print("crankcase [degC]" in files["narrow-no-load.csv"])
row = "2,3,2,40\\n"
sheet = "frequency [Hz],power [W],mean pressure [bar],crankcase [degC]\\n" + row * 3
for name in files:
    Path(name).write_text(files[name] if name == "bench.toml" else sheet)
bench = load_bench(Path.cwd())
print(f"{bench.rig.cylinders['narrow'].dead_volume.value:g}", bench.sweeps[0].crankcase[0])
for old, new in (("dead_volume = ", "# "), ('"12 cm^3"', '"12 m^3"'), ('"12 cm^3"', '"12 mm"')):
    Path("bench.toml").write_text(files["bench.toml"].replace(old, new))
    try:
        load_bench(Path.cwd())
    except InputError as error:
        print(error)
"""


def test_reader_template_and_messages_follow_one_line(tmp_path):
    open_copy(Path(driveloss.__file__).parent, tmp_path / "driveloss")
    records = tmp_path / "driveloss" / "bench" / "records.py"
    text = records.read_text()
    for after, line in LINES.items():
        assert text.count(after) == 1
        text = text.replace(after, after + line)
    records.write_text(text)
    ran = subprocess.run([sys.executable, "-c", ASK], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    template, is_headed, values, missing, too_large, other = ran.stdout.splitlines()
    assert template.split() == ["dead_volume", "=", '"12', 'cm^3"', "#", "above", "the", "piston"]
    assert is_headed == "True"
    assert values == "1.2e-05 313.15"
    assert missing.endswith("the key 'dead_volume' is missing, expected such as dead_volume = \"12 cm^3\"")
    assert too_large.endswith("expected a value between 1e-09 and 1 m^3, read '12 m^3', 12 m^3; was it in mm^3?")
    assert other.endswith("expected a volume such as '12 cm^3', read unit 'mm', a length")
