"""The bench folder to fill in."""

import pytest
from bench_folder import KEYS

from driveloss.bench.columns import KINDS
from driveloss.bench.load import load_bench
from driveloss.bench.records import STAGES as EVERY_STAGE
from driveloss.bench.records import WITNESS_STAGES, Rig
from driveloss.bench.rules import keys_of
from driveloss.bench.template import CAUTIONS, SHEETS, template_files

STAGES = tuple(stage for stage in EVERY_STAGE if stage not in WITNESS_STAGES)  # of the ladder
FILES = {name: content.decode() for name, content in template_files().items()}
BENCH = FILES["bench.toml"]
NUMBERS = {"frequency": "5.0", "power": "7.5", "mean pressure": "2.0"}


def written(folder, bench=BENCH):
    """The template's files with three readings below each header, as a user would type them."""
    for name, text in FILES.items():
        header = text.rstrip().split("\n")[-1].split(",")
        row = ",".join(NUMBERS.get(heading.split(" [")[0], "") for heading in header)
        (folder / name).write_text(bench if name == "bench.toml" else text + f"{row}\n" * 3)
    return folder


def test_filled_in_it_loads(tmp_path):
    assert len(FILES) == 1 + len(SHEETS)
    bench = load_bench(written(tmp_path))
    assert [sweep.stage for sweep in bench.sweeps] == [*STAGES[1:], "no-load"]
    assert bench.rig.cylinders["narrow"].swept_after
    assert bench.notices == ()


def test_every_optional_line_is_right_as_it_stands(tmp_path):
    """Take the mark away from every optional key; two of them exclude each other."""
    lines = BENCH.split("\n")
    bare = [line[2:] if line.startswith("# ") and is_toml(line[2:]) else line for line in lines]
    text = "\n".join(line for line in bare if not line.startswith("incremental_efficiency"))
    bench = load_bench(written(tmp_path, text))
    assert {sweep.stage for sweep in bench.sweeps} == set(STAGES)
    assert bench.rig.motor.torque_constant.value == pytest.approx(0.061)
    assert bench.rig.cylinders["narrow"].pressure_friction.value == pytest.approx(7e-6)


def is_toml(text):
    return text.startswith("[[sweeps]]") or (" = " in text and text.split(" = ")[0].isidentifier())


def test_it_explains_every_key():
    for key in KEYS:
        assert f"\n{key.name} = " in BENCH or f"\n# {key.name} = " in BENCH, key.name
    for table in keys_of(Rig):
        assert not table.record or f"\n[{table.name}" in BENCH, table.name
    assert "schema = 1" in BENCH
    assert "[[sweeps]]" in BENCH


def test_the_sheets_name_every_column():
    for name, kind in KINDS.items():
        assert f"{name} [{kind.example}]" in FILES["narrow-loaded.csv"]


def test_it_warns_before_anything_turns():
    before = " ".join(BENCH.partition("\nschema")[0].replace("\n#  ", "").split())
    for caution in CAUTIONS:
        assert f"# - {caution}" in before
    for word in ("guard them", "isolate the", "rated pressure", "competent person", "burn"):
        assert word in before
    assert list(SHEETS) == [*STAGES, "no-load-after"]
