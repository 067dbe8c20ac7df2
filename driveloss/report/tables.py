"""The page's own tables, and everybody's as the page sets them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from driveloss.bench.records import Bench, Cylinder
from driveloss.breakdown.ask import Breakdown
from driveloss.figures.runs import Group, run_groups
from driveloss.say.flags import FLAGS, flag_letters
from driveloss.say.numbers import NOT_KNOWN, bar, hertz
from driveloss.say.quantities import QUANTITIES, shown_parts
from driveloss.say.sheet import Item, Sheet

MILLIMETRE = 1e-3
AT_MOST = "subtraction"
HEADS = {
    "input": "Input [W]",
    "pneumatic": "Net [W]",
    AT_MOST: "At most [W]",
    "efficiency_ceiling": "Ceiling [%]",
    "aftercooler_heat": "Aftercooler heat [W]",
}
MORE = ("motor_copper", "friction_heat", "cycle_work_ratio")
ENDS = ("hot_end", "thermal_resistance", "below_ambient", "hot_to_cold")
CEILINGS = {"none": None, "heat-pump": "Heating ceiling [W]"}  # by cycle; the others cool


def part_tables(answer: Breakdown) -> list[Sheet]:
    """Where the rest of each run's input goes, and what follows from it: nothing that `answer_tables` has."""
    keys = [key for key in shown_parts(answer.runs) if key not in HEADS]
    return _known(answer, (*keys, *MORE))


def end_tables(answer: Breakdown) -> list[Sheet]:
    """Temperatures of the ends, as far as they were read or follow."""
    return _known(answer, ENDS)


def _known(answer: Breakdown, keys: Iterable[str]) -> list[Sheet]:
    """A table a cylinder and pressure of the quantities that some run knows; none where there are none."""
    heads = {key: QUANTITIES[key].column for key in keys if any(run.parts[key] for run in answer.runs)}
    return [_group_table(group, heads, flagged=False) for group in run_groups(answer)] if heads else []


def answer_tables(answer: Breakdown) -> list[Sheet]:
    """What came of each loaded run, a table a cylinder and pressure."""
    ceiling = CEILINGS.get(answer.calibration.rig.cycle, "Cooling ceiling [W]")
    heads = {key: head for key, head in HEADS.items() if key != AT_MOST or any(run.at_most for run in answer.runs)}
    heads |= {"cooling_ceiling": ceiling} if ceiling else {}
    return [_group_table(group, heads) for group in run_groups(answer)]


def _group_table(group: Group, heads: dict[str, str], *, flagged: bool = True) -> Sheet:
    flags = ("Flags",) if flagged and any(run.flags for run in group.runs) else ()
    rows = ((hertz(run.frequency), *run.cells(heads), *(flag_letters(run.flags) for _ in flags)) for run in group.runs)
    title = f"{group.cylinder} at {bar(group.pressure)} bar"
    return Sheet(title, ("f [Hz]", *heads.values(), *flags), tuple(rows), flags)


def flag_entries(flags: Iterable[str]) -> list[tuple[str, str, str]]:
    """Letter, meaning, and bias with cure, of each flag that occurs."""
    found = set(flags)
    return [(flag_letters([code]), flag.meaning, flag.advice) for code, flag in FLAGS.items() if code in found]


def cylinder_table(cylinders: Iterable[Cylinder]) -> Sheet:
    """What the bench says of each cylinder."""
    heads = ("Cylinder", "Bore [mm]", "Stroke [mm]", "Open port [mm]", "Gas", "Seal")
    return Sheet("Cylinders", heads, tuple(map(_cylinder_row, cylinders)), ("Cylinder", "Gas", "Seal"))


def _cylinder_row(cylinder: Cylinder) -> tuple[str, ...]:
    lengths = (cylinder.bore, cylinder.stroke, cylinder.open_port_diameter)
    sizes = (f"{length.value / MILLIMETRE:.5g}" if length else NOT_KNOWN for length in lengths)
    return (cylinder.name, *sizes, cylinder.gas, cylinder.seal or NOT_KNOWN)


def remarks_table(bench: Bench) -> Sheet:
    """The column `note` of every sweep, where something stands in it."""
    remarks = ((sweep.file, row, text) for sweep in bench.sweeps for row, text in enumerate(sweep.note, start=1))
    rows = tuple((file, str(row), text) for file, row, text in remarks if text)
    return Sheet("Notes written beside readings", ("File", "Row", "Note"), rows, ("File", "Note"))


def file_table(bench: Bench) -> Sheet:
    """What was read, by its hash."""
    sweeps = ((s.file, f"{s.stage}, {s.cylinder}" if s.cylinder else s.stage, s.sha256) for s in bench.sweeps)
    recordings = ((one.file, f"recording, {one.cylinder}", one.sha256) for one in bench.recordings)
    rundowns = ((one.file, f"run-down, {one.cylinder or one.stage}", one.sha256) for one in bench.rundowns)
    heads = ("File", "Holds", "SHA-256")
    read = (("bench.toml", "the bench", bench.sha256), *sweeps, *recordings, *rundowns)
    return Sheet("Files read", heads, read, heads)


def items(told: Iterable[Item]) -> list[Item]:
    """Tables, paragraphs and lists as the page sets them: empty ones go."""
    return [_filled(item) if isinstance(item, Sheet) else item for item in told if item]


def _filled(sheet: Sheet) -> Sheet:
    """A table whose every row has its own head: an empty first cell stands for the one above."""
    rows, head = [], ""
    for first, *rest in sheet.rows:
        head = first or head
        rows.append((head, *rest))
    return replace(sheet, rows=tuple(rows))
