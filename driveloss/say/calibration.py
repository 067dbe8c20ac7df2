"""A calibration as tables and sentences for people: terms, quality, rivals, findings."""

from __future__ import annotations

from pathlib import Path

from driveloss.fit.calibration import Calibration
from driveloss.fit.estimate import Estimate
from driveloss.fit.family import FamilyFit
from driveloss.fit.store import to_text
from driveloss.say.files import write_all
from driveloss.say.numbers import HALF_WIDTHS, PASCAL_PER_BAR, PERCENT, plus_minus, rounded
from driveloss.say.sheet import Item, Sheet, listed

FOR_PEOPLE = {"N/Pa": ("N/bar", PASCAL_PER_BAR)}  # units that read better in another size
MOST_RIVALS = 6
SEEN = 0.05  # chance below which a lack of fit is called one
MORE = "--all adds the fit of the polynomial family, both side by side, and close rivals."
TITLES = {
    "physical": "Physical family: one joint fit of all sweeps",
    "polynomial": "Polynomial family: a curve for each sweep",
}


def save_calibration(calibration: Calibration, path: Path | str) -> None:
    """Write a calibration for `read_calibration`, whole or not at all. Raises OutputError where it cannot be."""
    write_all({Path(path): to_text(calibration).encode()})


def finding_lines(calibration: Calibration) -> list[str]:
    """One sentence for each thing that screening found."""
    return [finding.sentence for finding in calibration.findings]


def calibration_answer(calibration: Calibration, losses: str) -> list[Item]:
    """What was found in three lines, then the terms of the family chosen. losses: the first of the three."""
    if calibration.evidence is None:
        return []
    fit = calibration.evidence.fits[calibration.family]
    found = (losses, _quality_words(fit), _left_out_words(calibration))
    return [_head(calibration), found, "", _terms_table(fit), f"{HALF_WIDTHS} {MORE}"]


def _quality_words(fit: FamilyFit) -> str:
    """How close the curves come, and whether they miss anything."""
    quality, test = fit.quality, fit.quality.lack_of_fit
    close = f"Fit: readings lie {quality.residual_rms:.2g} W off their curves (rms)"
    if test is None:
        return f"{close}; without repeats nothing tells whether the curves miss something."
    if test.p_value < SEEN:
        return f"{close}, more than repeats lie off each other: the curves miss something."
    return f"{close}, no more than repeats lie off each other: nothing is missed that shows."


def _left_out_words(calibration: Calibration) -> str:
    """Which readings and how many sets of laws had no part."""
    evidence = calibration.evidence
    if evidence is None:
        return ""
    out, used = evidence.left_out, len(evidence.ladder.readings)
    places = [out.where(i) for i in range(len(out))]
    readings = f"{len(places)} of {len(places) + used} readings ({listed(places)})" if places else "no reading"
    laws = ", and laws that the readings do not support (--all names them)" if calibration_notes(calibration) else ""
    return f"Left out: {readings}{laws}."


def _head(calibration: Calibration) -> str:
    """The title, and what was read."""
    readings = () if calibration.evidence is None else calibration.evidence.ladder.readings.file
    files = len(dict.fromkeys(readings))
    return f"{calibration.title}\n{len(readings)} readings of {files} sweeps; {calibration.route.words}."


def calibration_tables(calibration: Calibration) -> list[Sheet | str]:
    """Terms of both families, their quality side by side, and the rivals of the chosen set."""
    evidence = calibration.evidence
    if evidence is None:
        return []
    fits = list(evidence.fits.values())
    tables: list[Sheet | str] = [_head(calibration), "", *(_terms_table(fit) for fit in fits), _quality_table(fits)]
    tables += [_rivals_table(fit) for fit in fits if len(fit.rivals) > 1]
    return [*tables, f"{HALF_WIDTHS} Answers do not rest on the one set of terms: they let every law in."]


def _terms_table(fit: FamilyFit) -> Sheet:
    rows = []
    for term in fit.terms:
        unit, scale = FOR_PEOPLE.get(term.unit, (term.unit, 1.0))
        rows.append((term.label, _scientific(term.estimate, scale), unit))
    return Sheet(TITLES[fit.name], ("Term", "Value", "Unit"), tuple(rows), left=("Term", "Unit"))


def _scientific(estimate: Estimate, scale: float) -> str:
    """Value and half-width, with a power of ten where the digits would not fit."""
    size = max(abs(estimate.value), estimate.half_width) * scale
    if 0.01 <= size < 1e4 or size == 0:
        return plus_minus(estimate, scale)
    exponent = int(f"{size:e}".split("e")[1])
    return f"({plus_minus(estimate, scale / 10.0**exponent)}) ×10^{exponent}"


def _quality_table(fits: list[FamilyFit]) -> Sheet:
    rows = {
        "coefficients": [str(fit.quality.parameters) for fit in fits],
        "residual rms [W]": [f"{fit.quality.residual_rms:.3g}" for fit in fits],
        "leave-one-out error [W]": [f"{fit.quality.leave_one_out:.3g}" for fit in fits],
        "AICc (smaller is better)": [f"{fit.quality.aicc:.1f}" for fit in fits],
        "scatter of one reading [W]": [f"{fit.quality.scatter:.2g}" for fit in fits],
        "share that grows with power [%]": [f"{fit.quality.scatter_share * PERCENT:.0f}" for fit in fits],
        "lack of fit against repeats": [_lack_of_fit(fit) for fit in fits],
    }
    heads = ("Quality", *(fit.name.capitalize() for fit in fits))
    return Sheet("Side by side", heads, tuple((name, *cells) for name, cells in rows.items()), left=("Quality",))


def _lack_of_fit(fit: FamilyFit) -> str:
    test = fit.quality.lack_of_fit
    if test is None:
        return "no repeats"
    return f"{'yes' if test.p_value < SEEN else 'none seen'} (p = {test.p_value:.2g})"


def _rivals_table(fit: FamilyFit) -> Sheet:
    title = f"Close rivals: {len(fit.rivals)} sets of terms share the weight (all enter the intervals)"
    heads = ("Set", "Weight [%]", "ΔAICc", "Low end [W]", "High end [W]")
    chosen = fit.rivals[0].labels
    rows = []
    for rival in fit.rivals[:MOST_RIVALS]:
        words = [f"+ {name}" for name in rival.labels if name not in chosen]
        words += [f"− {name}" for name in sorted(set(chosen).difference(rival.labels))]
        change = (rounded(value, 2, "+") for value in rival.net_change)
        cells = (f"{rival.weight * PERCENT:.0f}", f"{rival.delta_aicc:.1f}", *change)
        rows.append(("\n".join(words) or "as listed above", *cells))
    return Sheet(title, heads, tuple(rows), left=("Set",))


def calibration_notes(calibration: Calibration) -> list[str]:
    """What the fit has to say about its terms."""
    evidence = calibration.evidence
    return [note for fit in evidence.fits.values() for note in fit.notes] if evidence else []
