"""Readings as a CSV file for bench.toml, and the entry that names it there."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence

from driveloss.bench.columns import heading, name_and_unit
from driveloss.bench.records import Sweep
from driveloss.bench.rules import columns_of
from driveloss.bench.units import conversion
from driveloss.say.numbers import decimals
from driveloss.steady.ask import ENDS, OTHERS, PULSES, Reading
from driveloss.steady.tell import settled_words

DIGITS = 6  # of what has no error of its own here
MOST_DECIMALS = 9


def sweep_csv(readings: Sequence[Reading]) -> str:
    """One row a reading. An end that was extrapolated stands as settled, with what was read beside it.

    Volts and amperes stand alone where their product is the power, so that their own limits of error count; where
    they pulse together, or there was a wattmeter, the power stands too.
    """
    columns: dict[str, list[str]] = {"start [s]": [], "end [s]": [], "effective readings": []}
    ends = [name for name in ENDS if any(name in r.ends for r in readings)]  # which alone may have gaps
    for r in readings:
        row = _cells(r, _shared(readings), ends, with_power=_needs_power(readings))
        for head, cell in row.items():
            columns.setdefault(head, []).append(cell)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*columns.values(), strict=True))
    return out.getvalue()


def _needs_power(readings: Sequence[Reading]) -> bool:
    return any(not {"voltage", "current"} <= r.means.keys() or abs(r.together) > PULSES for r in readings)


def _shared(readings: Sequence[Reading]) -> list[str]:
    """Columns that every reading has."""
    return [name for name in OTHERS if all(name in r.means for r in readings)]


def _cells(r: Reading, others: Sequence[str], ends: Sequence[str], *, with_power: bool) -> dict[str, str]:
    places = min(decimals(r.power.u, MOST_DECIMALS - 1) + 1, MOST_DECIMALS)
    cells = {"start [s]": f"{r.start:.6g}", "end [s]": f"{r.end:.6g}", "effective readings": f"{r.effective:.0f}"}
    cells[heading("frequency")] = f"{r.frequency:.{DIGITS}g}"
    if with_power:
        cells[heading("power")] = f"{r.power.value:.{places}f}"
    cells[heading("power_scatter")] = f"{r.power.u:.3g}"
    for name in others:
        cells[heading(name)] = _shown(name, r.means[name])
    notes = []
    for name in ends:
        end, words = r.ends.get(name), name.replace("_", " ")
        as_read = heading(name).replace(words, f"{words} as read")
        cells |= {heading(name): "", as_read: "", heading(f"{name}_drift"): ""}
        if end is not None:
            cells[heading(name)] = _shown(name, end.last if end.value is None else end.value.value)
            cells[as_read] = _shown(name, end.last)
            cells[heading(f"{name}_drift")] = f"{60 * abs(end.rate) if end.value is None else 0:.3g}"
            notes.append(f"{words} {settled_words(end)}")
    cells["note"] = "; ".join(notes)
    return cells


def _shown(name: str, value: float) -> str:
    """A value in the unit of its column."""
    scale = conversion(name_and_unit(heading(name))[1])
    number = value if scale is None else (value - scale.offset) / scale.factor
    return f"{number:.3f}" if columns_of(Sweep)[name].is_temperature else f"{number:.{DIGITS}g}"


def sweeps_entry(stage: str, cylinder: str | None, file: str, mean_pressure: str | None) -> str:
    """What to paste into bench.toml."""
    keys = {"stage": stage, "cylinder": cylinder, "file": file, "mean_pressure": mean_pressure}
    lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in keys.items() if value is not None]
    return "\n".join(["[[sweeps]]", *lines])
