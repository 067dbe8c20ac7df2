"""Which terms are kept, and how close rivals share the draws."""

from dataclasses import replace
from functools import cache
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from simulate import CylinderTruth, MotorTruth, Protocol, SealLaw, TorqueLaw, Truth, ladder, write_bench

from driveloss.bench.load import load_bench
from driveloss.fit.calibrate import calibrate
from driveloss.fit.laws import Term
from driveloss.fit.selection import WINDOW, Candidate, Search, _likeliest, aicc, assign, weighted
from driveloss.losses.ask import losses

FREQUENCIES = (4.0, 6.0, 8.0, 10.0, 12.0, 14.0)
SEAL = SealLaw(coulomb=8.0)
TRUTH = Truth(
    motor=MotorTruth(resistance=0.4, torque_constant=0.06, law=TorqueLaw(coulomb=0.03)),
    linkage=TorqueLaw(viscous=1.5e-3),
    cylinders=(CylinderTruth("one", 0.03, 0.036, SEAL),),
    ratio=2.0,
)


@cache
def made(truth=TRUTH, noise=0.02, pressures=(101325.0,), **choices):
    """A calibration of a simulated bench with two passes and a little noise."""
    rungs = {key: choices.pop(key) for key in ("standby", "motor_alone") if key in choices}
    sweeps = ladder(truth, FREQUENCIES, pressures, repeats=2, **rungs)
    protocol = Protocol(sweeps=sweeps, noise_floor=noise, power_digits=4)
    with TemporaryDirectory() as folder:
        write_bench(Path(folder), truth, protocol, np.random.default_rng(8), stated=truth)
        bench = load_bench(folder)
    return calibrate(bench, draws=200, compare=False, **choices)


def physical(calibration):
    return calibration.evidence.fits["physical"]


def test_aicc_against_its_definition():
    """n ln(rss/n) + 2k + 2k(k+1)/(n-k-1), k with the scatter counted (Hurvich & Tsai 1989, from memory)."""
    assert aicc(8.0, 12, 2) == pytest.approx(12 * np.log(8 / 12) + 6 + 24 / 8)


def test_aicc_of_too_few_readings_forbids_further_terms():
    assert aicc(1e-12, 5, 4) > aicc(1.0, 5, 3) > aicc(1.0, 5, 2)


def test_a_stribeck_term_costs_its_force_and_its_speed():
    terms = [Term("seal", "coulomb", "one"), Term("seal", "viscous", "one"), Term("seal", "stribeck", "one", 0.1)]
    design = np.random.default_rng(2).uniform(1, 2, (12, 3))
    search = Search(terms, design, design.sum(axis=1), 1e-9)
    found = [search.score(columns) for columns in ((0,), (0, 1), (0, 2))]
    assert [c.parameters for c in found] == [1, 2, 3]
    assert [c.aicc for c in found] == pytest.approx([aicc(c.rss, 12, c.parameters) for c in found])


def test_parts_are_combined_by_their_summed_distance():
    """Against all combinations one by one."""
    rng = np.random.default_rng(9)
    pools = [sorted((d, (10 * part + i,)) for i, d in enumerate(rng.uniform(0, 6, 5))) for part in range(3)]
    every = sorted((sum(d for d, _ in each), tuple(j for _, c in each for j in c)) for each in product(*pools))
    assert _likeliest(pools) == [columns for distance, columns in every if distance < WINDOW]


def candidates(*scores):
    return weighted([Candidate((i,), np.ones(1), 1.0, 1, score) for i, score in enumerate(scores)])


def test_akaike_weights():
    """exp(-delta/2), normalised; far rivals are left out (Burnham & Anderson 2002, ch. 2, from memory)."""
    kept = candidates(12.0, 10.0, 10.0 + WINDOW + 0.1)
    assert [c.columns for c in kept] == [(1,), (0,)]
    assert kept[0].weight == pytest.approx(1 / (1 + np.exp(-1)))
    assert sum(c.weight for c in kept) == pytest.approx(1)


def test_draws_are_shared_in_proportion_to_the_weights():
    kept = candidates(10.0, 11.0, 13.0)
    member = assign([c.weight for c in kept], 1000, np.random.default_rng(0))
    shares = np.bincount(member, minlength=3) / 1000
    assert shares == pytest.approx([c.weight for c in kept], abs=2e-3)


