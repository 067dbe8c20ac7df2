"""The bench folder to fill in."""

import pytest

from driveloss.bench import load_bench, write_template
from driveloss.bench import toml as config
from driveloss.bench.records import STAGES
from driveloss.bench.rules import METER_KINDS
from driveloss.bench.template import BENCH, CAUTIONS, SWEEPS
from driveloss.errors import InputError, OutputError

NUMBERS = {"frequency": "5.0", "power": "7.5", "mean pressure": "2.0"}


def fill_in(path):
    """Three readings below the header, as a user would type them."""
    header = path.read_text().rstrip().split("\n")[-1].split(",")
    row = ",".join(NUMBERS.get(heading.split(" [")[0], "") for heading in header)
    path.write_text(path.read_text() + f"{row}\n" * 3)


def test_filled_in_it_loads(tmp_path):
    files = write_template(tmp_path / "new" / "bench")
    assert len(files) == 1 + len(STAGES)
    for path in files[1:]:
        fill_in(path)
    bench = load_bench(tmp_path / "new" / "bench")
    assert [sweep.stage for sweep in bench.sweeps] == list(STAGES[1:])
    assert bench.notices == ()


def test_every_optional_line_is_right_as_it_stands(tmp_path):
    """Take the mark away from every optional key; two of them exclude each other."""
    folder = tmp_path / "bench"
    for path in write_template(folder)[1:]:
        fill_in(path)
    lines = BENCH.split("\n")
    bare = [line[2:] if line.startswith("# ") and is_toml(line[2:]) else line for line in lines]
    text = "\n".join(line for line in bare if not line.startswith("incremental_efficiency"))
    (folder / "bench.toml").write_text(text)
    bench = load_bench(folder)
    assert {sweep.stage for sweep in bench.sweeps} == set(STAGES)
    assert bench.rig.motor.torque_constant.value == pytest.approx(0.061)
    assert bench.rig.cylinders["narrow"].pressure_friction.value == pytest.approx(7e-6)


def is_toml(text):
    return text.startswith("[[sweeps]]") or (" = " in text and text.split(" = ")[0].isidentifier())


def test_it_explains_every_key():
    keys = {
        *config.TOP,
        *config.MOTOR,
        *config.TRANSMISSION,
        *config.CRANK,
        *config.CYLINDER,
        *config.AFTERCOOLER,
        *config.CYCLE,
        *config.SWEEP,
        *METER_KINDS,
    }
    for key in keys:
        assert f"{key} = " in BENCH or f"[{key}" in BENCH, key


def test_it_warns_before_anything_turns():
    assert CAUTIONS in BENCH
    for word in ("guard them", "isolate the", "rated pressure", "competent person", "burn"):
        assert word in CAUTIONS
    assert len(SWEEPS) == len(STAGES)


def test_nothing_is_overwritten(tmp_path):
    (tmp_path / "mine.txt").write_text("precious")
    with pytest.raises(InputError, match="expected a new or an empty folder, found one with files"):
        write_template(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
    with pytest.raises(InputError, match="expected a new or an empty folder, found a file"):
        write_template(tmp_path / "mine.txt")


def test_an_unwritable_place(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot be written"):
        write_template(tmp_path / "file" / "below")


def test_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch):
    original = type(tmp_path).write_bytes

    def full(path, data):
        if path.suffix == ".csv":
            raise OSError(28, "No space left on device")
        return original(path, data)

    monkeypatch.setattr(type(tmp_path), "write_bytes", full)
    with pytest.raises(OutputError, match="No space left on device"):
        write_template(tmp_path / "bench")
    assert list((tmp_path / "bench").iterdir()) == []
