"""What a reader must know about an answer: one sentence each, with the direction of the bias."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Flag:
    """`meaning` says what happened, `bias` which way it pushes the answer."""

    code: str
    meaning: str
    bias: str


FLAGS = {
    flag.code: flag
    for flag in (
        Flag(
            "extrapolated",
            "The frequency lies outside the calibrated range of the motor, the drive or this cylinder.",
            "Either way; the interval widens with the disagreement of the curves that fit.",
        ),
        Flag(
            "load-loss-unknown",
            "No winding resistance, torque constant or incremental efficiency tells how the motor's loss grows with "
            "load, so input powers were subtracted.",
            "Net pneumatic power, the ceilings and the aftercooler's heat are upper bounds.",
        ),
        Flag(
            "winding-temperature-assumed",
            "No winding temperature was recorded, so the resistance as measured cold was used.",
            "Net pneumatic power is too high: 0.39 % of the copper loss for each kelvin that the winding ran hotter.",
        ),
        Flag(
            "port-loss-unknown",
            "No open-port size is given, so gas pumped through the port in the no-load sweeps counts as seal friction.",
            "Seal friction is too high and net pneumatic power too low.",
        ),
        Flag(
            "port-drop-large",
            "In the no-load sweeps the peak pressure drop across the open port passes 10 % of ambient, where the "
            "incompressible orifice law fails.",
            "The port loss is uncertain: seal friction and net pneumatic power may err either way.",
        ),
        Flag(
            "pressure-not-calibrated",
            "The mean pressure lies outside the no-load sweeps' and nothing else tells the seal's drag there; the "
            "nearest was used.",
            "Above the swept pressures seals drag more: net pneumatic power is then too high.",
        ),
        Flag(
            "negative-pneumatic",
            "The loaded reading lies below the no-load loss at its frequency.",
            "No positive net power: check the reading, the seal's condition and the calibration.",
        ),
        Flag(
            "hot-end-assumed",
            "No hot end was recorded and no thermal resistance is given, so the coolant's temperature was taken.",
            "The hot end runs warmer than that: the cooling ceiling is too high.",
        ),
        Flag(
            "cold-end-missing",
            "No cold end was recorded, so no cooling or heating ceiling can be given.",
            "None.",
        ),
        Flag(
            "not-cooling",
            "The cold end was not below the hot end, or not surely so within the thermometers' limits of error, so no "
            "ceiling can be given.",
            "None.",
        ),
    )
}


def flag_letters(flags: Iterable[str]) -> str:
    """One letter a flag, as `flag_lines` explains them."""
    order = list(FLAGS)
    return " ".join(chr(ord("a") + order.index(code)) for code in flags)


def flag_lines(flags: Iterable[str], lettered: bool = True) -> list[str]:
    """A sentence for each flag that occurs, with the direction of its bias."""
    order = list(FLAGS)
    lines = []
    for code in sorted(set(flags), key=order.index):
        letter = f"{chr(ord('a') + order.index(code))}  " if lettered else ""
        lines.append(f"{letter}{code}: {FLAGS[code].meaning} Bias: {FLAGS[code].bias}")
    return lines
