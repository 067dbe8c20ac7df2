"""A gas circuit of two volumes, two resistances and a big reservoir, followed through time. No formula of driveloss.

Cylinder and dead volume, a resistance (regenerator), a second volume (cold end, pulse tube) and a second resistance
to a reservoir; with a displacer the second volume swings too, and has no way out. Unit: the mean pressure, the
reference cylinder's swept volume, and one radian of the crank. Resistances are part laminar, part turbulent:
dp = r q + s q |q|.
"""

from dataclasses import dataclass, replace
from math import copysign, isinf, sqrt

import numpy as np

STEPS, MOST_TURNS = 120, 40


@dataclass(frozen=True)
class Gas:
    """A circuit; volumes over the reference swept volume."""

    dead: float  # beside the cylinder
    second: float
    laminar: tuple[float, float]  # of the two resistances; a reservoir is shut off by infinity
    turbulent: tuple[float, float]
    kappa: float  # 1 isothermal, 1.4 adiabatic
    displacer: float = 0.0  # swept volume of the second
    ahead: float = np.pi / 2  # of the displacer's volume before the piston's [rad]


def flow(drop, laminar, turbulent):
    """Through a resistance."""
    if turbulent == 0 or isinf(laminar):
        return drop / laminar
    return copysign((sqrt(laminar**2 + 4 * turbulent * abs(drop)) - laminar) / (2 * turbulent), drop)


def work_and_phase(gas, swept):
    """Work of the piston in one turn over mean pressure, and by how much that peaks before top dead centre [rad]."""
    step = 2 * np.pi / STEPS
    halves = np.arange(2 * STEPS + 1) * step / 2  # starts at top dead centre
    times = halves[:-1:2]
    cylinder = gas.dead + swept * (1 - np.cos(times)) / 2
    places = np.column_stack(
        [
            *(gas.dead + swept * (1 - np.cos(halves)) / 2, gas.second - gas.displacer * np.cos(halves + gas.ahead) / 2),
            *(swept * np.sin(halves) / 2, gas.displacer * np.sin(halves + gas.ahead) / 2),
        ]
    ).tolist()  # plain floats: one at a time they are much quicker than arrays
    inner, outer = zip(gas.laminar, gas.turbulent, strict=True)

    def slope(place, p, q):
        volume, second, grows, second_grows = place
        over, out = flow(p - q, *inner), flow(q - 1, *outer)
        return gas.kappa * (-over - p * grows) / volume, gas.kappa * (over - out - q * second_grows) / second

    pressures, p, q, before = np.ones(STEPS), 1.0, 1.0, np.inf
    for turn in range(MOST_TURNS):
        for i in range(STEPS):
            pressures[i] = p
            start, middle, end = places[2 * i : 2 * i + 3]
            a, b = slope(start, p, q)
            c, d = slope(middle, p + step / 2 * a, q + step / 2 * b)
            e, f = slope(middle, p + step / 2 * c, q + step / 2 * d)
            g, h = slope(end, p + step * e, q + step * f)
            p, q = p + step / 6 * (a + 2 * c + 2 * e + g), q + step / 6 * (b + 2 * d + 2 * f + h)
        work = -np.sum(pressures * (np.roll(cylinder, -1) - np.roll(cylinder, 1)) / 2) / pressures.mean()
        if turn > 3 and abs(work - before) < 1e-3 * abs(work):
            break
        before = work
    wave = np.sum(pressures * np.exp(-1j * times))  # p = cos(t + phase) -> e^(i phase)
    return float(work), float(np.angle(wave))


def random_gas(rng, with_displacer=False):
    """A circuit of a small machine: some 10 to 30 % of pressure swing either side."""
    turbulence, first, second = rng.uniform(0, 1), rng.uniform(0.02, 0.3), np.exp(rng.uniform(np.log(0.3), np.log(4)))
    gas = Gas(
        dead=rng.uniform(0.1, 0.6),
        second=rng.uniform(1, 6),
        laminar=(first * (1 - turbulence) + 1e-3, second * (1 - turbulence) + 1e-3),
        turbulent=(first * turbulence / 0.3, second * turbulence / 0.2),
        kappa=rng.uniform(1, 1.4),
    )
    if not with_displacer:
        return gas
    shut = replace(gas, laminar=(gas.laminar[0], np.inf), turbulent=(gas.turbulent[0], 0.0))
    return replace(shut, displacer=rng.uniform(0.5, 1.2), ahead=np.radians(rng.uniform(60, 120)))
