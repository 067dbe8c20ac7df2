"""Slips of the pen in simulated benches with repeats, and published examples of outlier tests."""

import math
from pathlib import Path

import numpy as np
import pytest
from cli.running import DEMO
from copies import open_copy
from scipy.stats import t as student
from simulate import write_bench

from driveloss.bench.load import load_bench
from driveloss.fit import outliers as screen
from driveloss.fit.calibrate import calibrate
from driveloss.fit.estimate import estimates
from driveloss.fit.ladder import build_ladder
from driveloss.fit.outliers import _against_the_rest, _droppable, likely_slip, outliers
from screen.benches import (
    a_fifth_less,
    a_fifth_more,
    load,
    overwrite,
    random_case,
    repeated_bench,
    rung_files,
    screened,
    tenfold,
    tenth,
    transposed,
    with_repeats,
    written_powers,
)

MANY, FEW = 40, 10  # benches, and as many in a plain run
LONG = pytest.mark.long
BENCHES = [FEW, pytest.param(MANY, marks=LONG)]
SLIPS = (tenfold, tenth, transposed, a_fifth_more, a_fifth_less)
NAMED = (tenfold, tenth, transposed)  # slips that a suggestion can undo
LARGE = 0.05  # of the reading: a smaller slip need not be found


@pytest.mark.parametrize("benches", BENCHES)
def test_clean_benches_lose_less_than_one_reading_in_a_hundred(tmp_path, benches):
    called = readings = 0
    for index in range(benches):
        repeated_bench(tmp_path / str(index), index)
        found = screened(load(tmp_path / str(index)))
        called += len(found.findings)
        readings += len(found.keep)
    assert readings > 25 * benches
    assert called < 0.01 * readings


def slip_into(folder: Path, index: int, change):
    """A bench with repeats, one ladder reading of it changed by more than LARGE; None where no cell can be."""
    _, rng = repeated_bench(folder, index)
    cells = []
    for file in rung_files(load(folder)):
        for line, text in written_powers(folder / file):
            wrong = change(text)
            if wrong is not None and abs(float(wrong) - float(text)) > LARGE * float(text):
                cells.append((file, line))
    if not cells:
        return None
    file, line = cells[int(rng.integers(len(cells)))]
    return overwrite(folder / file, line, change)


@pytest.fixture(scope="module", params=BENCHES)
def searched(request, tmp_path_factory):
    """(kind of slip, the slip, what screening found), one a case."""
    cases = []
    for index in range(request.param):
        change, folder = SLIPS[index % len(SLIPS)], tmp_path_factory.mktemp("slip")
        slip = slip_into(folder, index, change)
        if slip is not None:
            cases.append((change, slip, screened(load(folder)).findings))
    assert len(cases) > 0.9 * request.param
    return cases


def of_the_slip(slip, findings):
    return [finding for finding in findings if (finding.file, finding.line) == (slip.file, slip.line)]


def test_slips_are_found_and_named_by_file_and_line(searched):
    named = [of_the_slip(slip, findings) for _, slip, findings in searched]
    assert sum(map(bool, named)) >= 0.85 * len(searched)
    for (_, slip, _), found in zip(searched, named, strict=True):
        for finding in found:
            assert finding.sentence.startswith(f"{slip.file}, line {slip.line}: {slip.written:g} W at ")
            assert finding.kind == "outlier"
            assert finding.left_out
            assert np.sign(finding.watts) == np.sign(slip.written - slip.meant)
            side = "above" if slip.written > slip.meant else "below"
            assert f" W {side} what the other readings let expect" in finding.sentence


def test_a_slip_rarely_discredits_another_reading(searched):
    others = sum(len(findings) - len(of_the_slip(slip, findings)) for _, slip, findings in searched)
    assert others <= 0.1 * len(searched)


