"""DEVELOPERS.md is true: its map is the tree, its names are the code's, its walk is walked, its recipes work."""

import ast
import json
import os
import re
import subprocess
import sys
import tokenize
from dataclasses import replace
from importlib import import_module
from inspect import unwrap
from io import StringIO

import pytest
from cli.running import DEMO, ROOT
from copies import open_copy

import driveloss
from driveloss.fit.assumptions import NAMES
from driveloss.fit.contributions import SCATTER
from driveloss.fit.meters import CHANCE, SOURCES, CylinderDraws, Meters, common_errors

TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PACKAGE = ROOT / "driveloss"
MAP = dict(re.findall(r"^\| `(driveloss/\w+)/` \| (.*) \|$", TEXT, re.MULTILINE))
STOPS = re.findall(r"^\d+\. `([\w/]+)\.([\w.]+)`", TEXT, re.MULTILINE)
MOST_STOPS = 10


def section(title):
    """The text below one heading."""
    return re.search(rf"^## {title}\n(.*?)(?=^## |\Z)", TEXT, re.MULTILINE | re.DOTALL)[1]


def test_the_map_names_every_package_and_module():
    folders = [path for path in PACKAGE.iterdir() if (path / "__init__.py").exists()]
    assert sorted(MAP) == sorted(f"driveloss/{folder.name}" for folder in folders)
    for folder in folders:
        there = {path.stem for path in folder.glob("*.py")} - {"__init__"}
        assert set(re.findall(r"`(\w+)`", MAP[f"driveloss/{folder.name}"])) == there, folder.name


def test_every_path_and_command_named_exists():
    text = TEXT.replace("`tests/", f"`{ROOT}/tests/")
    for path in re.findall(r"`([\w./]+(?:/|\.py|\.toml))`", text):
        assert (ROOT / path).exists() or (PACKAGE / path).exists(), path
    for module in re.findall(r"`python -m ([\w.]+)", TEXT):
        assert list((ROOT / "tests").glob(f"{module.replace('.', '/')}*")), module


def words_of_code(text):
    """Every name in a module, but for those that only texts and comments use."""
    tokens = tokenize.generate_tokens(StringIO(text).readline)
    return {token.string for token in tokens if token.type == tokenize.NAME}


def test_the_vocabulary_is_that_of_the_code():
    used = {word for path in PACKAGE.rglob("*.py") for word in words_of_code(path.read_text())}
    names = set(re.findall(r"`(\w+)`", section("Vocabulary")))
    assert len(names) > 30
    assert names - used == set()


def test_the_sources_are_all_that_can_be_at_work():
    told = re.search(r"name the same sources: (.*?), all that no\s", TEXT, re.DOTALL)[1]
    stated = {error.source for record in (Meters, CylinderDraws) for error in common_errors(record).values()}
    assert sorted(re.findall(r"`([a-z ]+)`", told)) == sorted({*stated, SCATTER})
    assert set(SOURCES) == {*stated, *NAMES, *CHANCE}


def code_of(module, path):
    """The code object of a stop."""
    found = import_module(f"driveloss.{module.replace('/', '.')}")
    for name in path.split("."):
        found = getattr(found, name)
    return unwrap(found).__code__


def unbraked(bench):
    """Without the braked sweep, which is no rung of the ladder and goes another way."""
    return replace(bench, sweeps=tuple(sweep for sweep in bench.sweeps if sweep.stage != "braked"))


def test_a_reading_takes_the_walk():
    """Each stop hands on what the next one takes, so they first return in that order."""
    codes = {code_of(*stop): ".".join(stop) for stop in STOPS}
    returned = []

    def watch(frame, event, _):
        if event == "return" and frame.f_code in codes:
            returned.append(codes[frame.f_code])

    sys.setprofile(watch)
    try:
        bench = unbraked(driveloss.load_bench(DEMO))
        driveloss.breakdown(driveloss.calibrate(bench, draws=50, compare=False), bench.sweeps).tables()
    finally:
        sys.setprofile(None)
    assert 5 < len(STOPS) <= MOST_STOPS
    assert list(dict.fromkeys(returned)) == list(codes.values())


