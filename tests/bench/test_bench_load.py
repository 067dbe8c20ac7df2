"""A bench folder: what is read, and what is refused with file, line and key."""

import numpy as np
import pytest
from bench_folder import FILES, READINGS, line_of, write_bench
from hypothesis import given
from hypothesis import strategies as st

from driveloss.bench.load import load_bench
from driveloss.bench.records import Motor, Quantity
from driveloss.bench.toml import read_config
from driveloss.errors import InputError
from driveloss.fit.readings import gather


def refusal(path):
    with pytest.raises(InputError) as error:
        load_bench(path)
    assert str(error.value).isprintable()
    return str(error.value)


def test_a_bench_in_si(tmp_path):
    bench = load_bench(write_bench(tmp_path))
    rig = bench.rig
    assert rig.title == "Invented bench"
    assert rig.ambient_temperature.value == pytest.approx(294.15)
    assert rig.ambient_pressure.value == pytest.approx(101_300)
    assert (rig.meter.power.gain, rig.meter.power.zero) == (pytest.approx(0.005), pytest.approx(0.1))
    assert rig.motor.winding_resistance.limit == pytest.approx(0.0084)
    assert rig.motor.winding_temperature == 293.15
    assert rig.transmission.ratio == Quantity(3.0)
    assert rig.rod_length.value == pytest.approx(0.095)
    narrow = rig.cylinders["narrow"]
    assert (narrow.bore.value, narrow.bore.limit) == (pytest.approx(0.03), pytest.approx(5e-5))
    assert (narrow.gas, narrow.back_pressure) == ("air", rig.ambient_pressure)
    assert rig.cycle == "none"
    assert [sweep.stage for sweep in bench.sweeps] == ["piston-disconnected", "no-load", "loaded"]
    assert bench.sweeps[1].mean_pressure == pytest.approx([101_300] * 3)
    assert bench.sweeps[2].mean_pressure == pytest.approx([200_000] * 3)
    assert bench.notices == ()
    assert len(bench.sha256) == 64


def test_folder_and_file_are_the_same_bench(tmp_path):
    write_bench(tmp_path)
    assert load_bench(str(tmp_path)).sha256 == load_bench(tmp_path / "bench.toml").sha256


def test_without_a_rod_it_is_a_scotch_yoke(tmp_path):
    bench = load_bench(write_bench(tmp_path, ('[crank]\nrod_length = "95 mm"\n', "")))
    assert bench.rig.rod_length is None


def test_motor_and_crank_alone_make_a_bench(tmp_path):
    text = (tmp_path / "bench.toml", write_bench(tmp_path))[0].read_text()
    (tmp_path / "bench.toml").write_text(text[: text.index('[[sweeps]]\nstage = "no-load"')])
    assert [sweep.stage for sweep in load_bench(tmp_path).sweeps] == ["piston-disconnected"]


def test_a_current_before_a_controller_is_not_the_motor_s(tmp_path):
    drive = "frequency [Hz],power [W],current [A]\n1,2,3\n2,3,4\n3,4,5\n"
    at = ('supply = "terminals"', 'supply = "controller"')
    bench = load_bench(write_bench(tmp_path, at, files=FILES | {"drive.csv": drive}))
    assert bench.sweeps[0].current is None
    assert "drive.csv: column 'current' is left out" in bench.notices[0]
    bench = load_bench(write_bench(tmp_path / "leads", files=FILES | {"drive.csv": drive}))
    assert bench.sweeps[0].current.tolist() == [3, 4, 5]
    assert bench.notices == ()


@pytest.mark.parametrize("supply", ["terminals", "controller"])
def test_where_power_is_volts_times_amps_both_readings_are_kept(tmp_path, supply):
    """Before a controller the ammeter reads the bus, and not the motor's current."""
    drive = "frequency [Hz],voltage [V],current [A]\n1,12.1,0.7\n2,12.2,0.9\n3,12.3,1.1\n"
    change = ('supply = "terminals"', f'supply = "{supply}"')
    bench = load_bench(write_bench(tmp_path, change, files=FILES | {"drive.csv": drive}))
    readings = gather(bench.rig, bench.sweeps, ("piston-disconnected", "no-load"))
    assert readings.bus_current[:3].tolist() == [0.7, 0.9, 1.1]
    assert (readings.power[:3] == readings.voltage[:3] * readings.bus_current[:3]).all()
    assert np.isfinite(readings.current[:3]).all() == (supply == "terminals")
    assert np.isnan(readings.bus_current[3:]).all()
    assert np.isnan(readings.voltage[3:]).all()
    assert bench.notices == ()


