"""Work on the same gas circuit against lumped circuits followed through time, and against linear circuit theory."""

from types import SimpleNamespace

import numpy as np
import pytest

from driveloss.predict.circuit import PASSIVE, WITH_DISPLACER, circuit_of, exponent_of
from predict.lumped import Gas, random_gas, work_and_phase

CIRCUITS = 12


def exponents(with_displacer):
    """Of the swept volume in the work, from circuits with a cylinder 0.75 and 1.4 times as large."""
    rng = np.random.default_rng(7)
    found = []
    while len(found) < 2 * CIRCUITS:
        gas = random_gas(rng, with_displacer)
        work = work_and_phase(gas, 1.0)[0]
        if work > 0.05:  # of pressure times swept volume: less is no machine
            found += [np.log(work_and_phase(gas, k)[0] / work) / np.log(k) for k in (0.75, 1.4)]
    return np.array(found)


@pytest.mark.parametrize(("row", "with_displacer"), [(PASSIVE, False), (WITH_DISPLACER, True)])
def test_limits_hold_lumped_circuits(row, with_displacer):
    found = exponents(with_displacer)
    assert np.mean((row.low <= found) & (found <= row.high)) >= 0.90
    assert abs(np.median(found) - row.best) < 0.25
    assert np.ptp(found) > 0.4 * (row.high - row.low)  # no wider than it takes


def test_a_linear_circuit_gives_the_square():
    """W = pi |Q|^2 Re Z: volumes are capacitances; a small piston, two volumes and resistances. Electric analogy."""
    dead, second, first, out, small = 2.0, 5.0, 0.1, 0.5, 0.02
    gas = Gas(dead=dead, second=second, laminar=(first, out), turbulent=(0.0, 0.0), kappa=1.0)
    behind = first + 1 / (1 / out + 1j * second)
    impedance = 1 / (1 / behind + 1j * (dead + small / 2))
    by_theory = np.pi * (small / 2) ** 2 * impedance.real
    works = [work_and_phase(gas, k * small)[0] for k in (1.0, 2.0)]
    assert works[0] == pytest.approx(by_theory, rel=0.02)
    assert np.log2(works[1] / works[0]) == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize(
    ("cycle", "row"), [("pulse-tube", PASSIVE), ("stirling", WITH_DISPLACER), ("none", WITH_DISPLACER)]
)
def test_a_cycle_that_is_not_stated_may_have_a_displacer_or_none(cycle, row):
    assert exponent_of(SimpleNamespace(cycle=cycle)) is row


def test_both_options_agree_on_the_measured_volume_and_part_beyond():
    """Work over pressure and volume by hand: k to the exponent less one; as measured where all is scaled."""
    rig, rng = SimpleNamespace(cycle="pulse-tube"), np.random.default_rng(1)
    same, scaled = (circuit_of(kind, rig, rng, 400) for kind in ("same", "scaled"))
    for circuit in (same, scaled):
        assert circuit.growth(np.ones(400)) == pytest.approx(np.ones(400))
    assert scaled.growth(np.full(400, 1.5)) == pytest.approx(np.ones(400))
    grown = same.growth(np.full(400, 1.5))
    assert grown[0] == pytest.approx(1.5**0.9)
    assert [grown.min(), grown.max()] == pytest.approx([1.5**0.4, 1.5**1.4], rel=0.01)