def test_the_meant_digits_are_suggested(searched):
    sentences = [
        (slip, finding.sentence)
        for change, slip, findings in searched
        if change in NAMED
        for finding in of_the_slip(slip, findings)
    ]
    assert len(sentences) > 3 / 8 * len(searched)
    right = sum(f"? {slip.meant:g})" in sentence for slip, sentence in sentences)
    assert right >= 0.8 * len(sentences)


def test_the_stated_distance_is_the_slips_own(searched):
    """What the other readings let expect is what was meant, to a few scatters of a reading."""
    for change, slip, findings in searched:
        for finding in of_the_slip(slip, findings) if change in (tenfold, tenth) else []:
            assert finding.watts == pytest.approx(slip.written - slip.meant, abs=0.12 * slip.meant)


STATED = 3  # a case whose slip is a fifth more


@pytest.fixture(scope="module")
def corrupted(tmp_path_factory):
    """The same bench without and with one gross slip: (clean bench, its folder with the slip, slip)."""
    clean, folder = tmp_path_factory.mktemp("clean"), tmp_path_factory.mktemp("slipped")
    repeated_bench(clean, STATED)
    slip = slip_into(folder, STATED, tenfold)
    return load(clean), load(folder), slip


def drive(bench, **options):
    calibration = calibrate(bench, draws=200, compare=False, **options)
    at = np.linspace(calibration.drive_range.low, calibration.drive_range.high, 5)
    cylinder = next(iter(calibration.ranges))
    pressure = np.full(5, calibration.ranges[cylinder].pressures[-1])
    return calibration, np.vstack([calibration.drive(at), calibration.seal(cylinder, at, pressure)])


def test_without_its_outlier_a_bench_says_what_the_true_readings_say(corrupted):
    clean, slipped, slip = corrupted
    _, truth = drive(clean)
    calibration, curves = drive(slipped)
    half = np.array([e.half_width for e in estimates(truth)])
    assert np.all(np.abs(curves[:, 0] - truth[:, 0]) < half)
    left_out = calibration.evidence.left_out
    assert (list(left_out.file), list(left_out.line)) == ([slip.file], [slip.line])
    assert len(calibration.evidence.ladder.readings) == len(screened(clean).keep) - 1


def test_keep_all_keeps_and_still_names_them(corrupted):
    clean, slipped, slip = corrupted
    _, truth = drive(clean)
    calibration, curves = drive(slipped, keep_all=True)
    assert len(calibration.evidence.left_out) == 0
    (finding,) = of_the_slip(slip, calibration.findings)
    assert not finding.left_out
    assert "kept" in finding.sentence
    half = np.array([e.half_width for e in estimates(truth)])
    assert np.any(np.abs(curves[:, 0] - truth[:, 0]) > half)  # so the test above can fail


@pytest.mark.parametrize("index", [*range(0, 12, 3), *(pytest.param(i, marks=LONG) for i in range(12, 30, 3))])
def test_a_rung_keeps_three_readings(tmp_path, index):
    """Two slips in a rung of three or four readings: at least three stay, and not all of them are called wrong."""
    truth, protocol, rng = random_case(index)
    points = 3 + index % 2
    write_bench(tmp_path, truth, with_repeats(truth, protocol, repeats=1, points=points), rng)
    file = rung_files(load(tmp_path), "piston-disconnected")[0]
    for line in (2, 4):
        overwrite(tmp_path / file, line, tenfold)
    calibration = calibrate(load(tmp_path), draws=20, compare=False)
    readings = calibration.evidence.ladder.readings
    assert np.count_nonzero(readings.stage == "piston-disconnected") >= 3
    assert sum(finding.file == file and finding.left_out for finding in calibration.findings) <= points - 3


def test_a_slip_that_cannot_be_spared_is_named_and_kept(tmp_path):
    """A rung of three readings: without one of them it would be too thin."""
    named = 0
    for index in range(20):
        folder = tmp_path / str(index)
        truth, protocol, rng = random_case(index)
        write_bench(folder, truth, with_repeats(truth, protocol, repeats=1, points=3), rng)
        slip = overwrite(folder / "piston-disconnected.csv", 3, tenfold)
        found = screened(load(folder))
        for finding in of_the_slip(slip, found.findings):
            named += 1
            assert not finding.left_out
            assert "; kept; correct it" in finding.sentence
    assert named >= 5  # three readings a rung leave few to contradict a fourth


