"""One self-contained page about a bench: every answer, its figures, what it rests on."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from importlib.resources import files
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup, escape

from driveloss import figures
from driveloss.bench.records import Bench, Cylinder
from driveloss.breakdown.ask import Breakdown, Run
from driveloss.breakdown.budget import Share
from driveloss.breakdown.tell import breakdown_tables, budget_tables
from driveloss.compare.ask import Comparison
from driveloss.compare.tell import comparison_notes, comparison_tables
from driveloss.figures.parts import Group, run_groups
from driveloss.fit.calibration import Calibration
from driveloss.losses.ask import losses
from driveloss.losses.tell import loss_tables
from driveloss.report.assumptions import CAUTIONS, assumptions
from driveloss.report.inline import inline_svg
from driveloss.report.loss_grid import loss_grid
from driveloss.say.calibration import ROUTES, calibration_notes, calibration_tables, finding_lines
from driveloss.say.flags import FLAGS, flag_letters
from driveloss.say.numbers import NEGLIGIBLE, NOT_KNOWN, PERCENT, bar, plus_minus
from driveloss.say.sheet import Sheet

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MILLIMETRE = 1e-3
STATIC_ROWS = 7  # frequencies of the table that stands without the script
PAGE = "driveloss.report"
FRICTION = "Mean friction force of every seal against mean piston speed."
BUDGET = "What makes the net power of the run with the most of it uncertain: each source alone at work."
BULLET = "- "  # begins a line that belongs to a list

Item = Sheet | str | list[str]  # a table, a paragraph, a list


@dataclass(frozen=True)
class Drawing:
    """A figure in the page: `key` begins its ids, `caption` stands below it."""

    key: str
    svg: Markup
    caption: str


@dataclass(frozen=True)
class Report:
    """What the page is made of; `answer` is None for a bench without loaded sweeps.

    shares: of `analysis.budget`. comparison: None where there is nothing to compare.
    """

    bench: Bench
    calibration: Calibration
    answer: Breakdown | None = None
    shares: Sequence[Share] = ()
    comparison: Comparison | None = None

    @cached_property
    def runs(self) -> tuple[Run, ...]:
        """The loaded readings, split."""
        return () if self.answer is None else self.answer.runs

    @cached_property
    def best(self) -> int | None:
        """Position of the run with the highest net power; None where there is none."""
        known = {i: run.pneumatic.value for i, run in enumerate(self.runs) if run.pneumatic is not None}
        return max(known, key=lambda i: known[i]) if known else None


def report_page(report: Report) -> str:
    """The whole page as HTML: no network, no other file, readable without its script."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("driveloss", "report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"cell": cell, "minus": minus}
    script = _resource("control.js")
    return environment.get_template("page.html.j2").render(
        style=Markup(_resource("style.css")),
        script=Markup(script),
        script_hash=script_hash(script),
        data=embedded(loss_grid(report.calibration, report.runs)),
        **_answer(report),
        **_evidence(report),
        **_background(report),
    )


def _answer(report: Report) -> dict[str, Any]:
    """The first sections: what was measured and where it goes."""
    tables = [] if report.answer is None else breakdown_tables(report.answer)
    return {
        "title": report.calibration.title or report.bench.folder.resolve().name,
        "best": None if report.best is None else _tiles(report.runs[report.best]),
        "answer_tables": _answer_tables(report),
        "flags": flag_entries(chain.from_iterable(run.flags for run in report.runs)),
        "drawings": _drawings(report),
        "part_tables": items(tables),
        "comparison": _comparison(report.comparison),
        "comparison_flags": _comparison_flags(report.comparison),
    }


def _evidence(report: Report) -> dict[str, Any]:
    """The sections in the middle: losses, findings, budget."""
    calibration = report.calibration
    rows = losses(calibration, static_frequencies(calibration))
    tables = loss_tables(rows)
    return {
        "ladder": _ladder(calibration),
        "friction": _friction(calibration),
        "loss_tables": items(tables),
        "loss_flags": flag_entries(code for row in rows for code in row.flags if code != "extrapolated"),
        "term_tables": items(calibration_tables(calibration)[1:]),  # the title stands at the top
        "notes": calibration_notes(calibration),
        "findings": finding_lines(calibration),
        "budget": _budget_drawing(report),
        "budget_tables": [] if report.answer is None else items(budget_tables(report.answer, report.shares)),
    }