def test_a_limit_that_is_not_used_is_said_so(tmp_path):
    change = ('mean_pressure = "2 bar"', 'mean_pressure = "2 bar +/- 1 %"')
    bench = load_bench(write_bench(tmp_path, change))
    line = line_of("mean_pressure")
    assert bench.notices == (
        f"bench.toml, line {line}, key 'sweeps[3].mean_pressure': "
        "its limit of error is not used; state it in [meter] pressure",
    )


BORE = 'bore = "30 mm +/- 0.05 mm"'
REFUSED_KEYS = {
    "unknown key": ([("[crank]", "[crank]\nrod = 3")], "rod = 3", "crank.rod", "did you mean 'rod_length'?"),
    "unknown table": ([("[crank]", "[cranks]")], "[cranks]", "cranks", "did you mean 'crank'?"),
    "unknown far word": ([("[crank]", "[crank]\nzzz = 3")], "zzz", "crank.zzz", "expected one of rod_length"),
    "unknown stage": (
        [('"no-load"', '"no load"')],
        'stage = "no load"',
        "sweeps[2].stage",
        "did you mean 'no-load'?",
    ),
    "unknown cylinder": (
        [('cylinder = "narrow"', 'cylinder = "narow"')],
        'cylinder = "narow"',
        "sweeps[2].cylinder",
        "did you mean 'narrow'?",
    ),
    "unknown gas": (
        [(BORE, BORE + '\ngas = "helum"')],
        "gas",
        "cylinders.narrow.gas",
        "did you mean 'helium'?",
    ),
    "unknown supply": (
        [('"terminals"', '"leads"')],
        "supply",
        "motor.supply",
        "expected one of terminals, controller",
    ),
    "unknown cycle": (
        [("[crank]", '[cycle]\nkind = "sterling"\n[crank]')],
        "kind",
        "cycle.kind",
        "did you mean 'stirling'?",
    ),
    "unknown meter": (
        [('frequency = "0.02 Hz"', 'speed = "1 rpm"')],
        "speed",
        "meter.speed",
        "unknown key 'speed'",
    ),
    "missing unit": ([(BORE, 'bore = "32"')], "bore", "cylinders.narrow.bore", "the unit is missing"),
    "number for a length": ([(BORE, "bore = 32")], "bore", "cylinders.narrow.bore", "the unit is missing"),
    "wrong dimension": (
        [(BORE, 'bore = "32 kg"')],
        "bore",
        "cylinders.narrow.bore",
        "read unit 'kg', a mass",
    ),
    "bore of 32 m": ([(BORE, 'bore = "32 m"')], "bore", "cylinders.narrow.bore", "was it in mm?"),
    "a sum": ([(BORE, 'bore = "9**9**9 m"')], "bore", "cylinders.narrow.bore", "read '9**9**9 m'"),
    "nan": ([("ratio = 3.0", "ratio = nan")], "ratio", "transmission.ratio", "finite"),
    "absolute zero": (
        [('"21 degC"', '"-274 degC"')],
        "ambient_temperature",
        "ambient_temperature",
        "absolute zero",
    ),
    "gauge ambient": (
        [('"1.013 bar"', '"1 bar gauge"')],
        "ambient_pressure",
        "ambient_pressure",
        "absolute pressure",
    ),
    "other schema": ([("schema = 1", "schema = 2")], "schema", "schema", "expected 1, read 2"),
    "schema true": ([("schema = 1", "schema = true")], "schema", "schema", "expected 1, read True"),
    "number for text": ([('"Invented bench"', "3")], "title", "title", "expected text in quotes, read 3"),
    "short rod": (
        [('"95 mm"', '"18 mm"')],
        "rod_length",
        "crank.rod_length",
        "half the stroke of cylinder 'narrow'",
    ),
    "port beyond bore": (
        [(BORE, BORE + '\nopen_port_diameter = "31 mm"')],
        "open_port_diameter",
        "cylinders.narrow.open_port_diameter",
        "must not exceed the bore",
    ),
    "two ways to the load loss": (
        [('supply = "terminals"', 'supply = "terminals"\nincremental_efficiency = 0.8')],
        "incremental_efficiency",
        "motor.incremental_efficiency",
        "instead of winding_resistance",
    ),
    "cylinder of the drive": (
        [('file = "drive.csv"', 'file = "drive.csv"\ncylinder = "narrow"')],
        "cylinder",
        "sweeps[1].cylinder",
        "expected no key 'cylinder'",
    ),
    "pressure of the drive": (
        [('file = "drive.csv"', 'file = "drive.csv"\nmean_pressure = "1 bar"')],
        "mean_pressure",
        "sweeps[1].mean_pressure",
        "expected no key 'mean_pressure'",
    ),
    "file named twice": (
        [('"no-load.csv"', '"./drive.csv"')],
        'file = "./drive',
        "sweeps[2].file",
        "named before",
    ),
    "missing file": (
        [('"no-load.csv"', '"no-laod.csv"')],
        'file = "no-l',
        "sweeps[2].file",
        "mean 'no-load.csv'?",
    ),
    "above the folder": (
        [('"drive.csv"', '"../drive.csv"')],
        "file",
        "sweeps[1].file",
        "inside the bench folder",
    ),
    "inside and out": (
        [('"drive.csv"', '"a/../../x.csv"')],
        "file",
        "sweeps[1].file",
        "inside the bench folder",
    ),
    "absolute path": (
        [('"drive.csv"', '"/etc/passwd"')],
        "file",
        "sweeps[1].file",
        "inside the bench folder",
    ),
    "drive letter": (
        [('"drive.csv"', "'C:\\drive.csv'")],
        "file",
        "sweeps[1].file",
        "inside the bench folder",
    ),
    "control character": (
        [('"drive.csv"', '"a\\u0000.csv"')],
        "file",
        "sweeps[1].file",
        "expected a file name",
    ),
    "endless name": ([('"drive.csv"', f'"{"a" * 300}.csv"')], "file", "sweeps[1].file", "cannot be opened"),
    "a folder": ([('"drive.csv"', '"."')], "file", "sweeps[1].file", "expected a file of readings"),
}


