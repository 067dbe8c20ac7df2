"""A bench folder to fill in: bench.toml with comments, and one empty sheet for each stage."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from textwrap import fill

from driveloss.bench.columns import heading
from driveloss.bench.load import BENCH_FILE
from driveloss.bench.records import CYLINDER_STAGES, Rig, Sweep, SweepSpec
from driveloss.bench.rules import Key, columns_of, keys_of
from driveloss.bench.toml import SCHEMA

CYLINDER = "narrow"
CAUTIONS = (
    "Rotating and reciprocating parts trap fingers and shed loose clothing and hair: guard them, and isolate the "
    "supply before touching the linkage.",
    "Cylinders, tubing and plastic pipe can burst: stay inside the rated pressure, prove vessels by a method that "
    "local codes accept, relieve before opening.",
    "Mains-side power measurement belongs to a competent person under the local electrical code.",
    "Hot aftercoolers burn and cold ends freeze skin.",
)
AS_COMMENTS = "\n".join(fill(text, 100, initial_indent="# - ", subsequent_indent="#   ") for text in CAUTIONS)


def _head(first: str, last: str = "") -> str:
    return f"""\
# What is on the bench. {first}
# A quantity is a number and its unit in quotes: "32 mm", "1.25 in", "2 bar", "0.42 ohm".
# It may carry its limit of error: "0.42 ohm +/- 2 %", "30 mm +/- 0.05 mm".
# Pressures are absolute unless the unit says gauge: "1 bar gauge".
# Lines that start with # are optional{last}: take the mark away to use one.
#
# Safety, before anything turns:
{AS_COMMENTS}

schema = {SCHEMA}"""


HEAD = _head("Every value below is an example: replace it by yours.")
ASKED_HEAD = _head("What the files do not tell is asked for: values behind # are examples.", " unless marked NEEDED")

LADDER = """
# The tear-down ladder: each stage takes one element away. "standby" and "motor-alone" are optional.
# Sweep each cylinder without load before its loaded runs and again straight after them, everything still warm.
# List the one after behind the loaded sweeps, as here: it tells whether the seal drags as it did before, and how far
# one sweep lies off another. With several cylinders, write the last three tables once for each.
# Three more measurements replace most of what is otherwise assumed: a sweep with stage = "braked" (no piston, the crank
# drives a brake or a generator; a column torque [N*m], or brake force [N] with [brake] arm), one with stage = "blanked"
# (the cylinder closed off straight after its no-load sweep: what the rod's force costs in pins, guides and lip; a
# column pressure amplitude [bar], or the key closed_volume), and [[recordings]] of the pressure through the cycle
# (file, cylinder, frequency; columns crank angle [deg] and pressure [kPa]).
# [[rundowns]] (file, stage, inertia) tell the drive's loss without a power meter: cut the supply, leave the motor's
# leads open and let the machine coast, and keep clear of what turns until it stands; columns time [s] and
# frequency [Hz], or time [s] alone: of the passing of an index mark, one a turn. Where the inertia is not known, coast
# twice, once with added_inertia or brake_torque."""

ALWAYS_SAID = ("frequency", "power", "voltage", "current", "mean_pressure")
FURTHER = ", ".join(heading(field) for field in columns_of(Sweep) if field not in ALWAYS_SAID)
HOW_TO_READ = f"""\
# One line for each reading. Let the machine warm up, wait until the reading is steady, go up and down in
# frequency, and take some points twice: repeats show the scatter.
# speed [rpm] of the crank, or motor speed [rpm] with [transmission] ratio, may stand for frequency [Hz]; on
# direct current, voltage [V] and current [A] may stand for power [W].
# Empty cells are for cold end and hot end alone, where one of them was not read.
# Further columns, where recorded: {FURTHER}, note.
"""

AFTER = "no-load-after"  # the name of that file, and of its sheet
STAGE_COMMENTS = {
    "standby": 'only with supply = "controller"',
    "motor-alone": "without it motor and linkage are reported together",
    AFTER: "the same again, after the loaded runs",
}
SHEETS = {  # stage, in the order of the work: what is read there, and the columns
    "standby": ("Controller on, motor stopped.", ("power",)),
    "motor-alone": (
        "The motor, uncoupled. Isolate the supply before uncoupling it. The frequency is the crank's: motor\n"
        "# revolutions per second divided by the transmission ratio.",
        ("frequency", "power"),
    ),
    "piston-disconnected": (
        "Motor, crank and linkage turn without the piston. Isolate the supply before touching the linkage.",
        ("frequency", "power"),
    ),
    "no-load": (
        "The piston moves with the gas load removed: ports open. Relieve the pressure before opening them.",
        ("frequency", "power"),
    ),
    "loaded": (
        "The whole machine. Stay inside the rated pressure; keep off the hot aftercooler and the cold end.",
        ("frequency", "power", "mean_pressure"),
    ),
    AFTER: (
        "Without load once more, straight after the loaded runs. Relieve the pressure before opening the ports;\n"
        "# keep off the hot aftercooler and the cold end.",
        ("frequency", "power"),
    ),
}


