"""The gas spring against the heat equation solved step by step, and against its own limits."""

import numpy as np
import pytest

from driveloss.physics import gas, gas_spring

MEAN, VOLUME, AREA, WALL = 1e5, 7e-5, np.pi * 0.02**2, 293.15


def marched(swing, gap, diffusivity, frequency, kappa, turns, cells=120, steps=800):
    """Work on the gas in the last of a few turns, found without any complex number. [J]

    A half layer in cells of gas of equal mass, wall on one side, symmetry on the other; the volume is moved as a
    cosine of amplitude `swing` (of the mean volume), and each step conducts implicitly while it compresses: small
    swings, so that cells keep their width. Energy: rho c_p dT = dp + k T'' dt.
    """
    width, dt = gap / cells, 1 / (frequency * steps)
    conduct = np.zeros((cells, cells))
    for i in range(cells):  # implicit diffusion; the wall lies half a cell off
        for j, distance in ((i - 1, 1.0), (i + 1, 1.0)):
            if 0 <= j < cells:
                conduct[i, i] += 1 / distance
                conduct[i, j] -= 1 / distance
    conduct[0, 0] += 2.0
    step = np.linalg.inv(np.eye(cells) + diffusivity * dt / width**2 * conduct)
    heated = (1 - 1 / kappa) * step @ np.ones(cells)  # by a rise of pressure, less what the step conducts of it
    temperature, work, moved_before, before = np.zeros(cells), 0.0, 0.0, 0.0  # dT/T0, dV/V0, dp/p0 from the start
    for n in range(1, turns * steps + 1):
        moved = swing * (np.cos(2 * np.pi * n / steps) - 1)
        cooled = step @ temperature
        # p V = m R <T>: dp/p = <T>/T0 - dV/V, with the T that this very rise gives
        rise = (cooled.mean() - moved - heated.mean() * before) / (1 - heated.mean())
        temperature = cooled + heated * (rise - before)
        if n > (turns - 1) * steps:
            work -= (rise + before) / 2 * (moved - moved_before)
        before, moved_before = rise, moved
    return work


@pytest.mark.parametrize(("ratio", "turns"), [(0.7, 8), (2.0, 8), (6.0, 30)])
def test_hysteresis_against_the_heat_equation_marched_in_time(ratio, turns):
    """Half-gap over penetration depth from nearly isothermal to nearly adiabatic; an implicit march in 120 cells.

    A layer of many penetration depths takes more turns to settle.
    """
    frequency, kappa, swing = 10.0, 1.4, 1e-3
    diffusivity = 2.1e-5
    gap = ratio * np.sqrt(diffusivity / (np.pi * frequency))
    power = gas_spring.exponent(gap, diffusivity, frequency, kappa)
    lost = gas_spring.hysteresis_power(np.abs(power) * swing, 1.0, 1.0, gap, diffusivity, frequency, kappa) / frequency
    assert marched(swing, gap, diffusivity, frequency, kappa, turns) == pytest.approx(lost, rel=0.01)


def test_temperature_of_the_layer_against_a_boundary_value_solver():
    """i omega t = a t'' + i omega T0 (g-1)/g p'/p0, zero at the walls: scipy's solve_bvp on real and imaginary part."""
    from scipy.integrate import solve_bvp

    gap, diffusivity, omega, kappa = 3e-3, 2.1e-5, 2 * np.pi * 10, 1.4
    source = 1 - 1 / kappa

    def slope(x, y):
        real, imaginary = y[0], y[2]
        return np.vstack([y[1], -omega / diffusivity * imaginary, y[3], omega / diffusivity * (real - source)])

    solved = solve_bvp(
        slope,
        lambda a, b: np.array([a[0], a[2], b[0], b[2]]),
        np.linspace(-gap, gap, 200),
        np.zeros((4, 200)),
        tol=1e-8,
        max_nodes=20000,
    )
    assert solved.success
    x = np.linspace(-gap, gap, 4001)
    mean = np.trapezoid(solved.sol(x)[0] + 1j * solved.sol(x)[2], x) / (2 * gap)
    # V'/V0 = <T'>/T0 - p'/p0
    assert gas_spring.exponent(gap, diffusivity, 10.0, kappa) == pytest.approx(1 / (1 - mean), rel=1e-4)