def test_the_true_terms_are_found():
    found = {t.label: t.estimate for t in physical(made()).terms}
    assert set(found) == {"motor: Coulomb torque", "linkage: viscous drag", "seal 'one': Coulomb force"}
    for label, truth in zip(sorted(found), (1.5e-3, 0.03, 8.0), strict=True):
        assert found[label].low < truth < found[label].high, label


def test_the_stribeck_speed_is_found_between_those_tried():
    """Breakaway at 14 N above 8 N of Coulomb friction; readings next to exact."""
    seal = replace(SEAL, static=14.0, stribeck_speed=0.23)
    truth = replace(TRUTH, cylinders=(CylinderTruth("one", 0.03, 0.036, seal),))
    terms = {t.label: t for t in physical(made(truth, noise=1e-4)).terms}
    speed = terms["seal 'one': Stribeck speed"]
    assert speed.unit == "m/s"
    assert speed.estimate.low < 0.23 < speed.estimate.high
    assert speed.estimate.value == pytest.approx(0.23, rel=0.02)


def test_dropped_terms_are_named():
    notes = physical(made()).notes
    motor = next(note for note in notes if note.startswith("motor:"))
    assert motor == "motor: the readings do not support rolling bearings, viscous drag, windage; left out."
    seal = next(note for note in notes if note.startswith("seal 'one':"))
    assert "viscous drag" in seal and "Stribeck excess force" in seal and "left out" in seal


def test_terms_that_cannot_be_told_apart_are_named(tmp_path):
    """Coulomb and viscous drag over a narrow range of speed: their coefficients trade against each other."""
    narrow = replace(TRUTH, linkage=TorqueLaw(coulomb=0.2, viscous=3e-3))
    sweeps = ladder(narrow, (9.0, 9.5, 10.0, 10.5, 11.0), repeats=3)
    write_bench(tmp_path, narrow, Protocol(sweeps=sweeps, power_digits=7), np.random.default_rng(1), stated=narrow)
    notes = physical(calibrate(load_bench(tmp_path), draws=50, compare=False)).notes
    assert any("can hardly be told apart" in note and "linkage" in note for note in notes)


def test_coefficients_are_never_negative():
    """Even with noise of a tenth of the losses and more, in every draw."""
    calibration = made(noise=0.4)
    assert (calibration.curves.coefficients >= 0).all()


CONTROLLED = replace(TRUTH, motor=replace(TRUTH.motor, supply="controller", standby=5.0))


def test_idle_power_is_found_where_nobody_measured_it():
    """Before a controller and without a standby sweep: the constant term, within its interval."""
    calibration = made(CONTROLLED)
    assert calibration.has_standby
    standby = losses(calibration, [9.0])[0].standby
    assert standby.low < 5.0 < standby.high
    assert standby.value == pytest.approx(5.0, abs=0.1)
    assert standby.u > 0


def test_idle_power_is_exact_where_the_readings_are():
    """This motor's copper loss is of the size of its output, so that the current depends much on the idle power."""
    calibration = made(CONTROLLED, noise=0.0, motor_alone=False)
    assert losses(calibration, [9.0])[0].standby.value == pytest.approx(5.0, rel=2e-3)


def test_no_idle_power_is_claimed_at_the_terminals():
    """A motor on a bench supply has no controller that idles."""
    calibration = made(replace(TRUTH, motor=replace(TRUTH.motor, supply="terminals")))
    assert not calibration.has_standby
    assert losses(calibration, [9.0])[0].standby is None


def test_polynomials_take_the_idle_power_that_the_joint_fit_finds():
    """A polynomial's constant cannot be told from the motor's, yet the motor current depends on the idle power."""
    families = ({}, {"family": "polynomial"})
    both = [made(CONTROLLED, noise=0.0, motor_alone=False, **family) for family in families]
    joint, each = (losses(calibration, [9.0])[0] for calibration in both)
    assert each.standby.value == pytest.approx(joint.standby.value, rel=1e-9)
    assert each.drive.value == pytest.approx(joint.drive.value, rel=0.02)


def test_a_pressure_term_needs_more_than_one_pressure():
    energised = replace(TRUTH, cylinders=(CylinderTruth("one", 0.03, 0.036, replace(SEAL, energised=2e-5)),))
    label = "seal 'one': pressure-energised drag"
    assert label not in {t.label for t in physical(made(energised)).terms}
    found = {t.label: t.estimate.value for t in physical(made(energised, pressures=(1.2e5, 3e5))).terms}
    assert found[label] == pytest.approx(2e-5, rel=0.05)
