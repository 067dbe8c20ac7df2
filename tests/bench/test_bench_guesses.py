"""A bench folder around files that somebody has: what is guessed, what is asked for."""

import re

import pytest
from cli.running import DEMO, typed

from driveloss.bench.guesses import guessed_files
from driveloss.bench.load import load_bench
from driveloss.errors import InputError

SWEEP = "frequency [Hz],power [W]\n2,3\n4,7\n6,12\n"
LOADED = "frequency [Hz],power [W],mean pressure [bar]\n2,3,2\n4,7,2\n6,12,2\n"


def guessed(folder, files):
    """bench.toml around files of these names and texts, and what is told of it."""
    paths = []
    for name, text in files.items():
        (folder / name).write_text(text)
        paths.append(folder / name)
    contents, told = guessed_files(paths)
    assert contents.keys() == {"bench.toml", *files}
    assert all(contents[name].decode() == text for name, text in files.items())
    return contents["bench.toml"].decode(), told


def entry(text, file):
    """The lines of one file's table below its name."""
    return text.partition(f'file = "{file}"\n')[2].partition("\n\n")[0]


@pytest.mark.parametrize(
    ("name", "stage", "cylinder"),
    [
        ("standby", "standby", None),
        ("motor_only", "motor-alone", None),
        ("Motor alone 2024-05-17", "motor-alone", None),
        ("motor+crank", "piston-disconnected", None),
        ("piston disconnected", "piston-disconnected", None),
        ("wide-noload", "no-load", "wide"),
        ("wide_no_load (2)", "no-load", "wide"),
        ("WideOpenPorts", "no-load", "wide"),
        ("seal 2 loaded", "loaded", "seal-2"),
        ("narrow-blanked", "blanked", "narrow"),
        ("brake", "braked", None),
        ("new seal loaded 2.4bar", "loaded", "new"),
    ],
)
def test_stage_and_cylinder_from_the_name(tmp_path, name, stage, cylinder):
    text, (told,) = guessed(tmp_path, {f"{name}.csv": SWEEP})
    found = entry(text, f"{name}.csv")
    assert re.search(rf'^stage = "{stage}" +# guessed from the file name: check$', found, re.MULTILINE)
    assert f"{name}.csv: stage {stage} (from the file name)" in told
    if cylinder is None:
        assert "cylinder" not in found
    else:
        assert re.search(rf'^cylinder = "{cylinder}" +# guessed from the file name: check$', found, re.MULTILINE)
        assert f"[cylinders.{cylinder}]" in text


@pytest.mark.parametrize(
    ("header", "stage"),
    [
        ("power [W]", "standby"),
        ("speed [rpm],power [W],torque [N m]", "braked"),
        ("frequency [Hz],power [W],cold end [degC]", "loaded"),
    ],
)
def test_stage_from_the_columns_where_the_name_says_nothing(tmp_path, header, stage):
    text, _ = guessed(tmp_path, {"17.csv": f"{header}\n{','.join('5' * len(header.split(',')))}\n"})
    assert re.search(rf'^stage = "{stage}" +# guessed from the columns: check$', entry(text, "17.csv"), re.MULTILINE)


@pytest.mark.parametrize("name", ["monday", "motor no load", "loaded and unloaded"])
def test_what_cannot_be_told_is_asked_for(tmp_path, name):
    text, (told,) = guessed(tmp_path, {f"{name}.csv": SWEEP})
    assert re.search(
        r'^# stage = "..." +# NEEDED: one of standby, motor-alone,', entry(text, f"{name}.csv"), re.MULTILINE
    )
    assert "stage not to be told, asked for" in told
    assert '# bore = "32 mm"                        # NEEDED' in text  # no example in a value's place


def test_pressures_in_names(tmp_path):
    files = {
        "a-loaded-2p4bar.csv": SWEEP,
        "a-loaded 1,5 barg.csv": SWEEP,
        "a-loaded.csv": SWEEP,
        "a-load-9bar.csv": LOADED,
    }
    text, _ = guessed(tmp_path, files)
    assert 'mean_pressure = "2.4 bar"               # guessed' in entry(text, "a-loaded-2p4bar.csv")
    assert 'mean_pressure = "1.5 bar gauge"         # guessed' in entry(text, "a-loaded 1,5 barg.csv")
    assert '# mean_pressure = "..."                 # NEEDED' in entry(text, "a-loaded.csv")
    assert "mean_pressure" not in entry(text, "a-load-9bar.csv")  # its column tells


