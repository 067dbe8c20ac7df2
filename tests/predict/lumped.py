"""A gas circuit of two volumes, two resistances and a big reservoir, followed through time. No formula of driveloss.

Cylinder and dead volume, a resistance (regenerator), a second volume (cold end, pulse tube) and a second resistance
to a reservoir; with a displacer the second volume swings too, and has no way out. Unit: the mean pressure, the
reference cylinder's swept volume, and one radian of the crank. Resistances are part laminar, part turbulent:
dp = r q + s q |q|.
"""

from dataclasses import dataclass, replace

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
    size = abs(drop)
    if turbulent == 0 or np.isinf(laminar):
        return drop / laminar
    return np.sign(drop) * (np.sqrt(laminar**2 + 4 * turbulent * size) - laminar) / (2 * turbulent)


def work_and_phase(gas, swept):
    """Work of the piston in one turn over mean pressure, and by how much that peaks before top dead centre [rad]."""
    step = 2 * np.pi / STEPS
    times = np.arange(STEPS) * step
    cylinder = gas.dead + swept * (1 - np.cos(times)) / 2  # starts at top dead centre

    def slope(t, p):
        volumes = gas.dead + swept * (1 - np.cos(t)) / 2, gas.second - gas.displacer * np.cos(t + gas.ahead) / 2
        grow = swept * np.sin(t) / 2, gas.displacer * np.sin(t + gas.ahead) / 2
        over, out = (
            flow(drop, *resistance)
            for drop, resistance in zip(
                (p[0] - p[1], p[1] - 1), zip(gas.laminar, gas.turbulent, strict=True), strict=True
            )
        )
        net = -over, over - out
        return np.array([gas.kappa * (n - x * g) / v for n, x, g, v in zip(net, p, grow, volumes, strict=True)])

    pressures, state, before = np.ones(STEPS), np.ones(2), np.inf
    for turn in range(MOST_TURNS):
        for i, t in enumerate(times):
            pressures[i] = state[0]
            one = slope(t, state)
            two = slope(t + step / 2, state + step / 2 * one)
            three = slope(t + step / 2, state + step / 2 * two)
            four = slope(t + step, state + step * three)
            state = state + step / 6 * (one + 2 * two + 2 * three + four)
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