def test_only_the_worst_of_a_rung_go_while_three_are_left(tmp_path):
    repeated_bench(tmp_path, 0)
    readings = build_ladder(load(tmp_path)).readings
    rung = np.flatnonzero(readings.stage == "piston-disconnected")
    five = np.concatenate([rung[:5], np.flatnonzero(readings.stage == "no-load")])
    few = readings.only(np.isin(np.arange(len(readings)), five))
    order = np.flatnonzero(few.stage == "piston-disconnected")[[3, 0, 4, 1]]  # worst first
    assert list(_droppable(few, order)) == order[:2].tolist()


# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1: uranium isotope ratios (seen in copies).
GRUBBS = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
# The same, 1.3.5.17.3: Rosner's 54 values, of which the generalised ESD test (5 %) calls the last three outliers
# (seen in copies).
ROSNER = np.array([
    -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70, 1.76,
    1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54,
    2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
])  # fmt: skip
DIGIT = 100.0  # readings in hundredths: a scatter of one is then the last digit written


def constant(values):
    return np.ones((len(values), 1)) * DIGIT


def test_grubbs_example_of_the_handbook():
    """245.57 alone is an outlier: G = 2.4687 beyond the critical 2.032 at 5 %."""
    found, expected = outliers(constant(GRUBBS), GRUBBS * DIGIT, np.zeros(8))
    assert found.tolist() == [7]
    assert expected / DIGIT == pytest.approx(np.full(8, GRUBBS[:7].mean()))


def test_grubbs_example_without_its_outlier_has_none():
    found, _ = outliers(constant(GRUBBS[:7]), GRUBBS[:7] * DIGIT, np.zeros(7))
    assert found.tolist() == []


def as_grubbs(t, n):
    """Grubbs' G of an externally studentised t among n readings."""
    return (n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2))


@pytest.mark.parametrize("values", [GRUBBS, ROSNER + 1], ids=["Grubbs", "Rosner"])
def test_students_t_is_grubbs_g(values):
    """G = (n-1)/sqrt(n) sqrt(t^2/(n-2+t^2)): the handbook's critical value, here turned round for each reading."""
    n, suspect = len(values), np.array([len(values) - 1])
    t, critical, _ = _against_the_rest(constant(values), values * DIGIT, suspect, np.arange(n))
    g = (values[-1] - values.mean()) / values.std(ddof=1)
    assert as_grubbs(t[0], n) == pytest.approx(g, rel=1e-9)
    assert critical == pytest.approx(student.ppf(1 - 0.001 / (2 * n), n - 2), rel=1e-9)


@pytest.mark.parametrize(
    ("values", "g", "chance", "bound"),
    [(GRUBBS, 2.4687, 0.1, 2.032), (GRUBBS, 2.4687, 0.05, 2.1266), (ROSNER, 3.118, 0.05, 3.158)],
    ids=["Grubbs, one-sided", "Grubbs, two-sided", "Rosner"],
)
def test_published_statistic_and_critical_value(monkeypatch, values, g, chance, bound):
    """The handbook's G and one-sided 5 % bound, the two-sided one; the first R and 5 % bound of Rosner's table.

    2.1266 is printed for the same readings in the manual of the stdlib statistics package (seen).
    """
    monkeypatch.setattr(screen, "FALSE_ALARM", chance)
    n = len(values)
    t, critical, _ = _against_the_rest(constant(values), (values + 1) * DIGIT, np.array([n - 1]), np.arange(n))
    assert as_grubbs(t[0], n) == pytest.approx(g, abs=1e-3)
    assert as_grubbs(critical, n) == pytest.approx(bound, abs=1e-3)


