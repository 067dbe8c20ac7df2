"""Curves asked for their parts: between pressures, across the seal, and in every single draw."""

import numpy as np
import pytest
from scipy import stats
from simulate import CylinderTruth, MotorTruth, Protocol, SealLaw, TorqueLaw, Truth, ladder
from simulate import write_bench as simulate_bench

from driveloss.bench.load import load_bench
from driveloss.fit import polynomial
from driveloss.fit.calibrate import calibrate
from driveloss.fit.curves import PolynomialCurves, SweepCurve
from fit.benches import HARDLY_MOVES, Sheet, write_bench

BAR = 1e5
TRUTH = Truth(
    motor=MotorTruth(resistance=0.4, torque_constant=0.06, law=TorqueLaw(coulomb=0.03)),
    linkage=TorqueLaw(viscous=1.5e-3),
    cylinders=(CylinderTruth("one", 0.030, 0.036, SealLaw(coulomb=8.0)),),
    ratio=2.0,
)


def level(stage, watts, cylinder=None, pressure=0.0):
    """A sweep that takes the same at all frequencies, in one draw."""
    return SweepCurve(stage, cylinder, pressure, 5.0, 10.0, np.array([[watts, watts]]))


@pytest.mark.parametrize(("bar", "watts"), [(1.0, 6.0), (1.5, 8.5), (2.5, 13.0), (3.0, 15.0), (0.5, 6.0), (9.0, 15.0)])
def test_between_two_pressures_a_seal_lies_on_a_straight_line(bar, watts):
    """10, 15 and 19 W at 1, 2 and 3 bar, the drive 4 W of it; outside the nearest. NumPy's interp says the same."""
    sweeps = [level("no-load", w, "one", p * BAR) for p, w in ((3, 19.0), (1, 10.0), (2, 15.0))]
    curves = PolynomialCurves((level("piston-disconnected", 4.0), *sweeps))
    assert watts == np.interp(bar, [1, 2, 3], [6.0, 11.0, 15.0])
    found = curves.seal("one", np.array([7.0, 8.0]), np.array([bar, bar]) * BAR)
    assert found == pytest.approx(np.full((2, 2), watts), rel=1e-12)


def test_only_pressure_above_the_back_pressure_presses_a_seal(tmp_path):
    """No-load at 1 bar, 4 bar behind the seal: as read up to 4 bar, and 3 N for each bar from there."""
    text = HARDLY_MOVES + 'pressure_friction = "3 N/bar"\nback_pressure = "4 bar"\n'
    header = "frequency [Hz],power [W]"
    sheets = [Sheet("piston-disconnected", header, [(f, 2 * f) for f in (5.0, 7.0, 9.0, 11.0)])]
    sheets.append(Sheet("no-load", header, [(f, 5 * f) for f in (5.0, 7.0, 9.0, 11.0)]))
    calibration = calibrate(write_bench(tmp_path, '[motor]\nsupply = "terminals"', sheets, text), draws=50)
    below, at, above = calibration.seal("one", np.full(3, 8.0), np.array([1.0, 4.0, 9.0]) * BAR)[:, 0]
    assert [below, at] == pytest.approx([3 * 8.0] * 2, rel=1e-6)
    assert above - at == pytest.approx(3 * 5 * 2 * 1e-4 * 8.0, rel=1e-6)  # N/bar, bar, mean piston speed


def simulated(folder):
    """Readings whose scatter leaves laws and degrees open."""
    sweeps = ladder(TRUTH, (4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 14.0), repeats=2)
    protocol = Protocol(sweeps=sweeps, noise_share=0.02, power_digits=4)
    simulate_bench(folder, TRUTH, protocol, np.random.default_rng(8), stated=TRUTH)
    return load_bench(folder)


@pytest.fixture(scope="module", params=["physical", "polynomial"])
def fitted(tmp_path_factory, request):
    return calibrate(simulated(tmp_path_factory.mktemp("bench")), request.param, draws=300, compare=False)


def test_every_draw_is_a_machine_like_the_best_one(fitted):
    f, p = np.array([6.0, 12.0]), np.full(2, 101325.0)
    for draws in (fitted.motor(f), fitted.drive(f), fitted.seal("one", f, p)):
        assert draws.shape == (2, 301)
        assert abs(draws / draws[:, :1] - 1).max() < 0.2
        assert (draws.std(axis=1) > 0).all()


def test_terms_readings_and_spare_ones_add_up(fitted):
    fit = fitted.evidence.fits[fitted.family]
    readings = fitted.evidence.ladder.readings
    assert fit.quality.n == len(readings) == 42
    assert fit.quality.parameters == len(fit.terms)
    assert fit.quality.residual_rms == pytest.approx(np.sqrt(np.mean(fit.residuals**2)))
    assert fit.quality.leave_one_out > fit.quality.residual_rms


def grown(power, share):
    """Scatter at power over that at the median power, of whose square a share goes with power squared."""
    return np.sqrt(1 - share + share * (power / np.median(power)) ** 2)


def test_the_criterion_is_that_of_the_residuals(fitted):
    """-2 ln L + 2k + 2k(k+1)/(n-k-1) less n(1 + ln 2 pi), the scatter among the k; SciPy's density of a normal L."""
    fit, readings = fitted.evidence.fits[fitted.family], fitted.evidence.ladder.readings
    shape = grown(readings.power, fit.quality.scatter_share)
    sigma = shape * np.sqrt(np.mean((fit.residuals / shape) ** 2))
    n, k = len(readings), fit.quality.parameters + 1
    likelihood = stats.norm.logpdf(fit.residuals, scale=sigma).sum()
    expected = -2 * likelihood + 2 * k + 2 * k * (k + 1) / (n - k - 1) - n * (1 + np.log(2 * np.pi))
    assert fit.quality.aicc == pytest.approx(expected, rel=1e-6)


def test_without_the_choice_of_terms_each_draw_has_the_best_degree(tmp_path):
    bench, counts = simulated(tmp_path), []
    for active in (("noise",), ("noise", "terms")):
        fit = calibrate(bench, "polynomial", draws=50, active=active, compare=False).evidence.fits["polynomial"]
        counts.append(sum(len(sweep.coefficients) for sweep in fit.curves.sweeps))
    assert counts[0] == fit.quality.parameters < counts[1]


def test_polynomials_weigh_readings_by_their_scatter(tmp_path, monkeypatch):
    """A line through readings that scatter by 2 %: NumPy's weighted covariance, widened as Student's t is."""
    monkeypatch.setattr(polynomial, "DEGREES", (1,))
    f = np.tile(np.linspace(2, 20, 10), 4)
    power = 3 * f * (1 + 0.02 * np.random.default_rng(1).standard_normal(40))
    sheets = [Sheet("piston-disconnected", "frequency [Hz],power [W]", list(zip(f, power, strict=True)))]
    bench = write_bench(tmp_path, '[motor]\nsupply = "terminals"', sheets)
    calibration = calibrate(bench, "polynomial", draws=4000, compare=False)
    share = calibration.evidence.fits["polynomial"].quality.scatter_share
    assert share > 0.8
    at = np.array([2.0, 6.0, 20.0])
    (slope, level), covariance = np.polyfit(f, power, 1, w=1 / grown(power, share), cov=True)
    design = np.vander(at, 2)
    u = np.sqrt(np.sum(design @ covariance * design, axis=1) * 38 / 36)
    drive = calibration.drive(at)
    assert drive[:, 0] == pytest.approx(level + slope * at, rel=1e-6)
    assert drive[:, 1:].std(axis=1) == pytest.approx(u, rel=0.06)