@pytest.mark.parametrize("case", REFUSED_KEYS)
def test_refused_with_line_and_key(tmp_path, case):
    changes, start, key, part = REFUSED_KEYS[case]
    message = refusal(write_bench(tmp_path, *changes))
    assert message.startswith(f"bench.toml, line {line_of(start, *changes)}, key '{key}'")
    assert part in message


@pytest.mark.parametrize(
    ("change", "parts"),
    [
        (("schema = 1\n", ""), ["bench.toml: the key 'schema' is missing", "schema = 1"]),
        (('ambient_pressure = "1.013 bar"\n', ""), ["the key 'ambient_pressure' is missing"]),
        (('stroke = "36 mm"\n', ""), ["key 'cylinders.narrow'", "the key 'stroke' is missing", '"36 mm"']),
        (('supply = "terminals"\n', ""), ["key 'motor'", "the key 'supply' is missing"]),
        (('file = "drive.csv"\n', ""), ["key 'sweeps[1]'", "the key 'file' is missing"]),
        (('cylinder = "narrow"\n', ""), ["key 'sweeps[2]'", "the key 'cylinder' is missing"]),
        (("title = ", "aftercooler = 3\ntitle = "), ["key 'aftercooler'", "table [aftercooler], read 3"]),
        (("title = ", "sweeps = 3\ntitle = "), ["not valid TOML"]),
    ],
)
def test_missing_and_misplaced(tmp_path, change, parts):
    message = refusal(write_bench(tmp_path, change))
    assert message.startswith("bench.toml")
    for part in parts:
        assert part in message


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        (b'schema = 1\ntitle = "open\n', ["bench.toml, line 2, column", "not valid TOML", "title ="]),
        (b"schema = 1\nbore = 32 mm\n", ["bench.toml, line 2, column", "read 'bore = 32 mm'"]),
        (b"schema = 1\nschema = 1\n", ["bench.toml, line 2", "not valid TOML"]),
        (b"schema = 1\na = [1,\n", ["bench.toml, line 2", "not valid TOML"]),
        (b"schema = " + b"[" * 5000, ["bench.toml", "not valid TOML"]),
        (b"schema = " + b"9" * 5000, ["bench.toml", "not valid TOML"]),
        (b"schema = 1\n# \xff\n", ["bench.toml, line 2", "UTF-8", "0xff"]),
        (b"", ["bench.toml: the key 'schema' is missing"]),
        (
            b"schema = 1\nsweeps = 3\nambient_temperature = '20 degC'\n",
            ["the key 'ambient_pressure' is missing"],
        ),
    ],
)
def test_not_toml(tmp_path, text, parts):
    (tmp_path / "bench.toml").write_bytes(text)
    message = refusal(tmp_path)
    for part in parts:
        assert part in message


