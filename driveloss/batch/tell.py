"""A batch in words: one table for people, one row a bench for scripts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from driveloss.batch.ask import IN_CSV, Batch
from driveloss.batch.results import line
from driveloss.batch.run import BEST, SCHEMA, Row
from driveloss.fit.estimate import COVERAGE, Estimate
from driveloss.say.csv_form import PARTS, spread
from driveloss.say.flags import flag_letters
from driveloss.say.numbers import HALF_WIDTHS, NOT_KNOWN, bar, hertz, watts
from driveloss.say.quantities import QUANTITIES
from driveloss.say.sheet import Item, Sheet

LIP = QUANTITIES["lip_force"]
TITLE = "Best run of each bench, and the friction force of each seal in the middle of its no-load sweeps"
WORDS = ("Bench", "Best run", LIP.column, "Main doubt", "Flags")
IN_LIP = spread(LIP.json_key)


def batch_data(answer: Batch) -> dict[str, Any]:
    """As `--json` prints, in one piece."""
    return {"schema": SCHEMA, "coverage": COVERAGE, "benches": list(answer.benches)}


def batch_lines(answer: Batch) -> str:
    """JSON lines, one a bench."""
    return "".join(map(line, answer.benches))


def batch_rows(answer: Batch) -> list[Row]:
    """Flat rows for CSV and data frames."""
    return [_flat(row) for row in answer.benches]


def _flat(row: Row) -> Row:
    seals, doubt = row["seals"] or [], row["doubt"] or {}
    lips = [seal[LIP.json_key] for seal in seals]
    told = {
        "seal_frequency_Hz": _each([seal["frequency_Hz"] for seal in seals]),
        "seal_mean_pressure_Pa": _each([seal["mean_pressure_Pa"] for seal in seals]),
        **{head: _each([lip[part] for lip in lips]) for head, part in zip(IN_LIP, ("value", *PARTS), strict=True)},
        "doubt": doubt.get("source"),
        "doubt_half_width_W": doubt.get("half_width_W"),
    }
    return {key: value for key, value in row.items() if key in IN_CSV} | told


def _each(values: Sequence[float]) -> Any:
    """One number as it is, several as a list, none as nothing."""
    return list(values) if len(values) > 1 else next(iter(values), None)


def batch_tables(answer: Batch) -> list[Item]:
    """The summary, what failed and why, and how many were done."""
    items: list[Item] = []
    if answer.done:
        heads = ("Bench", "Best run", *(QUANTITIES[key].column for key in BEST), LIP.column, "Main doubt", "Flags")
        items += [Sheet(TITLE, heads, tuple(map(_cells, answer.done)), left=WORDS), HALF_WIDTHS]
    if answer.failed:
        failures = tuple((row["path"], row["error"]) for row in answer.failed)
        items.append(Sheet("Failed", ("Bench", "Why"), failures, left=("Bench", "Why")))
    return [*items, counted(answer)]


def counted(answer: Batch) -> str:
    """How many benches there were, and how they ended."""
    ended = [f"{len(answer.done)} done", f"{len(answer.failed)} failed"]
    before = f", {answer.known} of them before" if answer.known else ""
    return f"Benches: {len(answer.benches)}, {ended[0]}{before}, {ended[1]}."


def _cells(row: Row) -> tuple[str, ...]:
    quantities = (shown(key, row[QUANTITIES[key].json_key]) for key in BEST)
    return (row["path"], place(row), *quantities, lips(row), doubt(row), flag_letters(row["flags"]))


def shown(key: str, quantity: dict[str, Any] | None) -> str:
    """A quantity of the data as people read it."""
    return QUANTITIES[key].cell(None if quantity is None else Estimate(**quantity))


def place(row: Row) -> str:
    """Where the best run was."""
    if row["frequency_Hz"] is None:
        return "no loaded run"
    return f"{row['cylinder']}\n{bar(row['mean_pressure_Pa'])} bar, {hertz(row['frequency_Hz'])} Hz"


def lips(row: Row) -> str:
    """The force of each seal, under its cylinder's name where there are several."""
    cells = [shown("lip_force", seal[LIP.json_key]) for seal in row["seals"]]
    names = [f"{seal['cylinder']}: " if len(cells) > 1 else "" for seal in row["seals"]]
    return "\n".join(name + cell for name, cell in zip(names, cells, strict=True)) or NOT_KNOWN


def doubt(row: Row) -> str:
    """What leaves most of the net power open."""
    return f"{row['doubt']['source']} ±{watts(row['doubt']['half_width_W'])} W" if row["doubt"] else NOT_KNOWN
