"""What a reader must know about an answer: one sentence each, with the direction of the bias."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Flag:
    """`meaning` says what happened, `bias` which way that pushes the answer.

    net: what it does to the net power, +1 makes it look larger (and seal friction smaller), -1 smaller, 0 either.
    """

    meaning: str
    bias: str
    net: int = 0


FLAGS = {
    "extrapolated": Flag(
        "The frequency lies outside the calibrated range of the motor, the drive or this cylinder.",
        "Either way; the interval widens with the disagreement of the curves that fit.",
    ),
    "load-loss-assumed": Flag(
        "No winding resistance, torque constant, volts and amperes or incremental efficiency tells how the motor's "
        "loss grows with load, so an incremental efficiency was assumed.",
        "Either way, within the interval; the plain subtraction of input powers beside it is the most that the net "
        "can be. Measure the resistance and the torque constant.",
    ),
    "winding-temperature-assumed": Flag(
        "No winding temperature was recorded, so the resistance as measured cold was used.",
        "Net pneumatic power is too high: 0.39 % of the copper loss for each kelvin that the winding ran hotter.",
        +1,
    ),
    "port-loss-unknown": Flag(
        "No open-port size is given, so gas pumped through the port in the no-load sweeps counts as seal friction.",
        "Seal friction is too high and net pneumatic power too low.",
        -1,
    ),
    "port-drop-large": Flag(
        "In the no-load sweeps the peak pressure drop across the open port passes 5 % of the pressure outside, so the "
        "cylinder squeezes its gas; the law of compressible flow was used.",
        "Either way: the port's loss then hangs on the volume behind it (open_volume in bench.toml) and on how much "
        "heat that gas exchanges. Open the port wider.",
    ),
    "pressure-not-calibrated": Flag(
        "The mean pressure lies outside the no-load sweeps' and nothing else tells the seal's drag there; the "
        "nearest was used.",
        "Above the swept pressures seals drag more: net pneumatic power is then too high.",
    ),
    "negative-pneumatic": Flag(
        "The loaded reading lies below the no-load loss at its frequency.",
        "No positive net power: check the reading, the seal's condition and the calibration.",
    ),
    "hot-end-assumed": Flag(
        "No hot end was recorded and no thermal resistance is given, so the coolant's temperature was taken.",
        "The hot end runs warmer than that: the cooling ceiling is too high.",
    ),
    "cold-end-missing": Flag("No cold end was recorded, so no cooling or heating ceiling can be given.", "None."),
    "not-cooling": Flag(
        "The cold end was not below the hot end, or not surely so within the thermometers' limits of error, so no "
        "ceiling can be given.",
        "None.",
    ),
    # of a prediction alone
    "speed-extrapolated": Flag(
        "The mean piston speed lies outside the no-load sweeps of a cylinder whose seal is scaled.",
        "Either way; the interval widens with the disagreement of the curves that fit.",
    ),
    "pressure-extrapolated": Flag(
        "The mean pressure or the frequency lies outside the loaded runs'; the cycle work ratio was kept from the "
        "nearest pressure and carried along the runs' trend in frequency.",
        "Either way; the interval widens with each doubling of pressure and with the trend.",
    ),
    "seal-pressure-extrapolated": Flag(
        "The pressure across the seal lies outside a cylinder's no-load sweeps; drag was carried on in proportion "
        "to it.",
        "Either way.",
    ),
    "seal-pressure-assumed": Flag(
        "No cylinder tells how its seal drags under pressure; what published measurements of three pneumatic "
        "piston seals show was taken, from none of it to twice their mean.",
        "Either way; sweep a cylinder without load at two pressures to know.",
    ),
    "one-cylinder": Flag(
        "Only one cylinder was measured, so how far cylinders disagree on the rules cannot be seen; assumed "
        "spreads stand in.",
        "Either way.",
    ),
    "phase-assumed": Flag(
        "No pressure amplitude is given, and the work of a cycle tells only the least one: the pressure was "
        "assumed to peak 45 degrees before top dead centre, and anywhere from 30 to 90 degrees in the interval.",
        "Either way; torque and current peak higher at a smaller angle.",
    ),
    # of a run; here since letters are kept
    "suspect-reading": Flag(
        "The power lies far from what the work of a cycle in the other runs of its sweep lets expect: probably a slip "
        "in writing it down, or a run not yet steady. It was kept, and its interval reaches to where they put it; "
        "correct it, or repeat the run.",
        "Either way: read too high, net pneumatic power is too high.",
    ),
}


def flag_letters(flags: Iterable[str], between: str = " ") -> str:
    """One letter a flag, as `flag_lines` explains them: its place in the table above."""
    return between.join(chr(ord("a") + list(FLAGS).index(code)) for code in flags)


def flag_lines(flags: Iterable[str], *, lettered: bool = True) -> list[str]:
    """A sentence for each flag that occurs, with the direction of its bias."""
    found = set(flags)
    marks = {code: f"{flag_letters([code])}  " if lettered else "" for code in found}
    return [f"{marks[code]}{code}: {it.meaning} Bias: {it.bias}" for code, it in FLAGS.items() if code in found]
