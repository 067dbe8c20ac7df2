"""No-load losses at any frequency: rows, sums, and what is said outside the measured range."""

import csv
import io
import json
from dataclasses import replace
from importlib import import_module

import numpy as np
import pytest
from simulate import CylinderTruth, MotorTruth, Protocol, SealLaw, TorqueLaw, Truth, ladder, write_bench

from driveloss.bench.load import load_bench
from driveloss.bench.records import Limits, Meter
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.losses.ask import losses
from driveloss.say.flags import FLAGS

FREQUENCIES = (5.0, 7.0, 9.0, 11.0, 13.0)  # [Hz]
PRESSURES = (1.2e5, 2.4e5)  # [Pa]
TRUTH = Truth(
    motor=MotorTruth(
        supply="controller", standby=4.0, resistance=0.42, torque_constant=0.061, law=TorqueLaw(coulomb=0.02)
    ),
    linkage=TorqueLaw(coulomb=0.05, viscous=4e-4),
    cylinders=(
        CylinderTruth("narrow", 0.030, 0.036, SealLaw(coulomb=6.0, energised=1e-5), port_diameter=0.009),
        CylinderTruth("wide", 0.044, 0.036, SealLaw(coulomb=11.0)),
    ),
    ratio=3.0,
)
POWERS = ("standby", "motor", "linkage", "drive", "seal", "total")


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A bench and its truth, with a little noise."""
    folder = tmp_path_factory.mktemp("bench")
    sweeps = ladder(TRUTH, FREQUENCIES, PRESSURES, repeats=2, standby=4)
    protocol = Protocol(sweeps=sweeps, noise_floor=0.01, noise_share=0.002, power_digits=3)
    return write_bench(folder, TRUTH, protocol, np.random.default_rng(5), stated=TRUTH), load_bench(folder)


@pytest.fixture(scope="module", params=["physical", "polynomial"])
def calibration(bench, request):
    return calibrate(bench[1], request.param, draws=500, compare=False)


def test_a_row_for_the_drive_and_one_a_cylinder_and_pressure(calibration):
    rows = [(r.frequency, r.cylinder, r.mean_pressure) for r in losses(calibration, [6.0, 10.0])]
    per_frequency = [(None, None), *((name, p) for name in ("narrow", "wide") for p in PRESSURES)]
    assert [(f, name) for f, name, _ in rows] == [(f, name) for f in (6.0, 10.0) for name, _ in per_frequency]
    found = [p for *_, p in rows]
    expected = [p for _ in range(2) for _, p in per_frequency]
    assert [p is None for p in found] == [p is None for p in expected]
    assert [p for p in found if p] == pytest.approx([p for p in expected if p], rel=1e-6)


def test_losses_inside_the_range_are_the_true_ones(bench, calibration):
    """Known truth: within 3 standard uncertainties, or half a percent of the total loss where those are tiny."""
    answer = bench[0]
    for row in losses(calibration, [6.0, 9.0, 12.0]):
        true = answer.no_load(row.cylinder, row.frequency, row.mean_pressure)
        for name in POWERS:
            part, wanted = getattr(row, name), true[f"{name}_W"].item()
            if part is not None:
                assert abs(part.value - wanted) < 3 * part.u + 5e-3 * true["total_W"].item(), (row, name)
        if row.cylinder == "narrow":
            assert row.port.value == pytest.approx(true["port_W"].item(), rel=1e-3)


def test_the_total_is_the_sum_without_the_port(calibration):
    for row in losses(calibration, [8.0]):
        parts = [row.standby, row.drive] + ([row.seal] if row.seal else [])
        assert row.total.value == pytest.approx(sum(part.value for part in parts), rel=1e-9)
        assert row.motor.value + row.linkage.value == pytest.approx(row.drive.value, rel=1e-9)


def test_seal_force_is_power_over_mean_speed(calibration):
    """P = 2 S f F: mean piston speed twice stroke times frequency."""
    for row in losses(calibration, [8.0], ["wide"]):
        assert row.seal_force.value == pytest.approx(row.seal.value / (2 * 0.036 * 8.0), rel=1e-9)


def test_the_drive_alone_has_neither_seal_nor_port(calibration):
    row = losses(calibration, [8.0])[0]
    assert (row.cylinder, row.mean_pressure, row.seal, row.port, row.seal_force) == (None,) * 5


@pytest.mark.parametrize(("frequency", "outside"), [(5.0, False), (13.0, False), (4.5, True), (14.0, True)])
def test_extrapolated_is_flagged(calibration, frequency, outside):
    for row in losses(calibration, [frequency]):
        assert row.extrapolated is outside
        assert ("extrapolated" in row.flags) is outside


def test_jitter_within_the_frequency_meters_limit_is_not_extrapolation(calibration):
    """A run that was set to the highest calibrated frequency is read beside it, no further than the meter can tell."""
    top = calibration.drive_range.high
    fine, rough = (
        replace(calibration, rig=replace(calibration.rig, meter=Meter(frequency=Limits(zero=share * top))))
        for share in (0.0, 0.03)
    )
    assert fine.is_extrapolated(1.02 * top, None) and not rough.is_extrapolated(1.02 * top, None)
    assert rough.is_extrapolated(1.04 * top, None)


@pytest.mark.parametrize("part", ["drive", "seal"])
def test_intervals_widen_away_from_the_readings(calibration, part):
    """At twice the top frequency the interval is wider than at the top and, relative to the loss, no narrower."""
    inside, top, outside = (getattr(losses(calibration, [f], ["narrow"], [1.2e5])[0], part) for f in (9.0, 13.0, 26.0))
    assert outside.half_width > 1.5 * top.half_width
    assert outside.half_width > 3 * inside.half_width


def test_pressure_outside_the_sweeps_is_flagged(calibration):
    low, inside, high = losses(calibration, [9.0], ["wide"], [1.0e5, 1.8e5, 4.0e5])
    assert "pressure-not-calibrated" not in inside.flags
    assert "pressure-not-calibrated" in low.flags
    assert "pressure-not-calibrated" in high.flags


def test_missing_port_is_flagged(calibration):
    narrow, wide = losses(calibration, [9.0], ["narrow", "wide"], [1.2e5])
    assert "port-loss-unknown" not in narrow.flags
    assert narrow.port.value > 0
    assert "port-loss-unknown" in wide.flags


def test_a_port_of_unknown_size_takes_up_to_a_quarter_of_the_step(calibration):
    """Assumed, evenly from none to a quarter at the highest frequency; below that it falls as frequency cubed."""
    below, top = losses(calibration, [6.5, 13.0], ["wide"], [1.2e5])
    step = top.seal.value + top.port.value
    assert top.port.value == pytest.approx(0.125 * step, rel=1e-9)
    assert [top.port.low, top.port.high] == pytest.approx([0.00625 * step, 0.24375 * step], abs=2e-3 * step)
    assert below.port.value == pytest.approx(top.port.value / 8, rel=1e-9)


@pytest.mark.parametrize("frequency", [0.0, -3.0, float("nan"), float("inf")])
def test_frequency_must_be_positive(calibration, frequency):
    with pytest.raises(InputError, match=r"frequency: read .* Hz, expected a positive number"):
        losses(calibration, [frequency])


def test_unknown_cylinder_names_the_known_ones(calibration):
    with pytest.raises(InputError, match=r"read 'broad', expected .*'narrow', 'wide'"):
        losses(calibration, [9.0], ["broad"])


def test_every_flag_says_what_it_means_and_where_it_leads():
    for flag in FLAGS.values():
        assert flag.meaning.endswith(".") and flag.bias.endswith(".")


def test_many_frequencies_have_the_losses_of_each_alone(calibration):
    """Beyond some number they are read off a course: within two hundredths of the half-width, edges too."""
    at = np.concatenate([np.linspace(3.0, 20.0, 150), [5.0, 13.0, 13.0001]])
    many = losses(calibration, at)
    picked = [0, 17, 18, 30, 89, 90, 120, 149, 150, 151, 152]
    for i in picked:
        few = losses(calibration, at[i : i + 1])
        for row, alone in zip(many[i * len(few) : (i + 1) * len(few)], few, strict=True):
            assert (row.frequency, row.cylinder, row.flags) == (alone.frequency, alone.cylinder, alone.flags)
            assert row.parts.keys() == alone.parts.keys()
            known = [(row.parts[key], e) for key, e in alone.parts.items() if e is not None]
            assert {key for key, e in row.parts.items() if e} == {key for key, e in alone.parts.items() if e}
            for read_off, own in known:
                room = 0.02 * own.half_width + 1e-9
                assert [read_off.value, read_off.u, read_off.low, read_off.high] == pytest.approx(
                    [own.value, own.u, own.low, own.high], rel=0, abs=room
                )


def test_many_rows_are_the_same_in_every_form(calibration, monkeypatch):
    """JSON, CSV and the rows, of three blocks; the screen says where they are instead of showing them."""
    monkeypatch.setattr(import_module("driveloss.losses.ask"), "AT_A_TIME", 100)
    monkeypatch.setattr(import_module("driveloss.losses.tell"), "MOST_ROWS", 1000)
    many = losses(calibration, np.linspace(4.0, 14.0, 210))
    assert len(many) == len(list(many)) == 210 * 5
    data = json.loads("".join(many.json()))
    assert len(data["rows"]) == len(many)
    lines = list(csv.DictReader(io.StringIO("".join(many.csv()))))
    for i in (0, 499, 703, len(many) - 1):
        row = many[i]
        assert data["rows"][i]["total_W"]["high"] == float(lines[i]["total_high_W"]) == row.total.high
        assert lines[i]["cylinder"] == (row.cylinder or "")
        assert lines[i]["flags"] == "; ".join(row.flags)
    assert [item for item in many.tables() if "--csv" in str(item)] == many.tables()


def test_what_is_not_known_at_one_frequency_is_missing_there_alone(calibration):
    """In CSV as in the rows."""
    whole = next(losses(calibration, [6.0, 9.0, 12.0]).blocks())[0]
    total = whole.numbers["total"].copy()
    total[1, 3] = np.nan
    block = replace(whole, numbers={**whole.numbers, "total": total}, draws={})
    place = losses(calibration, [6.0]).columns.index("total_W")
    assert [line[place] for line in block.lines()] == [row.total and row.total.value for row in block.rows()]
    assert [row.total is None for row in block.rows()] == [False, True, False]
