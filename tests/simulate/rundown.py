"""The machine left to coast, its equation of motion solved by SciPy, as a speed sensor or a passing mark shows it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from simulate.machine import Truth


@dataclass(frozen=True, slots=True)
class PlannedRundown:
    """What coasts, without a piston, and what its owner says of its inertia."""

    stage: str  # motor-alone or piston-disconnected
    file: str
    start: float  # [Hz] of the crank, when the supply is cut
    end: float  # [Hz] where the file ends
    inertia: float  # [kg m^2] truly, at the crank; at the motor's shaft where it runs alone
    stated: float | None = 1.0  # what is said of it over what is true; None = nothing
    limit: float = 0.05  # of error, as a share
    added_inertia: float | None = None  # [kg m^2] truly, at the same shaft
    brake_torque: float | None = None  # [N m]
    samples: int = 60  # of the speed; none where marks are timed
    marks: bool = False
    speed_noise: float = 0.01  # [Hz] of a sample
    time_noise: float = 2e-4  # [s] of a mark


def rundown_text(truth: Truth, plan: PlannedRundown, misread: float, rng: np.random.Generator) -> str:
    """The file; misread: what the frequency meter shows beyond the truth. [Hz]"""
    ratio = truth.ratio if plan.stage == "motor-alone" else 1.0
    inertia = (plan.inertia + (plan.added_inertia or 0.0)) * ratio**2
    brake = (plan.brake_torque or 0.0) * ratio

    def slowing(_: float, state: np.ndarray) -> list[float]:
        speed = np.array(state[1])
        power = truth.motor.law.power(truth.ratio * speed)
        if plan.stage != "motor-alone":
            power = power + truth.linkage.power(speed)
        return [state[1], -float(power / speed + brake) / inertia]

    def stops(_: float, state: np.ndarray) -> float:
        return state[1] - 2 * np.pi * plan.end

    stops.terminal = True
    begin = [0.0, 2 * np.pi * plan.start]
    found = solve_ivp(slowing, (0.0, 1e6), begin, events=stops, rtol=1e-9, atol=1e-9, dense_output=True, max_step=1.0)
    last = found.t[-1]
    if plan.marks:
        fine = np.linspace(0.0, last, 20001)
        turned = found.sol(fine)[0] * ratio / (2 * np.pi)
        times = np.interp(np.arange(0.3, turned[-1]), turned, fine)
        times += plan.time_noise * rng.standard_normal(len(times))
        return "\n".join(["time [s]", *(f"{time:.6f}" for time in times), ""])
    times = np.linspace(0.0, last, plan.samples)
    shown = found.sol(times)[1] / (2 * np.pi) + misread + plan.speed_noise * rng.standard_normal(len(times))
    return "\n".join(["time [s],frequency [Hz]", *(f"{t:.5f},{f:.4f}" for t, f in zip(times, shown, strict=True)), ""])


def table(plan: PlannedRundown) -> list[str]:
    """Its [[rundowns]] table."""
    lines = ["[[rundowns]]", f'file = "{plan.file}"', f'stage = "{plan.stage}"']
    if plan.stated is not None:
        lines.append(f'inertia = "{plan.inertia * plan.stated:.6g} kg*m^2 +/- {100 * plan.limit:g} %"')
    if plan.added_inertia is not None:
        lines.append(f'added_inertia = "{plan.added_inertia:.6g} kg*m^2 +/- 0.5 %"')
    if plan.brake_torque is not None:
        lines.append(f'brake_torque = "{plan.brake_torque:.6g} N*m +/- 1 %"')
    return lines
