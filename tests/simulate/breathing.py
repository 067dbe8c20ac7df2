"""A cylinder that breathes through a hole: mass and pressure of its gas, integrated through the turns. SI."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from simulate.turn import FloatArray, middles, piston_position

HEAT_CAPACITY_RATIO = {"air": 1.4, "nitrogen": 1.4, "helium": 5 / 3}
TURNS = 60  # at most, until each turn is like the one before
SETTLED = 1e-5  # change of pressure and mass from turn to turn, over those at rest
NUDGE = 1e-6  # [rad] for slopes
SLOWEST = 0.95  # share of a change from turn to turn that the next is taken to keep, at most


def orifice_flow(
    upstream: FloatArray, downstream: FloatArray, temperature: FloatArray, gas_constant: float, kappa: float
) -> FloatArray:
    """Mass flow through each square metre of an ideal nozzle [kg/(s m^2)] from stagnant gas; chokes as nozzles do.

    Saint-Venant and Wantzel: p sqrt(2 k / ((k - 1) R T) (x^(2/k) - x^((k+1)/k))), x the pressure ratio.
    """
    choked = (2 / (kappa + 1)) ** (kappa / (kappa - 1))
    ratio = np.clip(downstream / upstream, choked, 1.0)
    squared = 2 * kappa / (kappa - 1) * (ratio ** (2 / kappa) - ratio ** ((kappa + 1) / kappa))
    return upstream * np.sqrt(np.maximum(squared, 0.0) / (gas_constant * temperature))


@dataclass(frozen=True)
class Chamber:
    """The cylinder of a no-load sweep; `hole` is the port's area times its discharge coefficient. [m^2]"""

    area: float  # [m^2] of the piston
    stroke: float  # [m]
    rod_length: float | None  # [m]
    hole: float
    dead_volume: float  # [m^3] at top dead centre
    gas_constant: float  # [J/(kg K)]
    kappa: float
    temperature: float  # [K] of walls and surroundings
    is_isothermal: bool

    @cached_property
    def top(self) -> float:
        """Piston position at top dead centre. [m]"""
        return float(piston_position(np.array(np.pi), self.stroke, self.rod_length))

    @cached_property
    def at_rest(self) -> float:
        """Gas volume at the other dead centre. [m^3]"""
        return float(self.volume(np.array(0.0)))

    def volume(self, angle: FloatArray) -> FloatArray:
        """Gas volume [m^3] at crank angles [rad]."""
        return self.dead_volume + self.area * (self.top - piston_position(angle, self.stroke, self.rod_length))

    def rates(self, angle: float, state: FloatArray, speed: FloatArray, outside: FloatArray) -> FloatArray:
        """Change of (pressure, mass) for each radian; both over their values at rest, in turn for each reading."""
        volume, after, before = self.volume(angle + np.array([0.0, NUDGE, -NUDGE])).tolist()
        growth = (after - before) / (2 * NUDGE)
        warmth = self.gas_constant * self.temperature
        pressure, mass = state[0::2] * outside, state[1::2] * outside * (self.at_rest / warmth)
        own = np.full_like(mass, self.temperature)
        if not self.is_isothermal:
            own = pressure * volume / (mass * self.gas_constant)
        entering, leaving = self.flows(pressure, outside, own)
        stiffness = 1.0 if self.is_isothermal else self.kappa
        brought = self.gas_constant * (self.temperature * entering - own * leaving) / speed
        change = np.empty_like(state)
        change[0::2] = stiffness * (brought - pressure * growth) / volume / outside
        change[1::2] = (entering - leaving) / speed * warmth / (outside * self.at_rest)
        return change

    def flows(self, inside: FloatArray, outside: FloatArray, own: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mass that enters and that leaves. [kg/s]"""
        high, low = np.maximum(inside, outside), np.minimum(inside, outside)
        source = np.where(inside > outside, own, self.temperature)
        flow = self.hole * orifice_flow(high, low, source, self.gas_constant, self.kappa)
        return np.where(inside > outside, 0.0, flow), np.where(inside > outside, flow, 0.0)


def breathing_pressure(chamber: Chamber, frequency: FloatArray, outside: FloatArray) -> FloatArray:
    """Pressure in the cylinder [Pa] in the middle of each step of a settled turn, shape (readings, steps)."""
    return _followed(chamber, tuple(frequency.tolist()), tuple(outside.tolist()))


@lru_cache(maxsize=64)  # power, side forces and truth of one sweep all ask
def _followed(chamber: Chamber, at: tuple[float, ...], pressures: tuple[float, ...]) -> FloatArray:
    from scipy.integrate import solve_ivp

    frequency, outside = np.array(at), np.array(pressures)
    speed, state, wanted = 2 * np.pi * frequency, np.ones(2 * len(frequency)), [*middles(), 2 * np.pi]
    before = np.zeros_like(state)
    for _ in range(TURNS):
        turn = solve_ivp(
            chamber.rates,
            (0, 2 * np.pi),
            state,
            method="LSODA",
            t_eval=wanted,
            args=(speed, outside),
            rtol=1e-7,
            atol=1e-9,
            lband=1,
            uband=1,
        )
        if not turn.success:
            raise RuntimeError(f"the gas in the breathing cylinder could not be followed: {turn.message}")
        change = turn.y[:, -1] - state
        if np.abs(change).max() < SETTLED:
            found: FloatArray = turn.y[0::2, :-1] * outside[:, None]
            found.flags.writeable = False
            return found
        state, before = turn.y[:, -1] + _left(change, before), change
    raise RuntimeError(f"the breathing cylinder does not settle within {TURNS} turns")


def _left(change: FloatArray, before: FloatArray) -> FloatArray:
    """What further turns will change if each changes the same share of what the one before did (Aitken, 1926)."""
    one, two = before.reshape(-1, 2), change.reshape(-1, 2)
    share = np.sum(one * two, axis=1) / np.maximum(np.sum(one * one, axis=1), SETTLED**2)
    share = np.clip(share, 0.0, SLOWEST)
    return (two * (share / (1 - share))[:, None]).ravel()