def _background(report: Report) -> dict[str, Any]:
    """The last sections: assumptions, cautions, provenance."""
    calibration, bench = report.calibration, report.bench
    return {
        "assumptions": assumptions(calibration),
        "cautions": CAUTIONS,
        "cylinder_table": _cylinder_table(calibration),
        "remarks_table": _remarks_table(bench),
        "file_table": _file_table(bench),
        "notices": bench.notices,
        "settings": {
            "Program": f"driveloss {calibration.program}",
            "Loss curves": f"{calibration.family} family",
            "Load loss of the motor": ROUTES[calibration.route],
            "Intervals": f"95 %, from {calibration.draws} resamples with seed {calibration.seed}",
        },
    }


def _comparison(comparison: Comparison | None) -> list[Item]:
    if comparison is None or not comparison.differences:
        return []
    notes = (BULLET + note for note in comparison_notes(comparison))
    return items([*comparison_tables(comparison), "How this was compared:", *notes])


def _comparison_flags(comparison: Comparison | None) -> list[tuple[str, str, str]]:
    if comparison is None:
        return []
    rows = (row.flags for row in comparison.losses)
    entries = (entry.flags for entry in (*comparison.no_load, *comparison.loaded))
    return flag_entries(chain.from_iterable((*rows, *entries)))


def _tiles(run: Run) -> dict[str, Any]:
    """The run with the highest net power, for the top of the page."""
    return {
        "place": f"{run.cylinder} at {bar(run.mean_pressure)} bar, {run.frequency:g} Hz",
        "source": f"{run.file}, row {run.row}",
        "flags": flag_letters(run.flags),
        "numbers": [
            ("Input", f"{plus_minus(run.input)} W"),
            ("Net pneumatic power", f"{plus_minus(run.pneumatic)} W"),
            ("Efficiency ceiling", f"{plus_minus(run.efficiency_ceiling, PERCENT)} %"),
            ("Aftercooler heat", f"{plus_minus(run.aftercooler_heat)} W"),
        ],
    }


def _answer_tables(report: Report) -> list[Sheet]:
    if report.answer is None:
        return []
    what = {"none": None, "heat-pump": "Heating ceiling [W]"}.get(report.calibration.rig.cycle, "Cooling ceiling [W]")
    return [_group_table(group, what) for group in run_groups(report.answer)]


def _group_table(group: Group, cooling: str | None) -> Sheet:
    heads = ["f [Hz]", "Input [W]", "Net [W]", "Ceiling [%]", "Aftercooler heat [W]"]
    heads += [cooling] if cooling else []
    rows = [(*_answer_cells(run)[: len(heads)], flag_letters(run.flags)) for run in group.runs]
    if not any(run.flags for run in group.runs):
        rows = [row[:-1] for row in rows]
    else:
        heads.append("Flags")
    return Sheet(f"{group.cylinder} at {bar(group.pressure)} bar", tuple(heads), tuple(rows), ("Flags",))


def _answer_cells(run: Run) -> tuple[str, ...]:
    return (
        f"{run.frequency:g}",
        plus_minus(run.input),
        plus_minus(run.pneumatic),
        plus_minus(run.efficiency_ceiling, PERCENT),
        plus_minus(run.aftercooler_heat),
        plus_minus(run.cooling_ceiling),
    )


def flag_entries(flags: Iterable[str]) -> list[tuple[str, str, str]]:
    """Letter, meaning and bias of each flag that occurs."""
    present = sorted(set(flags), key=list(FLAGS).index)
    return [(flag_letters([code]), FLAGS[code].meaning, FLAGS[code].bias) for code in present]


def _drawings(report: Report) -> list[Drawing]:
    answer, best = report.answer, report.best
    if answer is None or best is None:
        return []
    flow = figures.power_flow_figure(answer, best)
    return [
        _drawing("power-flow", flow, (answer, best), "Where the input of the run with the highest net power goes."),
        _drawing("breakdown", figures.breakdown_figure(answer), answer, "Every loaded run, split into its parts."),
        _drawing(
            "ceilings", figures.ceilings_figure(answer), answer, "Net power over input, the ceiling of efficiency."
        ),
    ]


def _ladder(calibration: Calibration) -> Drawing:
    left_out = None if calibration.evidence is None else calibration.evidence.left_out
    figure = figures.ladder_figure(calibration, left_out)
    return _drawing("ladder", figure, calibration, "Readings of every rung of the ladder, and the curves through them.")


def _friction(calibration: Calibration) -> Drawing | None:
    if not calibration.ranges:
        return None
    return _drawing("friction", figures.friction_figure(calibration), calibration, FRICTION)


def _drawing(kind: str, figure: Figure, data: Any, caption: str) -> Drawing:
    return Drawing(kind, inline_svg(figures.svg_text(figure), kind, figures.alt_text(kind, data)), caption)


