"""What a reader must know about an answer: one sentence each, with the direction of the bias."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from driveloss.fit.assumptions import limits_in_words


@dataclass(frozen=True)
class Flag:
    """`meaning` says what happened, `bias` which way that pushes the answer, `cure` the cheapest way to be rid of it.

    unheld: ways it may push the net power by more than any interval holds, +1 = up (and seal friction down), -1 = down.
    """

    meaning: str
    bias: str
    unheld: tuple[int, ...] = ()
    cure: str = ""

    @property
    def advice(self) -> str:
        """Bias and cure."""
        return f"Bias: {self.bias}{self.cure and f' Cure: {self.cure}'}"


WITHIN = "Either way, within the interval."

FLAGS = {
    "extrapolated": Flag(
        "The frequency lies outside the calibrated range of the motor, the drive or this cylinder.",
        "Either way, within the interval, which widens with the disagreement of the curves that fit.",
        cure="sweep without load as far as the runs go.",
    ),
    "load-loss-assumed": Flag(
        "No winding resistance, torque constant, volts and amperes or incremental efficiency tells how the motor's "
        f"loss grows with load, so what reaches the shaft was assumed: {limits_in_words('incremental_efficiency')}.",
        "Either way, within the interval; net power is at most the plain subtraction of input powers.",
        cure="measure the winding's resistance and the torque constant.",
    ),
    "winding-temperature-assumed": Flag(
        "No winding temperature was recorded, so it was taken to run as bench.toml states or, without that, "
        f"{limits_in_words('winding_rise')} at the highest power.",
        "Either way, within the interval: net power falls by 0.39 % of the copper loss for each kelvin.",
        cure="measure the resistance again straight after a run.",
    ),
    "port-loss-unknown": Flag(
        "No open-port size is given, so what the gas pumped through it took in the no-load sweeps was assumed: "
        f"{limits_in_words('port_share')} at the highest frequency.",
        WITHIN,
        cure="measure the hole.",
    ),
    "port-drop-large": Flag(
        "In the no-load sweeps the peak pressure drop across the open port passes 5 % of the pressure outside, so the "
        "cylinder squeezes its gas; the law of compressible flow was used.",
        "Either way, within the interval: the loss hangs on the volume behind the port and on the heat of that gas.",
        cure="open the port wider, or state open_volume.",
    ),
    "pressure-not-calibrated": Flag(
        "The mean pressure lies outside the no-load sweeps'; to the nearest was added what each bar adds in them, or "
        "in other cylinders, or in published seals.",
        "Either way, beyond the interval too where the seal is unlike those.",
        (+1, -1),
        "sweep it without load at that pressure.",
    ),
    "negative-pneumatic": Flag(
        "The loaded reading lies below the no-load loss at its frequency.",
        "No positive net power, so something is wrong.",
        (+1, -1),
        "check the reading, the seal's condition and the calibration.",
    ),
    "hot-end-assumed": Flag(
        "No hot end was recorded and no thermal resistance is given, so the coolant's temperature was taken.",
        "The hot end runs warmer: the ceiling is too good, beyond the interval; net power is not touched.",
        cure="read the hot end beside each run.",
    ),
    "cold-end-missing": Flag(
        "No cold end was recorded, so no cooling or heating ceiling can be given.",
        "None.",
        cure="read the cold end beside each run.",
    ),
    "not-cooling": Flag(
        "The cold end was not below the hot end, or not surely so within the thermometers' limits of error, so no "
        "ceiling can be given.",
        "None.",
        cure="run until it cools, or use better thermometers.",
    ),
    # of a prediction alone
    "speed-extrapolated": Flag(
        "The mean piston speed lies outside the no-load sweeps of a cylinder whose seal is scaled.",
        "Either way, within the interval, which widens with the disagreement of the curves that fit.",
        cure="sweep without load to higher frequencies.",
    ),
    "pressure-extrapolated": Flag(
        "The mean pressure or the frequency lies outside the loaded runs'; the cycle work ratio is the nearest "
        "pressure's, carried along the runs' trend in frequency.",
        "Either way, within the interval, which widens with each doubling of pressure and with the trend.",
        cure="run it loaded there.",
    ),
    "seal-pressure-extrapolated": Flag(
        "The pressure across the seal lies outside a cylinder's no-load sweeps; drag was carried on in proportion "
        "to it.",
        WITHIN,
        cure="sweep without load at that pressure.",
    ),
    "seal-pressure-assumed": Flag(
        "The pressure across the seal lies outside a cylinder's only no-load sweep; the drag per bar of the bench's "
        "other cylinders, or of three published seals, was taken, from none of it to three times.",
        WITHIN,
        cure="sweep a cylinder without load at two pressures.",
    ),
    "one-cylinder": Flag(
        "Only one cylinder was measured, so how far cylinders disagree on the rules cannot be seen; assumed "
        "spreads stand in.",
        WITHIN,
        cure="measure a second cylinder.",
    ),
    "phase-assumed": Flag(
        "No pressure amplitude is given, and the work of a cycle tells only the least one: the pressure was "
        "assumed to peak 45 (30 to 90) degrees before top dead centre.",
        "Either way, within the interval: torque and current peak higher at a smaller angle.",
        cure="state the pressure amplitude.",
    ),
    # of a run; here since letters are kept
    "suspect-reading": Flag(
        "The power lies far from what the work of a cycle in the other runs of its sweep lets expect: probably a slip "
        "in writing it down, or a run not yet steady. It was kept, and its interval reaches to where they put it.",
        "Either way, within the interval: read too high, net power is too high.",
        cure="correct it, or repeat the run.",
    ),
    # of a prediction
    "circuit-assumed": Flag(
        "The swept volume is not the measured one, and how a cycle's work goes with it was assumed, as --circuit says.",
        "Said to be scaled where it stays the same, net power is too low for a larger piston, too high for a smaller; "
        "said to be the same where it is scaled, the opposite; beyond the interval.",
        cure="run it loaded.",
    ),
    # of a run
    "witnesses-disagree": Flag(
        "Recordings of the pressure tell another net power than subtraction does, beyond what both leave open; the "
        "subtraction is given here.",
        "Either way, beyond the interval too.",
        cure="see which assumption would reconcile them.",
    ),
    "not-settled": Flag(
        "The cold or hot end was still moving when it was read, and the readings do not tell where it settles.",
        "A drop read early is too small; a hot end too cool, so that ceilings are too good, beyond the interval; net "
        "power is not touched.",
        cure="wait longer, or read at three equal steps of time (column settling time).",
    ),
    "torque-beyond-braked": Flag(
        "The torque at the crank lies more than a tenth beyond the largest of the braked sweep, so the loss that grows "
        "with load was carried on by its laws.",
        "Either way, within the interval as far as those laws hold.",
        cure="brake harder.",
    ),
}


def flag_letters(flags: Iterable[str], between: str = " ") -> str:
    """One letter a flag, as `flag_lines` explains them: its place in the table above."""
    return between.join(chr(ord("a") + list(FLAGS).index(code)) for code in flags)


def flag_lines(flags: Iterable[str], *, lettered: bool = True) -> list[str]:
    """A sentence for each flag that occurs, with the direction of its bias and the cheapest cure."""
    found = set(flags)
    marks = {code: f"{flag_letters([code])}  " if lettered else "" for code in found}
    return [f"{marks[code]}{code}: {it.meaning} {it.advice}" for code, it in FLAGS.items() if code in found]
