"""The words of a prediction: what each step rests on, and on whose word."""

from __future__ import annotations

from dataclasses import dataclass

from driveloss.fit.assumptions import COMMON, Assumption


@dataclass(frozen=True)
class Rule:
    """One step: what was taken to hold and its source; `spread` names the disagreement between cylinders on it."""

    step: str
    rule: str
    source: str
    spread: str | None = None


def under_pressure(*, is_told: bool) -> Rule:
    """How the drag goes on beyond the swept pressures; is_told: by some cylinder of the bench."""
    return Rule(
        "seal under pressure",
        "Beyond the swept pressures the drag goes on in proportion to the pressure across the seal.",
        "linear from 1 to 7 bar on pneumatic piston seals (Zillen, Delft University of Technology, 2021, open "
        "data); its size from " + ("this bench" if is_told else "the same data"),
    )


def same_circuit(exponent: Assumption) -> Rule:
    """How work goes with the swept volume on the same gas circuit."""
    return Rule(
        "cycle work",
        f"The gas circuit stays: work per cycle goes as the swept volume to the power {exponent.best:g} "
        f"({exponent.low:g} to {exponent.high:g}); 2 where gas springs and resistances are linear.",
        exponent.source,
        "cycle_work_ratio",
    )


DRIVE = Rule("drive", "Motor and linkage lose what they lose at this frequency with any cylinder.", "this bench")
LIP = Rule(
    "seal",
    "Friction for each metre of lip (pi times bore) is the same at equal mean piston speed and pressure across it.",
    COMMON,
    "lip_friction",
)
OWN_SEAL = Rule("seal", "The measured one, at the new mean piston speed and pressure.", "this bench")
SCALED_CIRCUIT = Rule(
    "cycle work",
    "The whole gas circuit grows with the swept volume: work per cycle goes as pressure times swept volume.",
    COMMON,
    "cycle_work_ratio",
)
OWN_CYCLE = Rule(
    "cycle work", "As in the cylinder's own loaded runs, straight between their frequencies.", "this bench"
)
CHARGE = Rule(
    "pressure of the cycle",
    "Outside the measured pressures, work over pressure is that of the nearest.",
    COMMON,
    "work_by_pressure",
)
LOADED = Rule(
    "loaded cycle",
    "Pins and guides drag with the force in the rod, the lip with the pressure wave, as in a breakdown; the "
    "transmission takes its share of all that passes.",
    "bench.toml, or assumed as breakdown tells",
)
COPPER = Rule(
    "motor", "Copper loss follows from the torque, the winding as warm as in the sweeps at that power.", "this bench"
)
LOAD_LOSS = Rule("motor", "The loss that grows with load is what the calibration knows of it.", "this bench")
SINE = "work of a sine wave by integration"
AMPLITUDE = Rule("pressure wave", "A sine wave of the stated amplitude that takes the cycle's work.", f"stated; {SINE}")
READ_PHASE = Rule(
    "pressure wave", "A sine wave that takes the cycle's work, with the phase that the runs' amplitudes tell.", SINE
)
ASSUMED_PHASE = Rule(
    "pressure wave",
    "A sine wave that takes the cycle's work and peaks 45 degrees (30 to 90) before top dead centre.",
    f"{COMMON}; {SINE}",
)
TORQUE = Rule(
    "torque",
    "Gas, seal, pins and drive through an exact slider crank, with the mean pressure difference. No flywheel evens "
    "it out (the safe side); breakaway at a standstill may ask for more.",
    "virtual work; Khurmi & Gupta, Theory of Machines, ch. 15",
)