RECIPES = re.findall(r"^# (driveloss/[\w/.]+)(?:, (\w+))?.*\n(.*)$", section("How to add"), re.MULTILINE)
FILES = {  # what the lines name, and a reader would write
    "figures/heads.py": """
from driveloss.figures.layout import Cell, cells
from driveloss.figures.style import Drawing

def draw(split):
    figure, panels = cells(1, 1, Cell(3, (2,)))
    panels[0][0].plot([run.frequency for run in split.answer.runs], [run.head_power.value for run in split.answer.runs])
    return figure

DRAWING = Drawing(draw, lambda split: "Net power at the cold head.", "At the cold head.")
""",
    "cli/hose.py": """
from driveloss.cli.command import command
from driveloss.cli.options import BenchPath, JsonOption

@command
def hose(bench: BenchPath, output: JsonOption) -> None:
    from driveloss.bench.load import load_bench
    from driveloss.heads.ask import heads
    output.show(heads(load_bench(bench)))
""",
    "heads/__init__.py": "",
    "heads/ask.py": """
from dataclasses import dataclass
from driveloss.say.answer import Answer

@dataclass(frozen=True, repr=False)
class Heads(Answer):
    watts: float
    told_by = "driveloss.heads.tell:heads"

def heads(bench):
    return Heads(bench.rig.hose_loss.value)
""",
    "heads/tell.py": """
from driveloss.say.sheet import Sheet

def heads_data(answer):
    return {"schema": "driveloss.heads/1", "rows": [{"hose_W": answer.watts}]}

def heads_tables(answer):
    return [Sheet("The hose", ("Watts",), ((f"{answer.watts:g}",),))]
""",
}
ROUTE = '''class DataSheet(Incremental):
    """The slope that the motor's data sheet gives."""

    name = "data sheet"
    words = "load loss from the motor's data sheet"

    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        return rig.title == "By data sheet"

    def efficiency(self, meters: Meters) -> FloatArray:
        return np.full(meters.size, 0.8)


'''
ASK = """
import json, sys
from dataclasses import replace
from pathlib import Path
import driveloss
from cli.running import typed
from driveloss.bench.template import template_files
from driveloss.fit.store import from_text, to_text
from driveloss.say.csv_form import to_csv
from driveloss.say.flags import flag_letters, flag_lines

bench = driveloss.load_bench(sys.argv[1])
bench = replace(bench, sweeps=tuple(sweep for sweep in bench.sweeps if sweep.stage != "braked"))
fitted = driveloss.calibrate(bench, draws=200, compare=False)
saved = from_text(to_text(fitted), "saved")
split = driveloss.breakdown(saved, bench.sweeps)
run, heads = split.runs[0], driveloss.heads(bench)
sheet = driveloss.calibrate(replace(bench, rig=replace(bench.rig, title="By data sheet")), draws=50, compare=False)
template = {name: content.decode() for name, content in template_files().items()}
print(json.dumps({
    "template": [line for line in template["bench.toml"].splitlines() if "hose_loss" in line],
    "heading": "oil [degC]" in template["narrow-no-load.csv"],
    "oil": [str(bench.sweeps[-1].oil), str(split.readings.oil[0])],
    "notes": fitted.evidence.fits["physical"].notes,
    "terms": [term.label for term in fitted.evidence.fits["physical"].terms],
    "law": [term.label for term in saved.curves.terms if term.kind == "disc"],
    "components": run.head_power.components(),
    "difference": run.pneumatic.value - run.head_power.value,
    "data": list(split.to_dict()["runs"][0]),
    "csv": to_csv(split.rows(), split.columns).splitlines()[0],
    "flags": [*run.flags, flag_letters(["oil-unread"]), *flag_lines(["oil-unread"])],
    "figure": type(driveloss.draw("heads", split)).__name__,
    "route": [sheet.route.words, from_text(to_text(sheet), "saved").route.name, saved.route.name],
    "command": typed("hose", sys.argv[1], "--json").out,
    "help": typed("--help").out,
    "options": typed("breakdown", "--help", columns=200).out,
    "question": ["heads" in dir(driveloss), heads.tables()[0].rows, heads._repr_html_()],
}))
"""


