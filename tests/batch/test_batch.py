"""Many benches: the same digits however they are done, nothing twice, and one that is broken stops no other."""

import json
from dataclasses import replace
from math import pi
from pathlib import Path
from shutil import copytree

import numpy as np
import pytest
from compare.machines import AMBIENT, DRAGGING
from simulate.machine import seal_power

import driveloss
from batch.floors import GOOD, ONE, digits, quickly, spoil
from driveloss.batch import run
from driveloss.batch.find import find_benches, gather
from driveloss.batch.run import Settings, task, work
from driveloss.errors import InputError

LINE = 120  # characters


# --- one row a bench --------------------------------------------------------------------------------------------


def test_every_bench_has_a_row(floor, two):
    assert [row["path"] for row in two.benches] == sorted(str(floor / name) for name in GOOD)
    assert two.failed == () and len(repr(two)) <= LINE


def test_a_killed_worker_loses_no_bench_and_one_worker_gives_the_same_digits(floor, two, results):
    """`two` is what two workers came to, of which one was killed."""
    assert digits(quickly([floor], workers=1)) == digits(two)
    assert len(results.read_text().splitlines()) == len(GOOD)


def test_a_row_is_what_the_single_questions_say(two):
    """`breakdown` and `losses` with the seed that the row tells; the lip is the circle of the bore."""
    row = two.benches[0]
    bench = driveloss.load_bench(row["path"])
    calibration = driveloss.calibrate(bench, draws=200, seed=row["seed"], compare=False)
    answer = driveloss.breakdown(calibration, bench.sweeps)
    best = max(answer.to_dict()["runs"], key=lambda run: run["pneumatic_W"]["value"])
    told = ("file", "row", "cylinder", "frequency_Hz", "input_W", "pneumatic_W", "efficiency_ceiling")
    assert {key: row[key] for key in told} == {key: best[key] for key in told}
    assert (row["runs"], row["title"]) == (len(answer.runs), bench.rig.title)
    (seal,) = row["seals"]
    _, losses = driveloss.losses(calibration, [seal["frequency_Hz"]])
    bore = bench.rig.cylinders[seal["cylinder"]].bore.value
    assert seal["lip_force_N_per_m"]["value"] == pytest.approx(losses.seal_force.value / (pi * bore), rel=1e-9)
    assert row["doubt"]["half_width_W"] == max(answer.shares[name][answer.best_run] for name in answer.shares)


def test_the_force_at_the_lip_is_that_of_the_simulated_seal(two):
    """The truth, from its seal law alone: mean friction power over 2 S f, per metre of lip."""
    for row in two.benches:
        (seal,) = row["seals"]
        frequency = np.array([seal["frequency_Hz"]])
        power = seal_power(ONE, DRAGGING, frequency, np.array([AMBIENT]))[0]
        truth = power / (2 * DRAGGING.stroke * frequency[0]) / (pi * DRAGGING.bore)
        found = seal["lip_force_N_per_m"]
        assert abs(found["value"] - truth) < 3 * found["u"]


def test_each_bench_has_a_seed_of_its_own_that_its_files_decide(floor, two, tmp_path):
    seeds = [row["seed"] for row in two.benches]
    assert len(set(seeds)) == len(GOOD)
    copied = copytree(floor / "first", tmp_path / "elsewhere")
    assert gather(copied).sha256 == gather(floor / "first").sha256


# --- what was done is known -------------------------------------------------------------------------------------


def newly_done(answer):
    return len(answer.benches) - answer.known


def test_nothing_is_done_twice(floor, two, results):
    before = results.read_bytes()
    again = quickly([floor], results=results)
    assert newly_done(again) == 0 and again.benches == two.benches
    assert results.read_bytes() == before and len(before.splitlines()) == len(GOOD)


@pytest.mark.usefixtures("here")
def test_a_bench_that_moved_is_known_and_a_file_that_changed_is_done_again(floor, results, tmp_path):
    folder = copytree(floor, tmp_path / "floor")
    sheet = next((folder / "first").glob("*loaded*.csv"))
    sheet.write_text(sheet.read_text() + "\n# looked at again\n")
    answer = quickly([folder], results=results)
    assert newly_done(answer) == 1 and len(results.read_text().splitlines()) == len(GOOD) + 1
    assert [row["path"] for row in answer.benches] == sorted(str(folder / name) for name in GOOD)


@pytest.mark.usefixtures("here")
def test_another_version_and_other_settings_are_done_again(floor, results):
    assert newly_done(driveloss.batch([floor / "fourth"], results=results, draws=201)) == 1
    results.write_text(results.read_text().replace('"program": "', '"program": "0.0.'))
    assert newly_done(quickly([floor / "fourth"], results=results)) == 1


