"""The words of a prediction: what each step rests on, and on whose word."""

from __future__ import annotations

from dataclasses import dataclass

PRACTICE = "common practice, no published source"


@dataclass(frozen=True)
class Rule:
    """One step: what was taken to hold and its source; `spread` names the disagreement between cylinders on it."""

    step: str
    rule: str
    source: str
    spread: str | None = None


def rules(
    *, own_seal: bool, own_cycle: bool, drag_known: bool, amplitude_stated: bool, copper: bool
) -> tuple[Rule, ...]:
    """The steps of one request, in the order they are taken."""
    return (
        Rule(
            "drive",
            "Motor and linkage lose what the calibration says at this frequency, whatever the cylinder.",
            "this bench's tear-down sweeps",
        ),
        OWN_SEAL if own_seal else LIP,
        Rule(
            "seal under pressure",
            "The pressure-energised part of the drag is proportional to the pressure across the seal times lip length.",
            "measured as linear from 1 to 7 bar on pneumatic piston seals (Zillen, Delft University of Technology, "
            "2021, open data); its size from " + ("this bench" if drag_known else "the same data"),
            "pressure_drag" if drag_known else None,
        ),
        OWN_CYCLE if own_cycle else WORK,
        Rule(
            "pressure of the cycle",
            "The cycle work ratio runs straight in log pressure between measured ones; outside, the nearest holds.",
            PRACTICE,
            "work_by_pressure",
        ),
        Rule(
            "transmission",
            "It takes its stated share of all that passes through: gas load and seal friction alike.",
            "bench.toml",
        ),
        Rule(
            "motor",
            "Copper loss follows from the torque that all parts ask for; the winding is as warm as the sweeps show for "
            "the power (or as stated, where none was recorded). Each kelvin hotter costs 0.39 % more."
            if copper
            else "The loss that grows with load is what the calibration knows of it.",
            "energy balance of the winding" if copper else "this bench's calibration",
        ),
        AMPLITUDE if amplitude_stated else ASSUMED_PHASE,
        Rule(
            "torque",
            "Gas, seal and drive torque through an exact slider crank. The mean pressure difference across the piston "
            "counts in full. The turning parts' inertia, which evens the torque out, is neglected (the safe side), and "
            "so is the piston's. Breakaway at a standstill may ask for more.",
            "virtual work; Khurmi & Gupta, Theory of Machines, ch. 15",
        ),
    )


LIP = Rule(
    "seal",
    "Friction for each metre of lip (pi times bore) is the same at equal mean piston speed and equal pressure across "
    "the seal.",
    PRACTICE,
    "lip_friction",
)
OWN_SEAL = Rule(
    "seal",
    "The bore is the measured one: its own seal, at the new mean piston speed and pressure.",
    "this bench's no-load sweeps",
)
WORK = Rule(
    "cycle work",
    "Work per cycle over mean pressure times swept volume is kept at equal frequency and pressure, as if the whole gas "
    "circuit grew with the swept volume; a bigger piston on the same circuit swings the pressure further and does "
    "more.",
    PRACTICE,
    "cycle_work_ratio",
)
OWN_CYCLE = Rule(
    "cycle work",
    "Bore and stroke are the measured ones: the work ratio of its own loaded runs, along a straight line in frequency.",
    "this bench's loaded runs",
)
AMPLITUDE = Rule(
    "pressure wave",
    "A sine wave of the stated amplitude, with the phase that takes the cycle's work.",
    "stated; work of a sine wave by integration",
)
ASSUMED_PHASE = Rule(
    "pressure wave",
    "A sine wave that peaks 45 degrees (30 to 90) before top dead centre, with the amplitude that takes the cycle's "
    "work.",
    "assumed, no published source; work of a sine wave by integration",
)