def end_of(text, name):
    """Where in a module's text one more entry of a table goes, or a field of a class, or a line of its imports."""
    tree, offsets = ast.parse(text), [0]
    for line in text.encode().splitlines(keepends=True):
        offsets.append(offsets[-1] + len(line))
    if not name:
        last = [node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)][-1]
        return offsets[last.end_lineno], ""
    (home,) = (node for node in tree.body if name in named(node))
    if isinstance(home, ast.ClassDef):
        field = next(node for node in home.body if isinstance(node, ast.AnnAssign))
        return offsets[field.lineno - 1], "    "
    tables = [node.values if isinstance(node, ast.Dict) else node.elts for node in ast.walk(home) if is_table(node)]
    entry = max(tables, key=len)[-1]
    return offsets[entry.end_lineno - 1] + entry.end_col_offset, ", "


def named(node):
    """What a statement defines."""
    targets = getattr(node, "targets", [getattr(node, "target", node)])
    return [getattr(target, "id", getattr(target, "name", None)) for target in targets]


def is_table(node):
    return isinstance(node, ast.Dict | ast.Tuple) and not isinstance(getattr(node, "ctx", None), ast.Store)


def with_line(text, name, line):
    """A module's text with one line more."""
    place, before = end_of(text, name)
    code = line.rstrip(",") if before == ", " else f"{line}\n"
    whole = text.encode()
    return (whole[:place] + f"{before}{code}".encode() + whole[place:]).decode()


@pytest.fixture(scope="module")
def grown(tmp_path_factory):
    """What a copy of the package answers to which every recipe's lines were added."""
    folder = tmp_path_factory.mktemp("grown")
    open_copy(PACKAGE, folder / "driveloss", "__pycache__")
    for name, text in FILES.items():
        (folder / "driveloss" / name).parent.mkdir(exist_ok=True)
        (folder / "driveloss" / name).write_text(text)
    for path, name, line in RECIPES:
        text = with_line((folder / path).read_text(), name, line)
        (folder / path).write_text(text.replace("UNKNOWN = ", f"{ROUTE}UNKNOWN = ") if name == "ROUTES" else text)
    ran = subprocess.run(
        [sys.executable, "-c", ASK, DEMO],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT / "tests")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    return json.loads(ran.stdout)


def test_a_key_and_a_column(grown):
    assert [line.split()[:3] for line in grown["template"]] == [["#", "hose_loss", "="]]
    assert grown["heading"]
    assert grown["oil"] == ["None", "nan"]


def test_a_law(grown):
    """Offered to each shaft, and kept in the saved file; the demo machine's readings need not support it."""
    told = " ".join([*grown["notes"], *grown["terms"]])
    assert {label.split(":")[0] for label in grown["law"]} == {"motor", "linkage"}
    assert told.count("turbulent discs") == len(grown["law"])


def test_an_error_and_a_quantity(grown):
    """A rectangular error: half of its 95 % interval is 0.95 of the limit (JCGM 101:2008, 7.7)."""
    assert grown["components"]["hose"] == pytest.approx(0.95 * 0.2, rel=0.05)
    assert grown["difference"] == pytest.approx(0.4)
    assert "head_power_W" in grown["data"]
    assert "head_power_W,head_power_u_W,head_power_low_W" in grown["csv"]


def test_a_flag(grown):
    *codes, letter, line = grown["flags"]
    assert "oil-unread" in codes
    assert line == f"{letter}  oil-unread: No oil temperature was recorded. Bias: None."


def test_a_figure(grown):
    assert grown["figure"] == "Figure"
    assert "|heads]" in grown["options"]


def test_a_route(grown):
    assert grown["route"] == ["load loss from the motor's data sheet", "data sheet", "motor constants"]


def test_a_command_and_a_question(grown):
    in_dir, rows, page = grown["question"]
    assert in_dir and rows == [["0.4"]] and ">0.4</td>" in page
    assert json.loads(grown["command"]) == {"schema": "driveloss.heads/1", "rows": [{"hose_W": 0.4}]}
    assert re.search(r"hose +What the hose costs\.", grown["help"])