def template_files() -> dict[str, bytes]:
    """The files of a bench folder to fill in: name to content."""
    texts = {BENCH_FILE: bench_text(), **{_file(sheet): _sheet(sheet) for sheet in SHEETS}}
    return {name: text.encode() for name, text in texts.items()}


def bench_text() -> str:
    """bench.toml with an example and a comment for every key, as the records' fields have them."""
    sweeps = (line for sheet in SHEETS for line in ("", *_sweep_lines(sheet)))
    return "\n".join([HEAD, *record_lines(Rig), LADDER, *sweeps]) + "\n"


def record_lines(
    record: type, path: str = "", cylinders: Sequence[str] = (CYLINDER,), *, is_filled: bool = True
) -> Iterator[str]:
    """The keys of a record, and the tables in it; path: 'cylinders.narrow.' inside a table.

    is_filled: with examples where a value is needed, else those are asked for.
    """
    home = ""
    for key in keys_of(record):
        if key.record:
            for name in [f"{key.name}.{_bare(one)}" for one in cylinders] if key.is_family else [key.name]:
                yield from ("", commented(f"[{path}{name}]", key.comment))
                yield from record_lines(key.record, f"{path}{name}.", is_filled=is_filled)
        else:
            yield from ("", f"[{path}{key.home}]") if key.home != home else ()
            home = key.home
            is_asked = not is_filled and key.is_required and key.shown is None
            asked = replace(key, comment=needed(key.comment)) if is_asked else key
            yield _key_line(asked, key.written, is_shown=key.is_shown and is_filled)


def needed(comment: str) -> str:
    """The comment beside a key that a bench cannot do without."""
    return f"NEEDED: {comment}" if comment else "NEEDED"


def _bare(name: str) -> str:
    """A name as a key of TOML, in quotes where it needs them."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else json.dumps(name, ensure_ascii=False)


def _sweep_lines(sheet: str) -> Iterator[str]:
    """One [[sweeps]] table, with the optional keys at the no-load sweep before the loaded runs."""
    stage = sheet.removesuffix("-after")
    values = {"stage": stage, "file": _file(sheet), **({"cylinder": CYLINDER} if stage in CYLINDER_STAGES else {})}
    is_optional = sheet == "standby"
    yield commented(f"{'# ' * is_optional}[[sweeps]]", STAGE_COMMENTS.get(sheet, ""))
    for key in keys_of(SweepSpec):
        if key.field in values:
            yield _key_line(key, f'"{values[key.field]}"', is_shown=not is_optional)
        elif sheet == "no-load":
            yield _key_line(key, key.written, is_shown=key.is_shown)


def _key_line(key: Key, written: str, *, is_shown: bool) -> str:
    return commented(f"{'' if is_shown else '# '}{key.name} = {written}", key.comment)


def commented(line: str, comment: str) -> str:
    return f"{line:<39} # {comment}" if comment else line


def _file(sheet: str) -> str:
    return f"{f'{CYLINDER}-' * sheet.startswith(CYLINDER_STAGES)}{sheet}.csv"


def _sheet(sheet: str) -> str:
    what, columns = SHEETS[sheet]
    return f"# {what}\n{HOW_TO_READ}{','.join(heading(field) for field in columns)},note\n"


def demo_files() -> dict[str, bytes]:
    """The files of the demo bench, an invented scenario: name to content."""
    files = [path for path in sorted(_demo_folder().iterdir()) if path.suffix in (".toml", ".csv", ".md")]
    return {path.name: path.read_bytes() for path in files}


def _demo_folder() -> Path:
    """calib_data: packed beside this package's modules in a wheel, else in the checkout."""
    package = Path(__file__).parent.parent
    return next(f for f in (package / "calib_data", package.parent / "calib_data") if (f / BENCH_FILE).is_file())