# Test statistics and two-sided 5 % bounds after 0, 1, ... 9 values are taken away (as printed: cut, not rounded).
ROSNER_R = (3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067)
ROSNER_BOUND = (3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085)


def test_rosner_table_step_by_step(monkeypatch):
    """Each of the handbook's ten rows: the value furthest from the mean against those that are left."""
    monkeypatch.setattr(screen, "FALSE_ALARM", 0.05)
    values = ROSNER
    for r, bound in zip(ROSNER_R, ROSNER_BOUND, strict=True):
        n, furthest = len(values), int(np.argmax(np.abs(values - values.mean())))
        shifted = (values + 1) * DIGIT  # readings are positive
        t, critical, _ = _against_the_rest(constant(values), shifted, np.array([furthest]), np.arange(n))
        assert as_grubbs(t[0], n) == pytest.approx(r, abs=1.1e-3)
        assert as_grubbs(critical, n) == pytest.approx(bound, abs=1.1e-3)
        values = np.delete(values, furthest)


def test_rosner_example_has_three_outliers_at_five_per_cent(monkeypatch):
    monkeypatch.setattr(screen, "FALSE_ALARM", 0.05)
    found, _ = outliers(constant(ROSNER), (ROSNER + 1) * DIGIT, np.zeros(54))
    assert found.tolist() == [53, 52, 51]


@pytest.mark.parametrize("chance", [0.05, 0.001])
def test_small_change_is_never_an_outlier(monkeypatch, chance):
    """Values 5 above the mean, gross only from 6 on."""
    monkeypatch.setattr(screen, "FALSE_ALARM", chance)
    found, _ = outliers(constant(ROSNER), (ROSNER + 1) * DIGIT, np.full(54, 6 * DIGIT))
    assert found.tolist() == []


@pytest.mark.parametrize(("bad", "found"), [(2, [0, 1]), (3, [])])
def test_more_than_a_tenth_of_the_readings_is_no_slip_of_the_pen(bad, found):
    """Of twenty: no outlier at all is then named, since the curve may be wrong."""
    values = 2 + np.sin(np.arange(20.0)) / 50
    values[:bad] += 8.0 - np.arange(bad)
    assert outliers(constant(values), values * DIGIT, np.zeros(20))[0].tolist() == found


@pytest.mark.parametrize(
    ("written", "expected", "words"),
    [
        (231.0, 23.2, " (decimal point? 23.1)"),
        (2.31, 23.2, " (decimal point? 23.1)"),
        (32.08, 23.1, " (digits transposed? 23.08)"),
        (13.7, 31.6, " (digits transposed? 31.7)"),
        (108.5, 181.0, " (digits transposed? 180.5)"),
        (20.5, 2.1, " (decimal point? 2.05)"),
        (27.72, 23.1, ""),
        (22.0, 30.0, ""),
        (0.0, 12.0, ""),
    ],
)
def test_likely_slip(written, expected, words):
    assert likely_slip(written, expected) == words


def test_a_speed_in_rpm_is_named_as_it_was_typed(tmp_path):
    """514.8 rpm is 8.58 Hz; the demo's slip of the pen is at that."""
    folder = open_copy(DEMO, tmp_path / "bench")
    file = folder / "wide-no-load-charged.csv"
    header, *rows = [line.split(",") for line in file.read_text().splitlines() if not line.startswith("#")]
    assert header[0] == "frequency [Hz]"
    typed = [",".join([f"{float(hertz) * 60:g}", *rest]) for hertz, *rest in rows]
    file.write_text("\n".join([",".join(["speed [rpm]", *header[1:]]), *typed]) + "\n")
    calibration = calibrate(load_bench(folder), draws=30, compare=False)
    (sentence,) = (finding.sentence for finding in calibration.findings if finding.kind == "outlier")
    assert "42.07 W at 514.8 rpm lies 18 W above" in sentence
