"""What ordinary benches have and textbook machines have not. Everything is off unless asked for."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Pins:
    """The crank mechanism's bearings: friction torque = mu times force times radius, rolling or sleeve."""

    mu: float  # 0.002 to 0.005 rolling, 0.02 to 0.1 sleeve
    crank_pin: float  # [m] radius
    wrist_pin: float  # [m]
    main: float  # [m]

    @property
    def kind(self) -> str:
        return "rolling" if self.mu < 0.01 else "sleeve"


@dataclass(frozen=True, slots=True)
class Effects:
    """Losses that grow with load, and what changes between the ladder and the loaded runs."""

    brush_drop: float = 0.0  # [V] over both brushes
    controller_efficiency: float = 1.0  # of what passes beyond standby, at full power
    light_load_drop: float = 0.0  # by which that is worse with nothing passing
    full_power: float = 50.0  # [W] passing, from where it is not
    ripple: float = 0.0  # share of the torque's ripple that inertia leaves in the current
    pins: Pins | None = None
    wall_friction: float = 0.0  # coefficient of an unguided piston on the cylinder wall
    moving_mass: float = 0.0  # [kg] of piston and what goes with it
    lip_swing: bool = False  # the seal's lip follows the pressure of every moment, not the mean one
    warm_seal: float = 1.0  # drag of the seal in loaded runs over that in the ladder
    breathing: str = "quasi-steady"  # incompressible; or "isothermal", "adiabatic": gas that is squeezed
    dead_volume: float = 0.5  # of the swept volume, behind the open port
    closed_volume: float = 0.8  # of the swept volume, at top dead centre of a blanked run
    wall_exchange: float = 1.0  # of the closed gas: times what conducts through one depth of the wave of temperature
    closed_leak: float = 0.0  # [1/s] at which the closed cylinder's pressure dies away
    blanked_seal: float = 1.0  # drag of the seal in the blanked run over that in the ladder
