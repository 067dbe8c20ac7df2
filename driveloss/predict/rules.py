"""The words of a prediction: what each step rests on, on whose word, and what a reader must know."""

from __future__ import annotations

from dataclasses import dataclass

from driveloss.say.flags import FLAGS, Flag

PRACTICE = "common practice, no published source"

PREDICTION_FLAGS = {
    flag.code: flag
    for flag in (
        Flag(
            "speed-extrapolated",
            "The mean piston speed lies outside the no-load sweeps of a cylinder whose seal is scaled.",
            "Either way; the interval widens with the disagreement of the curves that fit.",
        ),
        Flag(
            "pressure-extrapolated",
            "The mean pressure or the frequency lies outside the loaded runs'; the cycle work ratio was kept from the "
            "nearest pressure and carried along the runs' trend in frequency.",
            "Either way; the interval widens with each doubling of pressure and with the trend.",
        ),
        Flag(
            "seal-pressure-extrapolated",
            "The pressure across the seal lies outside a cylinder's no-load sweeps; drag was carried on in proportion "
            "to it.",
            "Either way.",
        ),
        Flag(
            "seal-pressure-assumed",
            "No cylinder tells how its seal drags under pressure; what published measurements of three pneumatic "
            "piston seals show was taken, from none of it to twice their mean.",
            "Either way; sweep a cylinder without load at two pressures to know.",
        ),
        Flag(
            "one-cylinder",
            "Only one cylinder was measured, so how far cylinders disagree on the rules cannot be seen; assumed "
            "spreads stand in.",
            "Either way.",
        ),
        Flag(
            "phase-assumed",
            "No pressure amplitude is given, and the work of a cycle tells only the least one: the pressure was "
            "assumed to peak 45 degrees before top dead centre, and anywhere from 30 to 90 degrees in the interval.",
            "Either way; torque and current peak higher at a smaller angle.",
        ),
    )
}
ALL_FLAGS = FLAGS | PREDICTION_FLAGS


@dataclass(frozen=True)
class Rule:
    """One step: what was taken to hold and its source; `spread` names the disagreement between cylinders on it."""

    step: str
    rule: str
    source: str
    spread: str | None = None


def rules(own_seal: bool, own_cycle: bool, drag_known: bool, amplitude_stated: bool, copper: bool) -> tuple[Rule, ...]:
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
