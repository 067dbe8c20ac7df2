"""One self-contained page about a bench: every answer, its figures, what it rests on."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from importlib.resources import files
from itertools import chain
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from driveloss.bench.records import Bench
from driveloss.breakdown.ask import Breakdown, Run
from driveloss.breakdown.budget import Shares
from driveloss.breakdown.levelling import levelling_lines
from driveloss.breakdown.tell import budget_tables
from driveloss.breakdown.ways import Way
from driveloss.compare.ask import Comparison
from driveloss.compare.tell import MORE, comparison_details, comparison_notes, comparison_tables
from driveloss.figures.runs import Split
from driveloss.figures.style import minus
from driveloss.fit.calibration import Calibration
from driveloss.losses.ask import losses
from driveloss.losses.tell import losses_tables
from driveloss.report.assumptions import CAUTIONS, assumed, assumptions
from driveloss.report.loss_grid import loss_grid, static_frequencies
from driveloss.report.markup import cell, embedded, script_hash
from driveloss.report.opening import opening
from driveloss.report.plates import Plates, plates
from driveloss.report.tables import (
    answer_tables,
    cylinder_table,
    end_tables,
    file_table,
    flag_entries,
    items,
    part_tables,
    remarks_table,
)
from driveloss.say.calibration import calibration_notes, calibration_tables, finding_lines
from driveloss.whatif.ask import Gains, whatif
from driveloss.whatif.tell import whatif_tables
from driveloss.witnesses.ask import Witnesses, witnesses
from driveloss.witnesses.tell import witnesses_tables


@dataclass(frozen=True)
class Report:
    """What the page is made of; `answer` is None for a bench without loaded sweeps.

    shares: of `breakdown.budget`. comparison: None where there is nothing to compare. constants: a witness, see
    `witnesses.constants_way`.
    """

    bench: Bench
    calibration: Calibration
    answer: Breakdown | None = None
    shares: Shares = field(default_factory=dict)
    comparison: Comparison | None = None
    constants: Way | None = None

    @property
    def runs(self) -> tuple[Run, ...]:
        """The loaded readings, split."""
        return () if self.answer is None else self.answer.runs


def report_page(report: Report) -> str:
    """The whole page as HTML: no network, no other file, readable without its script."""
    loader = PackageLoader("driveloss", "report")
    environment = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {"cell": cell, "minus": minus}
    script, told = _resource("control.js"), {code for run in report.runs for code in run.flags}
    gains = None if report.answer is None else whatif(report.answer)
    heard = _heard(report)
    split = None if report.answer is None else Split(report.answer, report.answer.best_run, report.shares)
    made = plates(report.calibration, split, gains, heard)
    return environment.get_template("page.html.j2").render(
        title=report.calibration.title or report.bench.folder.resolve().name,
        style=_style(made),
        script=Markup(script),
        script_hash=script_hash(script),
        data=embedded(loss_grid(report.calibration, report.runs)),
        **_answer(report, made, gains, heard),
        **_comparison(report.comparison, told),
        **_calibration(report.calibration, told),
        **_provenance(report.calibration, report.bench),
    )


def _heard(report: Report) -> Witnesses | None:
    """Every way to the same watt, where there is a second."""
    if report.answer is None or (report.answer.verdict is None and report.constants is None):
        return None
    return witnesses(report.answer, report.constants)


def _style(made: Plates) -> Markup:
    """The page's rules and its drawings', whose colours are set by day and in the dark."""
    rules = _resource("style.css").replace("/* by day */", made.palette())
    return Markup(f"{rules.replace('/* in the dark */', made.palette(dark=True))}{made.rules}\n")


def _resource(name: str) -> str:
    return files("driveloss.report").joinpath(name).read_text(encoding="utf-8")


def _answer(report: Report, made: Plates, gains: Gains | None, heard: Witnesses | None) -> dict[str, Any]:
    """What was measured and where it goes: everything that rests on loaded runs, and the drawings."""
    answer = report.answer
    if answer is None:
        return {"opening": None, "flags": (), "plates": made, "assumed": assumed(report.calibration)}
    return {
        "opening": None if gains is None else opening(answer, gains),
        "answer_tables": answer_tables(answer),
        "part_tables": part_tables(answer),
        "end_tables": end_tables(answer),
        "levers": () if gains is None else items(whatif_tables(gains)),
        "temperatures": levelling_lines(answer),
        "witnessed": () if heard is None else items(witnesses_tables(heard)),
        "assumed": assumed(report.calibration, answer.assumptions),
        "budget_tables": items(budget_tables(answer, report.shares)),
        "flags": flag_entries(chain.from_iterable(run.flags for run in answer.runs)),
        "plates": made,
    }


def _comparison(comparison: Comparison | None, told: Collection[str]) -> dict[str, Any]:
    """Seals, bores and pressures side by side. told: flags that stand above."""
    if comparison is None or not comparison.differences:
        return {"comparison": (), "comparison_flags": ()}
    entries = (entry.flags for entry in (*comparison.no_load, *comparison.loaded))
    flags = chain(*(row.flags for row in comparison.losses), *entries)
    matrix = (item for item in comparison_tables(comparison) if item != MORE)
    details = [*comparison_details(comparison), "How this was compared:", tuple(comparison_notes(comparison))]
    return {
        "comparison": items(matrix),
        "comparison_details": items(details),
        "comparison_flags": flag_entries(set(flags) - {*told}),
    }


def _calibration(calibration: Calibration, told: Collection[str]) -> dict[str, Any]:
    """Losses, what screening found, and what the curves rest on. told: flags that stand above."""
    rows = losses(calibration, static_frequencies(calibration))
    flags = set(chain.from_iterable(row.flags for row in rows)) - {"extrapolated", *told}  # which is starred
    return {
        "loss_tables": items(losses_tables(rows)),
        "loss_flags": flag_entries(flags),
        "term_tables": items(calibration_tables(calibration)[1:]),  # the title stands at the top
        "notes": calibration_notes(calibration),
        "findings": finding_lines(calibration),
        "assumptions": assumptions(calibration),
        "cautions": CAUTIONS,
    }


def _provenance(calibration: Calibration, bench: Bench) -> dict[str, Any]:
    """What was read, and how it was reckoned."""
    return {
        "cylinder_table": cylinder_table(calibration.rig.cylinders.values()),
        "remarks_table": remarks_table(bench),
        "file_table": file_table(bench),
        "notices": bench.notices,
        "settings": {
            "Program": f"driveloss {calibration.program}",
            "Loss curves": f"{calibration.family} family",
            "Load loss of the motor": calibration.route.words,
            "Intervals": f"95 %, from {calibration.draws} resamples with seed {calibration.seed}",
        },
    }