@pytest.mark.usefixtures("here")
def test_a_torn_last_line_is_ignored(floor, results):
    whole = results.read_bytes()
    results.write_bytes(whole[:-40])
    assert newly_done(quickly([floor], results=results)) == 1
    rows = [json.loads(line) for line in results.read_text().splitlines()]
    assert sorted(row["path"] for row in rows) == sorted(str(floor / name) for name in GOOD)


@pytest.mark.parametrize("text", ["frequency [Hz],power [W]\n1,2\n", "notes", '{"schema": "driveloss.batch/1"}\n'])
def test_a_file_that_holds_something_else_is_left_alone(floor, tmp_path, text):
    results = tmp_path / "notes.txt"
    results.write_text(text)
    with pytest.raises(InputError, match=r"notes\.txt, line 1: expected a result of driveloss batch"):
        quickly([floor], results=results)
    assert results.read_text() == text


# --- what goes wrong --------------------------------------------------------------------------------------------


def single(folder):
    with pytest.raises(InputError) as error:
        driveloss.calibrate(driveloss.load_bench(folder))
    return str(error.value)


@pytest.mark.usefixtures("here")
def test_broken_benches_stop_no_other_and_say_what_every_command_says(floor, tmp_path):
    folder, results = tmp_path / "floor", tmp_path / "results.jsonl"
    copytree(floor / "first", folder / "good")
    broken = {name: copytree(floor / "first", folder / name) for name in ("bore", "missing", "toml", "outside", "cell")}
    spoil(broken["bore"])
    next(broken["missing"].glob("*loaded*.csv")).unlink()
    (broken["toml"] / "bench.toml").write_text("schema = = 1\n")
    toml = (broken["outside"] / "bench.toml").read_text()
    (broken["outside"] / "bench.toml").write_text(toml.replace('file = "', 'file = "../', 1))
    sheet = next(broken["cell"].glob("*loaded*.csv"))
    sheet.write_text(sheet.read_text() + "a,b,c,d,e\n")
    answer = quickly([folder], results=results)
    assert [Path(row["path"]).name for row in answer.done] == ["good"]
    assert {row["path"]: row["error"] for row in answer.failed} == {str(one): single(one) for one in broken.values()}
    assert len(results.read_text().splitlines()) == 1  # what failed is tried again


def test_a_worker_of_another_version_is_not_believed(floor):
    one = replace(task(floor / "first", gather(floor / "first"), Settings(draws=200)), program="0.0")
    assert work(one)["error"].endswith("expected 0.0 as here")


def test_a_fault_of_the_program_is_told_with_its_place(floor, monkeypatch):
    monkeypatch.setattr(run, "_seal", lambda *_: 1 / 0)
    row = work(task(floor / "first", gather(floor / "first"), Settings(draws=200)))
    assert "a fault of the program, please report it: ZeroDivisionError: division by zero (test_batch" in row["error"]


# --- where benches are looked for -------------------------------------------------------------------------------


def made(*folders):
    for folder in folders:
        folder.mkdir(parents=True)
        (folder / "bench.toml").touch()


def test_benches_are_found_to_a_depth_once_each_and_not_through_links(tmp_path):
    made(tmp_path / "b", tmp_path / "a" / "b" / "c", tmp_path / "b" / "inside", tmp_path / ".hidden" / "x")
    (tmp_path / "link").symlink_to(tmp_path / "a", target_is_directory=True)
    assert find_benches([tmp_path], 2) == [tmp_path / "b"]
    assert find_benches([tmp_path], 3) == [tmp_path / "a" / "b" / "c", tmp_path / "b"]
    assert find_benches([tmp_path / "b", tmp_path / "b" / ".." / "b"]) == [tmp_path / "b"]
    assert find_benches([tmp_path / "b" / "bench.toml"]) == [tmp_path / "b"]


def test_a_folder_without_benches_is_wrong_usage(tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"empty: expected a bench\.toml in it or up to 3 folders below it"):
        find_benches([tmp_path / "empty"])
    with pytest.raises(InputError, match="there is no such file"):
        find_benches([tmp_path / "nowhere"])


def test_workers_and_a_scheduler_exclude_each_other(floor):
    with pytest.raises(InputError, match="--workers: read 2, expected none, since --scheduler has its own"):
        quickly([floor], workers=2, scheduler="tcp://127.0.0.1:1")
    with pytest.raises(InputError, match="--workers: read 0, expected 1 or more"):
        quickly([floor], workers=0)