def static_frequencies(calibration: Calibration) -> list[float]:
    """Frequencies across the range in which every cylinder was measured, to three digits. [Hz]"""
    spans = [calibration.drive_range, *calibration.ranges.values()]
    low, high = max(s.low for s in spans), min(s.high for s in spans)
    if not low < high:
        low, high = calibration.drive_range.low, calibration.drive_range.high
    return list(dict.fromkeys(float(f"{f:.3g}") for f in np.linspace(low, high, STATIC_ROWS)))


def _budget_drawing(report: Report) -> Drawing | None:
    if report.best is None:
        return None
    pairs = [(share.source, float(share.half_width[report.best])) for share in report.shares]
    pairs = sorted((pair for pair in pairs if pair[1] > NEGLIGIBLE), key=lambda pair: -pair[1])
    return _drawing("budget", figures.budget_figure(pairs), pairs, BUDGET) if pairs else None


def _cylinder_table(calibration: Calibration) -> Sheet:
    heads = ("Cylinder", "Bore [mm]", "Stroke [mm]", "Open port [mm]", "Gas", "Seal")
    rows = tuple(_cylinder_row(cylinder) for cylinder in calibration.rig.cylinders.values())
    return Sheet("Cylinders", heads, rows, ("Cylinder", "Gas", "Seal"))


def _cylinder_row(cylinder: Cylinder) -> tuple[str, ...]:
    port = cylinder.open_port_diameter
    return (
        cylinder.name,
        f"{cylinder.bore.value / MILLIMETRE:.5g}",
        f"{cylinder.stroke.value / MILLIMETRE:.5g}",
        NOT_KNOWN if port is None else f"{port.value / MILLIMETRE:.5g}",
        cylinder.gas,
        cylinder.seal or NOT_KNOWN,
    )


def _remarks_table(bench: Bench) -> Sheet | None:
    rows = tuple(
        (sweep.file, str(row), text) for sweep in bench.sweeps for row, text in enumerate(sweep.note, start=1) if text
    )
    return Sheet("Notes written beside readings", ("File", "Row", "Note"), rows, ("File", "Note")) if rows else None


def _file_table(bench: Bench) -> Sheet:
    sweeps = ((sweep.file, _stage(sweep.stage, sweep.cylinder), sweep.sha256) for sweep in bench.sweeps)
    rows = (("bench.toml", "the bench", bench.sha256), *sweeps)
    heads = ("File", "Holds", "SHA-256")
    return Sheet("Files read", heads, tuple(rows), heads)


def _stage(stage: str, cylinder: str | None) -> str:
    return stage if cylinder is None else f"{stage}, {cylinder}"


def items(tables: Iterable[Sheet | str]) -> list[Item]:
    """Tables and lines as the page sets them: bulleted lines become lists, empty ones go."""
    made: list[Item] = []
    for item in tables:
        if isinstance(item, Sheet):
            made.append(_filled(item))
        elif item.startswith(BULLET):
            if not (made and isinstance(made[-1], list)):
                made.append([])
            made[-1].append(item.removeprefix(BULLET))  # type: ignore[union-attr]
        elif item.strip():
            made.append(item)
    return made


def _filled(sheet: Sheet) -> Sheet:
    """A table whose every row has its own head: an empty first cell stands for the one above."""
    rows, head = [], ""
    for first, *rest in sheet.rows:
        head = first or head
        rows.append((head, *rest))
    return replace(sheet, rows=tuple(rows))


def minus(text: str) -> str:
    """A number's text with real minus signs.

    >>> minus("(-2.1 ±2.4) ×10^-3")
    '(−2.1 ±2.4) ×10^−3'
    """
    return re.sub(r"(?<!\w)-(?=\d)", "−", text)


def cell(text: str) -> Markup:
    """A cell's text as HTML: lines stay lines, a half-width is never torn."""
    lines = (" ".join(_whole(word) for word in line.replace(" ±", "\0±").split("\0")) for line in text.split("\n"))
    return Markup("<br>").join(Markup(line) for line in lines)


def _whole(word: str) -> str:
    return str(Markup('<span class="whole">{}</span>').format(word)) if re.match(r"±\d", word) else str(escape(word))


def embedded(data: dict[str, Any]) -> Markup:
    """JSON that may stand in a <script> element: nothing in it can end the element or begin a comment."""
    text = json.dumps(data, allow_nan=False, separators=(",", ":"), ensure_ascii=True)
    return Markup(text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e"))


def script_hash(script: str) -> str:
    """What the page's content security policy allows to run."""
    return "sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def _resource(name: str) -> str:
    return files(PAGE).joinpath(name).read_text(encoding="utf-8")