def test_ends_are_adiabatic_and_isothermal():
    assert gas_spring.exponent(1.0, 2e-5, 10.0, 1.4) == pytest.approx(1.4, rel=1e-3)
    assert gas_spring.exponent(1e-6, 2e-5, 10.0, 1.4) == pytest.approx(1.0, rel=1e-6)


def test_loss_is_that_of_the_exponent():
    """W = pi V_0 p_0 |dV/V|^2 Im n: the loop of two harmonics (own reckoning)."""
    n = gas_spring.exponent(5e-3, 2.1e-5, 12.0, 1.4)
    swept = 1e-7
    swing = gas_spring.closed_swing(MEAN, VOLUME, swept, abs(n))
    lost = gas_spring.hysteresis_power(swing, MEAN, VOLUME, 5e-3, 2.1e-5, 12.0, 1.4)
    assert lost == pytest.approx(12.0 * np.pi * VOLUME * MEAN * (swept / 2 / VOLUME) ** 2 * n.imag, rel=1e-5)


def test_swing_of_a_closed_volume_against_the_wave_itself():
    """p V^1.3 = constant on a fine grid, its constant such that the mean comes out."""
    volume = VOLUME + 2e-5 * np.cos(np.linspace(0, 2 * np.pi, 10001)[:-1])
    wave = volume**-1.3
    wave = wave * MEAN / wave.mean()
    swing = gas_spring.closed_swing(MEAN, VOLUME, 4e-5, 1.3)
    assert swing == pytest.approx(np.ptp(wave) / 2, rel=1e-6)
    assert gas_spring.closed_volume(MEAN, swing, 4e-5, 1.3) == pytest.approx(VOLUME, rel=1e-4)


def test_leak_against_a_march_in_time():
    """Isothermal gas that leaks to the mean pressure: dp/dt = -p/V dV/dt - (p - p0)/tau, by SciPy's own steps."""
    from scipy.integrate import solve_ivp

    frequency, rate, swing = 5.0, 0.4, 1e-3
    omega = 2 * np.pi * frequency

    def slope(t, y):
        volume, change = 1 + swing * np.cos(omega * t), -swing * omega * np.sin(omega * t)
        p = y[0]
        return [-p / volume * change - (p - 1) * rate, -p * change]

    how = {"method": "DOP853", "rtol": 1e-9, "atol": 1e-12}
    start = solve_ivp(slope, (0, 30.0), [1.0, 0.0], max_step=0.05, **how)
    last = solve_ivp(slope, (30.0, 30.2), [start.y[0, -1], 0.0], max_step=0.001, **how)
    amplitude = np.ptp(last.y[0]) / 2
    assert last.y[1, -1] / 0.2 == pytest.approx(gas_spring.leak_power(amplitude, 1.0, 1.0, rate), rel=0.01)


@pytest.mark.parametrize(("name", "published"), [("air", 2.25e-5), ("nitrogen", 2.20e-5), ("helium", 18.0e-5)])
def test_diffusivity_of_handbooks(name, published):
    """Incropera & DeWitt, table A.4 at 300 K and one atmosphere: air 22.5, nitrogen 22.1, helium 180e-6 (from memory).

    The conductivity is that of 20 degC, some 2 % less than at 300 K."""
    assert gas.thermal_diffusivity(name, 101325.0, 300.0) == pytest.approx(published, rel=0.05)


def test_half_gap_of_a_flat_and_of_a_long_cylinder():
    """A flat one is a gap between piston and head; a long one has V/S = B/4."""
    assert gas_spring.half_gap(AREA * 1e-5, AREA, 0.04) == pytest.approx(0.5e-5, rel=1e-3)
    assert gas_spring.half_gap(AREA * 1e3, AREA, 0.04) == pytest.approx(0.01, rel=1e-3)
