"""What nobody measured is refused before it costs time or memory, by name; pipes and devices are not opened."""

import os

import pytest

from driveloss.batch.find import find_benches
from driveloss.batch.results import Results
from driveloss.bench.csvtext import MOST_BYTES, read_bytes, read_table
from driveloss.bench.load import load_bench
from driveloss.bench.logs import read_log
from driveloss.bench.template import demo_files
from driveloss.bench.units import conversion
from driveloss.errors import InputError
from driveloss.fit.store import read_calibration

READERS = {
    "sweep": lambda path: read_bytes(path, path.name),
    "log": read_log,
    "calibration": read_calibration,
    "bench": load_bench,
}


@pytest.mark.parametrize("reader", READERS)
def test_a_pipe_is_not_waited_for(reader, tmp_path):
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    with pytest.raises(InputError, match=r"pipe\.toml: expected a plain file, found a pipe or a device"):
        READERS[reader](pipe)


def test_a_huge_file_is_not_read(tmp_path):
    path = tmp_path / "huge.csv"
    with path.open("wb") as file:
        file.truncate(100 * MOST_BYTES)  # a hole: takes no room
    with pytest.raises(InputError, match=r"huge\.csv: expected no more than 20 MB"):
        read_bytes(path, path.name)


def test_huge_results_of_a_batch_are_not_read(tmp_path):
    path = tmp_path / "done.jsonl"
    with path.open("wb") as file:
        file.truncate(100 * MOST_BYTES)
    with pytest.raises(InputError, match=r"done\.jsonl, line 1: expected a result of driveloss batch"):
        Results(path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (b"frequency [Hz],power [W]\n" + b"7,1\n" * 6000, "expected no more than 5000 lines, read 6001"),
        (b"frequency" + b" " * 50_000 + b"[Hz]\n7\n", "line 1: expected no more than 5000 characters"),
        (b"frequency" + b" " * 500 + b"[Hz]\n7\n", "line 1: expected headings of no more than 200 characters"),
        (b"a," * 300 + b"a\n" + b"1," * 300 + b"1\n", "line 1: expected no more than 200 columns, read 301"),
    ],
)
def test_a_table_has_bounds(text, message):
    with pytest.raises(InputError, match=rf"x\.csv(, |: ){message}"):
        read_table(text, "x.csv", 5000)


def demo(tmp_path, change):
    for name, data in demo_files().items():
        (tmp_path / name).write_bytes(data)
    path = tmp_path / "bench.toml"
    path.write_text(change(path.read_text(encoding="utf-8")), encoding="utf-8")
    return path


SWEEP = '\n[[sweeps]]\nstage = "loaded"\nfile = "x.csv"\ncylinder = "wide"\n'


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t + SWEEP * 300, "key 'sweeps': expected no more than 200 of them"),
        (lambda t: t + SWEEP * 20_000, "expected no more than 0.5 MB"),
        (lambda t: t + "[[sweeps]]\n" * 40_000, "key 'sweeps': expected no more than 200 of them"),
        (
            lambda t: t + "".join(f'\n[cylinders.c{n}]\nbore = "42 mm"\n' for n in range(300)),
            "key 'cylinders': expected no more than 200 of them",
        ),
        (lambda t: "a." * 20_000 + "a = 1\n" + t, "line 1: expected no more than 8000 characters"),
        (lambda t: "a." * 200 + "a = 1\n" + t, "line 1: expected no more than 50 dots in a line"),
        (lambda t: t.replace('"3.2 +/- 0"', "9" * 400), "key 'transmission.ratio': expected a finite number"),
        (lambda t: t.replace('"3.2 +/- 0"', "0x" + "f" * 5000), "key 'transmission.ratio': expected a finite number"),
        (lambda t: t.replace("schema = 1", "schema = 0x" + "f" * 5000), "key 'schema': expected 1, read a number of"),
    ],
)
def test_bench_toml_has_bounds(change, message, tmp_path):
    with pytest.raises(InputError) as refused:
        load_bench(demo(tmp_path, change))
    assert message in str(refused.value)


@pytest.mark.parametrize("name", ["wide-loaded.csv", "wide-recording.csv", "rundown.csv"])
def test_digits_beyond_any_double_are_no_number(name, tmp_path):
    """IEEE 754 doubles end below 1.8e308."""
    path, file = demo(tmp_path, lambda text: text), tmp_path / name
    lines = file.read_text(encoding="utf-8").split("\n")
    lines[4] = "9" * 400 + lines[4][lines[4].index(",") :]
    file.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(InputError, match=rf"{name}, line 5, column '.*': expected a finite number, read '9999"):
        load_bench(path)


@pytest.mark.parametrize("unit", ["octave", "decade", "dB", "dBm", "dBu", "Np"])
def test_a_scale_of_logarithms_is_no_unit_here(unit):
    """ISO 80000-1, annex C: levels are logarithms of ratios, no factor makes them lengths or watts."""
    assert conversion(unit) is None


@pytest.mark.parametrize("ask", [load_bench, lambda path: find_benches([path])])
def test_a_name_longer_than_any_file_s(ask, tmp_path):
    with pytest.raises(InputError, match="cannot be read: File name too long"):
        ask(tmp_path / ("x" * 300))
