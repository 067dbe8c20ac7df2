"""The saved calibration: what is read back answers as what was written, and damage is refused."""

import hashlib
import json
import re
from dataclasses import fields

import numpy as np
import pytest
from simulate import random_bench, write_bench

from driveloss.bench.load import load_bench
from driveloss.breakdown.ask import breakdown
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.fit.estimate import Estimate
from driveloss.fit.store import SCHEMA, from_text, read_calibration, to_text
from driveloss.losses.ask import losses

SEEDS = (3, 8, 21)


BENCHES = [(seed, "physical") for seed in SEEDS] + [
    pytest.param((seed, "polynomial"), marks=[pytest.mark.long] if seed > SEEDS[0] else []) for seed in SEEDS
]


@pytest.fixture(scope="module", params=BENCHES)
def saved(request, tmp_path_factory):
    """A random bench (both supplies, with and without motor-alone among them), its calibration and its text."""
    seed, family = request.param
    rng, folder = np.random.default_rng(seed), tmp_path_factory.mktemp("bench")
    write_bench(folder, *random_bench(rng), rng)
    bench = load_bench(folder)
    calibration = calibrate(bench, family, draws=200)
    return bench, calibration, to_text(calibration)


def assert_same(before, after):
    """Two estimates agree to 1e-6 of the larger of value and half-width; None only with None."""
    assert (before is None) == (after is None)
    if isinstance(before, Estimate):
        size = max(abs(before.value), before.half_width, 1e-12)
        for name in ("value", "u", "low", "high"):
            assert getattr(after, name) == pytest.approx(getattr(before, name), abs=1e-6 * size), name
        assert after.value == pytest.approx(before.value, rel=1e-12, abs=1e-12)


def test_losses_come_back(saved):
    _, calibration, text = saved
    again, at = from_text(text, "calibration.json"), [2.0, 9.7, 40.0]
    for before, after in zip(losses(calibration, at), losses(again, at), strict=True):
        for field in fields(before):
            a, b = getattr(before, field.name), getattr(after, field.name)
            if a is None or isinstance(a, Estimate):
                assert_same(a, b)
            else:
                assert a == b, field.name


def test_breakdown_comes_back(saved):
    bench, calibration, text = saved
    again = breakdown(from_text(text, "calibration.json"), bench.sweeps)
    for before, after in zip(breakdown(calibration, bench.sweeps).runs, again.runs, strict=True):
        assert before.flags == after.flags
        for name, part in before.parts.items():
            assert_same(part, after.parts[name])


def test_text_is_strict_json_with_schema_version_and_hashes(saved):
    bench, calibration, text = saved

    def refuse(word):
        raise AssertionError(f"{word} is not JSON")

    data = json.loads(text, parse_constant=refuse)
    assert data["schema"] == SCHEMA == "driveloss.calibration/1"
    assert data["program"] == calibration.program
    assert data["files"]["bench.toml"] == bench.sha256
    assert all(re.fullmatch("[0-9a-f]{64}", digest) for digest in data["files"].values())
    calibrating = {sweep.file for sweep in bench.sweeps if sweep.stage != "loaded"}
    assert set(data["files"]) == {"bench.toml"} | calibrating


def test_hashes_are_those_of_the_files(saved):
    bench, calibration, _ = saved
    for name, digest in calibration.files.items():
        assert hashlib.sha256((bench.folder / name).read_bytes()).hexdigest() == digest


def test_same_bench_same_text(saved):
    bench, calibration, text = saved
    assert to_text(calibrate(bench, calibration.family, draws=200)) == text


class TestDamage:
    @pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.999])
    def test_cut_short(self, saved, share):
        text = saved[2].rstrip()
        with pytest.raises(InputError, match=r"lost\.json, line \d+.*cut short"):
            from_text(text[: int(share * len(text))], "lost.json")

    def test_edited(self, saved):
        text = saved[2]
        edited = re.sub(r'"seed":\d+', '"seed":7', text)
        assert edited != text
        with pytest.raises(InputError, match=r"changed\.json, key 'checksum'.*edited"):
            from_text(edited, "changed.json")

    def test_edited_by_one_digit_of_a_draw(self, saved):
        text = saved[2]
        place = text.index('"curves"') + text[text.index('"curves"') :].index(".") + 1
        digit = "1" if text[place] != "1" else "2"
        with pytest.raises(InputError, match="checksum"):
            from_text(text[:place] + digit + text[place + 1 :], "changed.json")

    def test_reformatted(self, saved):
        with pytest.raises(InputError, match="checksum"):
            from_text(json.dumps(json.loads(saved[2]), indent=1), "pretty.json")

    @pytest.mark.parametrize("schema", ["driveloss.calibration/2", "driveloss.losses/1"])
    def test_other_schema(self, saved, schema):
        text = saved[2].replace(SCHEMA, schema)
        with pytest.raises(InputError, match=rf"key 'schema': read '{schema}', expected '{SCHEMA}'"):
            from_text(text, "other.json")

    @pytest.mark.parametrize("text", ["[]", "3", "null", '"text"', "{}"])
    def test_other_json(self, text):
        with pytest.raises(InputError, match="key 'schema': read None"):
            from_text(text, "other.json")


