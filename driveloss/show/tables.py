"""Answers as tables for people; how they are drawn is another module's business."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby
from statistics import median
from typing import TYPE_CHECKING

from driveloss.analysis.flags import FLAGS
from driveloss.fit.estimate import Estimate
from driveloss.show.numbers import NOT_KNOWN, PASCAL_PER_BAR, ZERO_CELSIUS, bar, plus_minus
from driveloss.show.sheet import Sheet

if TYPE_CHECKING:
    from driveloss.analysis.breakdown import Breakdown, Run
    from driveloss.analysis.budget import Share
    from driveloss.analysis.losses import LossRow
    from driveloss.fit.calibration import Calibration
    from driveloss.fit.family import FamilyFit

PERCENT = 100.0
HALF_WIDTHS = "± is half of the 95 % interval."
NEGLIGIBLE = 1e-9  # [W] rounding, not uncertainty
FOR_PEOPLE = {"N/Pa": ("N/bar", PASCAL_PER_BAR)}  # units that read better in another size
MOST_RIVALS = 6
ROUTES = {
    "measured current": "copper loss from the winding resistance and the measured motor current",
    "motor constants": "copper loss from the winding resistance and torque constant",
    "incremental": "load loss from the stated incremental efficiency",
    "unknown": "load loss of the motor not known: input powers are subtracted",
}
CAUTION = (
    "Estimates, not a certificate. Guard moving parts and isolate the supply before touching the linkage; stay inside "
    "rated pressures and relieve before opening; mains-side measurement is for a competent person under the local code."
)


def loss_tables(rows: Sequence[LossRow]) -> list[Sheet | str]:
    """No-load losses, one table a cylinder and pressure."""
    tables: list[Sheet | str] = []
    split = any(row.motor for row in rows)
    shaft = ["Motor", "Linkage"] if split else ["Drive"]

    def place(row: LossRow) -> tuple[str, float]:
        return (row.cylinder or "", row.mean_pressure or 0.0)

    for (cylinder, pressure), members in groupby(sorted(rows, key=place), key=place):
        title = (
            f"Cylinder {cylinder!r} at {bar(pressure)} bar: no-load losses [W]"
            if cylinder
            else "Drive alone: losses [W]"
        )
        seal = ["Seal", "Total", "Force [N]", "(Port)"] if cylinder else ["Total"]
        lines = []
        for row in members:
            parts = [row.motor, row.linkage] if split else [row.drive]
            rest = [row.seal, row.total, row.seal_force, row.port] if cylinder else [row.total]
            mark = "*" if row.extrapolated else ""
            lines.append((f"{row.frequency:g}{mark}", *map(plus_minus, [row.standby, *parts, *rest])))
        tables.append(Sheet(title, ("f [Hz]", "Standby", *shaft, *seal), tuple(lines)))
    outside = "* outside the calibrated range; " if any(row.extrapolated for row in rows) else ""
    return [*tables, outside + HALF_WIDTHS]


def breakdown_tables(answer: Breakdown) -> list[Sheet | str]:
    """Where the input of each run goes, and what the net power allows; one pair of tables a file."""
    tables: list[Sheet | str] = []
    for file, members in groupby(answer.runs, key=lambda run: run.file):
        runs = list(members)
        tables += [_parts_table(file, runs), _ceiling_table(runs, answer.calibration.rig.cycle)]
    return [*tables, HALF_WIDTHS]


def _parts_table(file: str, runs: list[Run]) -> Sheet:
    split = any(run.parts["motor"] for run in runs)
    names = ["input", *(["motor", "linkage"] if split else ["drive"]), "seal", "pneumatic"]
    heads = {
        "input": "Input",
        "motor": "Motor",
        "linkage": "Linkage",
        "drive": "Drive",
        "seal": "Seal",
        "pneumatic": "Net",
    }
    if any(run.parts["transmission"] and run.parts["transmission"].value for run in runs):
        names.insert(-2, "transmission")
        heads["transmission"] = "Transm."
    if any(run.parts["standby"] and run.parts["standby"].value for run in runs):
        names.insert(1, "standby")
        heads["standby"] = "Idle"
    first = runs[0]
    title = f"{file}: cylinder {first.cylinder!r} at {bar(first.mean_pressure)} bar, parts of the input [W]"
    rows = ((str(run.row), f"{run.frequency:g}", *(plus_minus(run.parts[name]) for name in names)) for run in runs)
    return Sheet(title, ("Row", "Hz", *(heads[name] for name in names)), tuple(rows))


def _ceiling_table(runs: list[Run], cycle: str) -> Sheet:
    heads = ["Row", "Ceiling [%]", "Heat [W]", "of it friction", "Work ratio"]
    what = {"heat-pump": "Heating [W]"}.get(cycle, "Cooling [W]")
    heads += [what] if cycle != "none" else []
    heads += ["Hot end [°C]"] if any(run.parts["hot_end"] for run in runs) else []
    heads += ["R_th [K/W]"] if any(run.parts["thermal_resistance"] for run in runs) else []
    rows = ((str(run.row), *_ceiling_cells(run, heads), flag_letters(run.flags)) for run in runs)
    title = f"{runs[0].file}: what the net power allows, and the heat at the aftercooler"
    return Sheet(title, (*heads, "Flags"), tuple(rows), left=("Flags",))


def _ceiling_cells(run: Run, heads: list[str]) -> list[str]:
    parts = run.parts
    cells = [
        plus_minus(parts["efficiency_ceiling"], PERCENT),
        plus_minus(parts["aftercooler_heat"]),
        plus_minus(parts["friction_heat"]),
        plus_minus(parts["cycle_work_ratio"]),
    ]
    cells += [plus_minus(parts["cooling_ceiling"])] if any("ing [W]" in head for head in heads) else []
    cells += [_celsius(parts["hot_end"])] if "Hot end [°C]" in heads else []
    return cells + ([plus_minus(parts["thermal_resistance"])] if "R_th [K/W]" in heads else [])


def _celsius(estimate: Estimate | None) -> str:
    if estimate is None:
        return NOT_KNOWN
    shift = ZERO_CELSIUS
    return plus_minus(Estimate(estimate.value - shift, estimate.u, estimate.low - shift, estimate.high - shift))


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


def budget_tables(answer: Breakdown, shares: Sequence[Share]) -> list[Sheet | str]:
    """Half-width of the net interval by source of error, the median over each file's runs; nothing without shares."""
    if not shares:
        return []
    files = list(dict.fromkeys(run.file for run in answer.runs))
    inside = {file: [i for i, run in enumerate(answer.runs) if run.file == file] for file in files}
    whole = [median(e.half_width for i in inside[f] if (e := answer.runs[i].parts["pneumatic"])) for f in files]
    rows = [("all together", *(f"{value:.2g}" for value in whole))]
    for share in shares:
        cells = (median(float(share.half_width[i]) for i in inside[file]) for file in files)
        rows.append((share.source, *("0" if value < NEGLIGIBLE else f"{value:.2g}" for value in cells)))
    heads = ("Source alone at work", *(file.removesuffix(".csv") for file in files))
    title = "Half-width of the net power's interval by source of error [W]: median of the runs"
    return [Sheet(title, heads, tuple(rows), left=heads[:1])]