def test_a_cylinder_that_only_some_names_tell(tmp_path):
    one, _ = guessed(tmp_path, {"wide-loaded.csv": LOADED, "no-load.csv": SWEEP})
    assert 'cylinder = "wide"                       # guessed from the other files: check' in entry(one, "no-load.csv")
    two, _ = guessed(tmp_path, {"wide-loaded.csv": LOADED, "slim-loaded.csv": LOADED, "no-load.csv": SWEEP})
    assert '# cylinder = "..."                      # NEEDED' in entry(two, "no-load.csv")
    none, _ = guessed(tmp_path, {"no-load.csv": SWEEP})
    assert "[cylinders.cylinder]" in none


def test_recordings_run_downs_and_logs_by_their_columns(tmp_path):
    files = {
        "wide.csv": "crank angle [deg],pressure [kPa]\n0,100\n",
        "coast motor alone.csv": "time [s],speed [rpm]\n0,100\n",
        "wide loaded.csv": "time [s],frequency [Hz],power [W]\n0,5,9\n",
    }
    text, _ = guessed(tmp_path, files)
    assert '[[recordings]]\nfile = "wide.csv"' in text
    assert '[[rundowns]]\nfile = "coast motor alone.csv"\nstage = "motor-alone"' in text
    assert "driveloss steady" in entry(text, "wide loaded.csv")


def filled_in(text, number="2 bar"):
    """With what is needed put in place of the examples, as a user would."""
    found = re.sub(r'^# (.*?) = "\.\.\." +# NEEDED: absolute.*$', rf'\1 = "{number}"', text, flags=re.MULTILINE)
    return re.sub(r"^# (.* # NEEDED.*)$", r"\1", found, flags=re.MULTILINE)


def test_the_demo_bench_s_files_make_the_demo_bench_s_ladder(tmp_path):
    """Every stage and cylinder as its own bench.toml has them, the sweep after the loaded runs behind them."""
    demo, folder = load_bench(DEMO), tmp_path / "mine"
    outcome = typed("template", folder, "--from", *(DEMO / sweep.file for sweep in reversed(demo.sweeps)))
    assert outcome.code == 0 and "motor-alone.csv: stage motor-alone (from the file name)" in outcome.err
    with pytest.raises(InputError, match=r"bench\.toml.*ambient_temperature"):
        load_bench(folder)
    toml = folder / "bench.toml"
    toml.write_text(filled_in(toml.read_text()))
    bench = load_bench(folder)
    assert {(s.file, s.stage, s.cylinder) for s in bench.sweeps} == {(s.file, s.stage, s.cylinder) for s in demo.sweeps}
    assert [name for name, cylinder in bench.rig.cylinders.items() if cylinder.swept_after] == ["wide"]


def test_nothing_is_written_where_a_file_will_not_do(tmp_path):
    good, bad, other = tmp_path / "motor.csv", tmp_path / "wide-loaded.csv", tmp_path / "more"
    good.write_text(SWEEP)
    bad.write_text("frequency [Hz],power\n1,2\n")
    other.mkdir()
    (other / "motor.csv").write_text(SWEEP)
    (other / "sheet.csv").write_bytes(b"PK\x03\x04\0")
    for files, word in (
        ((good, bad), "the unit is missing"),
        ((good, other / "motor.csv"), "names of their own"),
        ((good, other / "sheet.csv"), "save as CSV"),
        ((good, other), "found a folder"),
        ((good, tmp_path / "none.csv"), "there is no such file"),
    ):
        outcome = typed("template", tmp_path / "mine", "--from", *files)
        assert (outcome.code, outcome.out) == (2, "")
        assert word in " ".join(outcome.err.split())
        assert not (tmp_path / "mine").exists()


def test_files_without_from_and_from_with_demo_are_refused(tmp_path):
    (tmp_path / "motor.csv").write_text(SWEEP)
    for words in (("motor.csv",), ("--demo", "--from", "motor.csv")):
        outcome = typed("template", tmp_path / "mine", *(w if w.startswith("-") else tmp_path / w for w in words))
        assert outcome.code == 2 and "--from" in outcome.err
        assert not (tmp_path / "mine").exists()


def test_a_full_folder_is_left_as_it_is(tmp_path):
    (tmp_path / "motor.csv").write_text(SWEEP)
    outcome = typed("template", tmp_path, "--from", tmp_path / "motor.csv")
    assert outcome.code == 2 and "found one with files in it" in " ".join(outcome.err.split())
    assert [path.name for path in tmp_path.iterdir()] == ["motor.csv"]
