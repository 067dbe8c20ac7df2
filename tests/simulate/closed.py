"""Gas closed in behind a piston, marched through several turns: heat to the wall by one film, a leak to the outside."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from simulate.breathing import HEAT_CAPACITY_RATIO
from simulate.turn import STEPS, FloatArray, piston_positions

CONDUCTIVITY = {"air": 0.026, "nitrogen": 0.0257, "helium": 0.152}  # [W/(m K)] near room temperature
TURNS = 8


@dataclass(frozen=True, slots=True)
class ClosedGas:
    """A cylinder closed off, and what its gas exchanges with the walls and the room."""

    area: float  # [m^2]
    bore: float  # [m]
    stroke: float  # [m]
    rod_length: float | None  # [m]
    clearance: float  # [m^3] at top dead centre
    gas: str
    wall: float  # [K]
    exchange: float  # times the conduction through one penetration depth of the whole wall
    leak: float  # [1/s]


def closed_pressure(closed: ClosedGas, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Pressure of the last of a few turns [Pa], (readings, steps): mean as given, which a leak sees to.

    First law: dp = ((kappa - 1) (Q dt) - kappa p dV)/V, and of a leak: dp = -kappa leak (p - mean) dt.
    Q = exchange k S/d (T_wall - T), d = sqrt(2 a/omega) and S the wall of the moment, T by p V over what was closed in.
    Heun's method.
    """
    return _marched(closed, tuple(frequency.tolist()), tuple(pressure.tolist()))


@lru_cache(maxsize=64)  # power, side forces and truth of one sweep all ask
def _marched(closed: ClosedGas, at: tuple[float, ...], pressures: tuple[float, ...]) -> FloatArray:
    frequency, pressure = np.array(at), np.array(pressures)
    positions = piston_positions(closed.stroke, closed.rod_length)
    volume = closed.clearance + closed.area * (positions.max() - positions)
    kappa = HEAT_CAPACITY_RATIO[closed.gas]
    conductivity = CONDUCTIVITY[closed.gas]
    diffusivity = conductivity * closed.wall * (kappa - 1) / (kappa * pressure)
    film = closed.exchange * conductivity / np.sqrt(diffusivity / (np.pi * frequency))  # [W/(m^2 K)]
    walls = 2 * closed.area + 4 * volume / closed.bore
    dt, p, held = 1 / (frequency * STEPS), pressure.copy(), pressure * volume.mean() / closed.wall  # p V/T

    def rate(p: FloatArray, step: int) -> FloatArray:
        """Pascal a step, of heat and leak; the piston's own share is taken exactly."""
        heat = film * walls[step] * (closed.wall - p * volume[step] / held)
        return ((kappa - 1) * heat / volume[step] - kappa * closed.leak * (p - pressure)) * dt

    p = pressure * (volume.mean() / volume[0]) ** kappa
    for _ in range(TURNS):
        wave = np.empty((len(frequency), STEPS + 1))
        wave[:, 0] = p
        for step in range(STEPS):
            first = rate(p, step)
            squeezed = (volume[step] / volume[step + 1]) ** kappa
            guess = (p + first) * squeezed
            p = (p + first / 2) * squeezed + rate(guess, step + 1) / 2
            wave[:, step + 1] = p
        off = pressure / wave[:, :-1].mean(axis=1)
        p, held = p * off, held * off
    wave = wave * off[:, None]
    found: FloatArray = (wave[:, 1:] + wave[:, :-1]) / 2
    found.flags.writeable = False
    return found