def test_no_sweeps_at_all(tmp_path):
    text = (write_bench(tmp_path) / "bench.toml").read_text()
    (tmp_path / "bench.toml").write_text(text[: text.index("[[sweeps]]")])
    assert "expected at least one table [[sweeps]], read none" in refusal(tmp_path)


def test_missing_bench_and_wrong_kinds_of_path(tmp_path):
    assert "there is no such file" in refusal(tmp_path / "nowhere")
    assert "bench.toml: there is no such file" in refusal(tmp_path)
    (tmp_path / "drive.csv").write_text(READINGS)
    assert "expected a bench folder or its bench.toml" in refusal(tmp_path / "drive.csv")
    (tmp_path / "bench.toml").mkdir()
    assert "expected a file, found a folder" in refusal(tmp_path)
    assert "expected a file, found a folder" in refusal(tmp_path / "bench.toml")


def test_a_link_out_of_the_folder_is_not_followed(tmp_path):
    outside = tmp_path / "outside.csv"
    outside.write_text(READINGS)
    folder = write_bench(tmp_path / "bench")
    (folder / "drive.csv").unlink()
    (folder / "drive.csv").symlink_to(outside)
    assert "'drive.csv' leads outside the bench folder" in refusal(folder)


def test_the_ladder_needs_the_drive_alone(tmp_path):
    change = ('stage = "piston-disconnected"', 'stage = "motor-alone"')
    message = refusal(write_bench(tmp_path, change))
    assert "expected at least one sweep of stage 'piston-disconnected'" in message
    assert "read loaded, motor-alone, no-load" in message


def test_a_loaded_cylinder_needs_its_no_load_sweep(tmp_path):
    wide = '[cylinders.wide]\nbore = "40 mm"\nstroke = "36 mm"\n\n[[sweeps]]\nstage = "piston'
    loaded = ('stage = "loaded"\ncylinder = "narrow"', 'stage = "loaded"\ncylinder = "wide"')
    message = refusal(write_bench(tmp_path, ('[[sweeps]]\nstage = "piston', wide), loaded))
    assert "file 'loaded.csv': stage 'loaded' of cylinder 'wide'" in message
    assert "expected a no-load sweep of the same cylinder" in message


@pytest.mark.parametrize("file", ["drive.csv", "no-load.csv"])
def test_two_readings_are_too_few_for_a_curve(tmp_path, file):
    few = {file: "frequency [Hz],power [W]\n2,3\n4,7\n"}
    message = refusal(write_bench(tmp_path, files=FILES | few))
    assert f"file '{file}'" in message
    assert "too few points for any curve: expected 3 readings or more, read 2" in message


def test_a_bad_reading_is_placed_in_its_file(tmp_path):
    message = refusal(write_bench(tmp_path, files=FILES | {"no-load.csv": READINGS + "8,x\n"}))
    assert message == "no-load.csv, line 5, column 'power [W]': expected a number, read 'x'"


def test_a_broken_record_cannot_be_born():
    with pytest.raises(InputError, match="finite value"):
        Quantity(float("nan"))
    with pytest.raises(InputError, match="limit of zero or more"):
        Quantity(1.0, -0.1)
    with pytest.raises(InputError, match="supply must be one of terminals, controller; got 'wall'"):
        Motor(supply="wall")


SCRAPS = st.sampled_from(["[", "]", "=", '"', "\n", "x", "3", "bore", "[[sweeps]]", "nan", "{", "}", "."])


@given(st.integers(0, 800), st.integers(0, 30), st.lists(SCRAPS, max_size=6).map("".join))
def test_a_damaged_bench_toml_is_read_or_refused(tmp_path_factory, start, cut, scrap):
    folder = write_bench(tmp_path_factory.mktemp("damaged"))
    path = folder / "bench.toml"
    text = path.read_text()
    path.write_text(text[:start] + scrap + text[start + cut :])
    try:
        config = read_config(path)
    except InputError as error:
        assert str(error).startswith("bench.toml")
    else:
        assert config.rig.motor.supply == "terminals"