def test_file_round_trip(saved, tmp_path):
    path = tmp_path / "calibration.json"
    path.write_text(saved[2], encoding="utf-8")
    assert to_text(read_calibration(path))


def test_line_ends_of_another_system_do_no_harm(saved, tmp_path):
    path = tmp_path / "calibration.json"
    path.write_bytes(saved[2].replace("\n", "\r\n").encode())
    assert read_calibration(path).files == saved[1].files


def test_missing_and_binary_files(tmp_path):
    with pytest.raises(InputError, match=r"none\.json"):
        read_calibration(tmp_path / "none.json")
    (tmp_path / "binary.json").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(InputError, match=r"binary\.json"):
        read_calibration(tmp_path / "binary.json")


def _signed(data):
    body = json.dumps(data, separators=(",", ":"))[1:]
    return f'{{"checksum":"{hashlib.sha256(body.encode()).hexdigest()}",\n{body}\n'


EDITS = {
    "negative scatter": (("scatter", "size"), {"constant": -1.0}, "scatter.size"),
    "scatter of nothing": (("scatter", "reference"), 0.0, "scatter.reference"),
    "infinite standby": (("standby",), {"constant": "inf"}, "standby.constant"),
    "too few draws": (("standby",), {"best": 0.0, "doubles": "AAAAAAAAAAA="}, "standby"),
    "no base64": (("standby",), {"best": 0.0, "doubles": "?"}, "standby"),
    "draws of half a number": (("draws",), 200.5, "draws"),
    "so many draws": (("draws",), 10**12, "draws"),
    "text for a number": (("drive_range", "low"), "3", "drive_range.low"),
    "a range backwards": (("drive_range", "low"), 1e6, "drive_range"),
    "an unknown route": (("route",), "guess", "route"),
    "a strange family": (("family",), "cubic", "family"),
    "a cylinder that is none": (("stated_pressure_friction",), ["nobody"], "stated_pressure_friction"),
    "no cylinders": (("meters", "cylinders"), {}, "meters.cylinders"),
    "idle power below zero": (("standby",), {"constant": -1.0}, "standby"),
    "a ratio below zero": (("meters", "ratio"), {"constant": -3.0}, "meters.ratio"),
    "a share below zero": (("meters", "seal_heat_share"), {"constant": -0.1}, "meters.seal_heat_share"),
    "a form factor below zero": (("meters", "form_factor"), {"constant": -1.0}, "meters.form_factor"),
    "a gain of zero": (("meters", "power_gain"), {"constant": 0.0}, "meters.power_gain"),
    "evidence": (("evidence",), {}, "evidence"),
    "a rig in millimetres": (("rig", "ambient_pressure", "value"), 1.0, "rig.ambient_pressure"),
}


@pytest.mark.parametrize("case", EDITS)
def test_an_edit_that_was_signed_again_is_refused_by_its_key(case, saved):
    path, new, key = EDITS[case]
    data = json.loads(saved[2])
    del data["checksum"]
    place = data
    for name in path[:-1]:
        place = place[name]
    place[path[-1]] = new
    with pytest.raises(InputError, match=rf"^calibration\.json, key '{re.escape(key)}': expected "):
        from_text(_signed(data), "calibration.json")


@pytest.mark.parametrize(("change", "problem"), [("lose", "missing"), ("gain", "unknown")])
def test_a_key_of_another_version_is_named(change, problem, saved):
    data = json.loads(saved[2])
    del data["checksum"]
    if change == "lose":
        del data["meters"]["inertia"]
    else:
        data["meters"]["inertia\x1b"] = 1.0
    with pytest.raises(InputError, match=rf"^calibration\.json, key 'meters\.inertia': {problem}"):
        from_text(_signed(data), "calibration.json")


def test_a_loss_below_zero_is_refused(saved):
    data = json.loads(saved[2])
    del data["checksum"]
    if data["family"] == "polynomial":
        pytest.skip("a difference of two polynomials may be")
    data["curves"]["coefficients"][0] = {"constant": -1.0}
    with pytest.raises(InputError, match=r"key 'curves\.coefficients': expected finite draws, none below zero"):
        from_text(_signed(data), "calibration.json")


def test_no_place_of_this_machine_is_saved(saved):
    bench, _, text = saved
    assert str(bench.folder) not in text
    assert str(bench.folder.parent) not in text
