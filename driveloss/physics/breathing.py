"""Gas squeezed by a piston that breathes through a small hole: the cylinder is a leaky gas spring.

Everything is reckoned dimensionless: volume over the swept volume, pressure and temperature over those outside, time
as crank angle. What is left then hangs on the peak drop of `ports.peak_port_drop` over the pressure outside, the dead
volume, the rod and the gas alone, so that one table serves all frequencies and holes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, as_floats
from driveloss.physics.crank import mean_cubed_speed, peak_piston_speed, piston_speed
from driveloss.physics.ports import peak_port_drop, port_power

SMALL_DROP = 0.03  # of the pressure outside: up to it the incompressible law is kept
FULL_DROP = 0.04  # from it on gas is squeezed altogether; between them the two laws are blended
DEAD_RATIOS = np.geomspace(0.03, 10.0, 7)  # tabulated; beyond them the nearest is taken
DROPS = np.geomspace(0.025, 25.0, 18)  # tabulated; beyond the last the work goes with the hole's area
STEPS = 144  # of a turn: they keep the power good to 0.1 %
PASSES = 40  # of Newton's method at most, 12 to 15 as a rule
LONGEST_STEP = 0.3  # of the root of the logarithm of pressure
SETTLED = 1e-4  # change in the last pass, which squares the error


def breathing_power(
    frequency: Values,
    bore: Values,
    stroke: Values,
    rod_ratio: float,
    port_diameter: Values,
    discharge_coefficient: Values,
    density: Values,
    pressure: Values,
    heat_capacity_ratio: float,
    dead_ratio: Values,
    process: Values,
) -> FloatArray:
    """Cycle-mean power spent on breathing through the open port, however small [W].

    mean(-(p - p_0) dV/dt) over a settled turn of a chamber of ideal gas that fills and empties by `orifice_flow`.
    While `peak_port_drop` stays within 3 % of the pressure, `port_power` itself, which is then within 3 % of this.
    Gas that enters mixes at once; heat exchange at a finite rate, which may add a few per cent of hysteresis, lies
    outside the line between the two processes. Trusted where the hole is below half the bore.
    Raises ValueError unless 0 <= rod_ratio < 1.
    frequency: of the crank [Hz]. bore: diameter of the cylinder [m]. stroke: of the piston [m].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1]. port_diameter: of the breathing hole [m].
    discharge_coefficient: of the hole, about 0.6 for a sharp edge [1]. density: of the gas outside [kg/m^3].
    pressure: outside, absolute [Pa]. heat_capacity_ratio: of the gas [1].
    dead_ratio: volume left at top dead centre over the swept volume, 0.03 to 10 [1].
    process: 0 isothermal, 1 adiabatic, in proportion between them [1].
    Source: Heywood, Internal Combustion Engine Fundamentals (1988), App. C, flow through an orifice, and ch. 4, gas
    exchange of one open system (from memory).

    >>> hole = {"port_diameter": 0.003, "discharge_coefficient": 0.62, "density": 1.2, "pressure": 101325.0}
    >>> gas = {"heat_capacity_ratio": 1.4, "dead_ratio": 0.5, "process": 1.0}
    >>> round(float(breathing_power(10.0, 0.040, 0.028, 0.25, **hole, **gas)), 2)
    14.41
    """
    hole = (frequency, bore, stroke, rod_ratio, port_diameter, discharge_coefficient, density)
    incompressible, drop = port_power(*hole), as_floats(peak_port_drop(*hole) / pressure)
    if not np.any(drop > SMALL_DROP):
        return incompressible
    power, drop, dead, kind = np.broadcast_arrays(incompressible, drop, as_floats(dead_ratio), as_floats(process))
    squeezed, share = drop > SMALL_DROP, np.ones(drop.shape)
    share[squeezed] = _share(drop[squeezed], dead[squeezed], kind[squeezed], _table(rod_ratio, heat_capacity_ratio))
    blend = np.clip((drop - SMALL_DROP) / (FULL_DROP - SMALL_DROP), 0.0, 1.0)
    return as_floats(power * (1 - blend + blend * share))


def orifice_flow(pressure_ratio: Values, heat_capacity_ratio: float) -> FloatArray:
    """Mass flow through an orifice of an ideal gas, over C_d A p/sqrt(R T) of the gas upstream [1].

    sqrt(2 k/(k - 1) (x^(2/k) - x^((k + 1)/k))), with x held at the critical ratio below it: the flow is choked.
    pressure_ratio: x, downstream over upstream, between 0 and 1 [1]. heat_capacity_ratio: k of the gas [1].
    Source: Saint-Venant & Wantzel (1839); Heywood, Internal Combustion Engine Fundamentals (1988), App. C (from
    memory); choked, White, Fluid Mechanics, 8th ed., problem 3.27 (seen).

    >>> round(float(orifice_flow(0.5, 1.4)), 3)
    0.685
    """
    return as_floats(_orifice(np.sqrt(-np.log(as_floats(pressure_ratio))), heat_capacity_ratio)[0])


def _orifice(root: FloatArray, kappa: float) -> tuple[FloatArray, FloatArray]:
    """`orifice_flow` and its slope over |root|; root^2 is the logarithm of upstream over downstream pressure."""
    share, square = (kappa - 1) / kappa, root**2
    choked = np.log((kappa + 1) / 2) / share
    held = np.minimum(square, choked)
    cold = np.exp(-share * held)  # temperature in the throat over that upstream
    thin = 2 / share * np.exp(-2 / kappa * held)
    flow = np.sqrt(thin * (1 - cold))
    steepness = thin * (share * cold - 2 / kappa * (1 - cold))  # of its square
    slope = np.where(flow > 0, steepness * np.abs(root) / np.where(flow > 0, flow, 1.0), np.sqrt(2.0))
    return flow, np.where(square < choked, slope, 0.0)


def _share(drop: FloatArray, dead: FloatArray, process: FloatArray, table: tuple[Any, Any]) -> FloatArray:
    """Power over that of the incompressible law, (n,)."""
    size = np.log(np.clip(dead, DEAD_RATIOS[0], DEAD_RATIOS[-1]))
    tightness = np.log(np.clip(drop, DROPS[0], DROPS[-1]))
    isothermal, adiabatic = (np.exp(spline.ev(size, tightness)) for spline in table)
    return np.asarray((isothermal + process * (adiabatic - isothermal)) / drop**1.5)


@lru_cache(maxsize=64)
def _table(rod_ratio: float, kappa: float) -> tuple[Any, Any]:
    """Splines of the logarithm of share times drop^(3/2), isothermal and adiabatic."""
    from scipy.interpolate import RectBivariateSpline

    axes = np.log(DEAD_RATIOS), np.log(DROPS)
    shares = (_work_share(rod_ratio, kappa, stiffness) for stiffness in (1.0, kappa))
    isothermal, adiabatic = (RectBivariateSpline(*axes, np.log(share * DROPS**1.5)) for share in shares)
    return isothermal, adiabatic


def _work_share(rod_ratio: float, kappa: float, stiffness: float) -> FloatArray:
    """Work over that of the incompressible law at the tabulated dead volumes and drops."""
    angle = 2 * np.pi * np.arange(STEPS)[:, None, None] / STEPS
    unit_speed = (1 / (2 * np.pi), 1.0, rod_ratio)  # one radian a second, one stroke
    hole = peak_piston_speed(*unit_speed) / np.sqrt(2 * DROPS)
    growth = piston_speed(angle, *unit_speed)
    chamber = _Chamber(DEAD_RATIOS[:, None] + _travel(angle, rod_ratio), hole, kappa, stiffness)
    work = -np.mean(np.expm1(chamber.settled(growth)) * growth, axis=0)
    return np.asarray(work / (mean_cubed_speed(*unit_speed) / (2 * hole**2)))


def _travel(angle: FloatArray, rod_ratio: float) -> FloatArray:
    """Way of the piston from top dead centre, over the stroke."""
    sine = np.sin(angle)
    return np.asarray((1 - np.cos(angle)) / 2 + rod_ratio * sine**2 / 2 / (1 + np.sqrt(1 - (rod_ratio * sine) ** 2)))


@dataclass(frozen=True)
class _Chamber:
    """Arrays of shape (steps, dead ratios, holes), or broadcasting to it.

    The gas is told by `root`, whose square with its sign is y = ln p, so that flow is smooth where it turns, and by
    `heat`, ln T - (k - 1)/k ln p, which only gas that enters changes:
    dy + k d ln V = -k N psi sqrt(T)/V where gas leaves, +k N psi/(p V) where it enters; d heat = (1 - T) N psi/(p V).
    """

    volume: FloatArray
    hole: FloatArray  # N: C_d A_p sqrt(R T)/(omega V_swept)
    kappa: float
    stiffness: float  # k of the gas within: one where walls keep it at their temperature

    def settled(self, growth: FloatArray) -> FloatArray:
        """Logarithm of pressure through a turn like the one before, by Newton's method over the whole turn."""
        root = self._guess(growth)
        heat = np.zeros_like(root)
        for _ in range(PASSES):
            step = self._step(root, heat)
            root = root + np.clip(step, -LONGEST_STEP, LONGEST_STEP)
            before, heat = heat, self._mixed(root, heat)
            if max(np.abs(step).max(), np.abs(heat - before).max()) < SETTLED:
                break
        return root * np.abs(root)

    def _guess(self, growth: FloatArray) -> FloatArray:
        """A leak in proportion to pressure, of the order of the hole's at the peak."""
        closed = self.stiffness * np.ptp(np.log(self.volume), axis=0) / 2
        peak = np.minimum((growth / self.hole).max(axis=0) ** 2 / 2, closed)
        leak = np.pi / STEPS * self.stiffness * self.hole * np.sqrt(2 / peak) / self.volume.mean(axis=0)
        rise = -self.stiffness * _ahead(np.log(self.volume))
        logarithm = _round_turn(np.ones_like(rise) * (1 - leak) / (1 + leak), rise / (1 + leak))
        return np.sign(logarithm) * np.sqrt(np.abs(logarithm))

    def _temperature(self, root: FloatArray, heat: FloatArray) -> FloatArray:
        return np.asarray(np.exp(heat + (1 - 1 / self.stiffness) * root * np.abs(root)))

    def _step(self, root: FloatArray, heat: FloatArray) -> FloatArray:
        """Newton's step of the trapezoidal rule for pressure, at this heat."""
        loss, slope = self._loss(root, heat)
        logarithm, spread = root * np.abs(root), 2 * np.abs(root)
        off = _ahead(logarithm + self.stiffness * np.log(self.volume)) + loss + np.roll(loss, -1, axis=0)
        following = np.roll(spread + slope, -1, axis=0)
        return _round_turn((spread - slope) / following, -off / following)

    def _loss(self, root: FloatArray, heat: FloatArray) -> tuple[FloatArray, FloatArray]:
        """What leaves through the hole in half a step, as a fall of ln p, and its slope over the root."""
        flow, slope = _orifice(root, self.kappa)
        leaves, entering = root > 0, np.exp(-root * np.abs(root))
        factor = np.where(leaves, np.sqrt(self._temperature(root, heat)), entering)
        bend = np.where(leaves, (1 - 1 / self.stiffness) / 2 * factor, -factor) * 2 * np.abs(root)
        rate = np.pi / STEPS * self.stiffness * self.hole / self.volume
        return rate * np.sign(root) * flow * factor, rate * (slope * factor + np.sign(root) * flow * bend)

    def _mixed(self, root: FloatArray, heat: FloatArray) -> FloatArray:
        """Heat through a turn at this pressure, to first order about the last."""
        temperature, flow = self._temperature(root, heat), _orifice(root, self.kappa)[0]
        fresh = np.pi / STEPS * np.where(root < 0, self.hole * flow * np.exp(-root * np.abs(root)) / self.volume, 0.0)
        pull, gain = fresh * temperature, fresh * (1 - temperature + temperature * heat)
        after = 1 + np.roll(pull, -1, axis=0)
        return _round_turn((1 - pull) / after, (gain + np.roll(gain, -1, axis=0)) / after)


def _ahead(values: FloatArray) -> FloatArray:
    """Change to the next step of a turn."""
    return np.asarray(np.roll(values, -1, axis=0) - values)


def _round_turn(factor: FloatArray, gain: FloatArray) -> FloatArray:
    """The x of each step that closes x_next = factor x + gain round the turn."""
    path = np.zeros((len(gain) + 1, 2, *gain.shape[1:]))  # what is kept of the first x, and what comes to it
    path[0, 0] = 1.0
    for here, following, a, b in zip(path, path[1:], factor, gain, strict=False):
        np.multiply(here, a, out=following)
        following[1] += b
    first = path[-1, 1] / (1 - path[-1, 0])
    return np.asarray(path[:-1, 0] * first + path[:-1, 1])