def finding_lines(calibration: Calibration) -> list[str]:
    """One sentence for each thing that screening found."""
    return [finding.sentence for finding in calibration.findings]


def calibration_tables(calibration: Calibration) -> list[Sheet | str]:
    """Terms of both families, their quality side by side, and the rivals of the chosen set."""
    evidence = calibration.evidence
    if evidence is None:
        return []
    fits = list(evidence.fits.values())
    readings = evidence.ladder.readings
    files = len(dict.fromkeys(readings.file))
    head = f"{calibration.title}\n{len(readings)} readings of {files} sweeps; {ROUTES[calibration.route]}."
    tables: list[Sheet | str] = [head, "", *(_terms_table(fit) for fit in fits), _quality_table(fits)]
    tables += [_rivals_table(fit) for fit in fits if len(fit.rivals) > 1]
    return [*tables, f"{HALF_WIDTHS} Answers do not rest on the one set of terms: they let every law in."]


def _terms_table(fit: FamilyFit) -> Sheet:
    title = {
        "physical": "Physical family: one joint fit of all sweeps",
        "polynomial": "Polynomial family: a curve for each sweep",
    }
    rows = []
    for term in fit.terms:
        unit, scale = FOR_PEOPLE.get(term.unit, (term.unit, 1.0))
        rows.append((term.label, _scientific(term.estimate, scale), unit))
    return Sheet(title[fit.name], ("Term", "Value", "Unit"), tuple(rows), left=("Term", "Unit"))


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
        "scatter grows with power to the": [f"{fit.quality.scatter_growth:g}" for fit in fits],
        "lack of fit against repeats": [_lack_of_fit(fit) for fit in fits],
    }
    heads = ("Quality", *(fit.name.capitalize() for fit in fits))
    return Sheet("Side by side", heads, tuple((name, *cells) for name, cells in rows.items()), left=("Quality",))


def _lack_of_fit(fit: FamilyFit) -> str:
    test = fit.quality.lack_of_fit
    if test is None:
        return "no repeats"
    return f"{'yes' if test.p_value < 0.05 else 'none seen'} (p = {test.p_value:.2g})"


def _rivals_table(fit: FamilyFit) -> Sheet:
    title = f"Close rivals: {len(fit.rivals)} sets of terms share the weight (all enter the intervals)"
    heads = ("Set", "Weight [%]", "ΔAICc", "Low end [W]", "High end [W]")
    chosen = set(fit.rivals[0].labels)
    rows = []
    for rival in fit.rivals[:MOST_RIVALS]:
        gained, lost = (
            [x for x in rival.labels if x not in chosen],
            [x for x in chosen if x not in rival.labels],
        )
        words = [f"+ {name}" for name in gained] + [f"− {name}" for name in sorted(lost)]
        change = (f"{value:+.2f}" for value in rival.net_change)
        cells = (f"{rival.weight * PERCENT:.0f}", f"{rival.delta_aicc:.1f}", *change)
        rows.append(("\n".join(words) or "as listed above", *cells))
    return Sheet(title, heads, tuple(rows), left=("Set",))


def calibration_notes(calibration: Calibration) -> list[str]:
    """What the fit has to say about its terms."""
    evidence = calibration.evidence
    return [note for fit in evidence.fits.values() for note in fit.notes] if evidence else []
