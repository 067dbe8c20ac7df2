"""Pages for the tests of the report: the demo bench, and one whose every text wants to break out."""

import os
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from tempfile import TemporaryDirectory

from copies import open_copy

from driveloss.bench.load import load_bench
from driveloss.breakdown.budget import budget
from driveloss.compare.ask import compare
from driveloss.compare.benches import Subject
from driveloss.fit.calibrate import calibrate
from driveloss.report.page import Report, report_page
from driveloss.witnesses.constants import constants_way

DEMO = Path(__file__).parents[2] / "calib_data"
DRAWS = 200
TITLE = "<script>alert(1)</script>"
NAME = """wi"de' <b>&amp;"""
NOTE = "</script><img src=x onerror=alert(2)>"
SEAL = "-->{{ 7*7 }}<!--"
VOID = {"meta", "link", "br", "wbr", "input", "img", "hr"}


def asked(bench, family: str = "physical", draws: int = DRAWS) -> Report:
    """Everything about a bench, as the command gathers it."""
    calibration = calibrate(bench, family, draws=draws)
    subject = Subject("", calibration, bench.sweeps, bench.recordings, rundowns=bench.rundowns)
    comparison = compare([subject]) if calibration.ranges else None
    if not any(sweep.stage == "loaded" for sweep in bench.sweeps):
        return Report(bench, calibration, comparison=comparison)
    answer = subject.breakdown
    return Report(bench, calibration, answer, budget(answer), comparison, constants_way(bench, answer))


@cache
def demo() -> tuple[Report, str]:
    """The demo bench's report and page."""
    report = asked(load_bench(DEMO))
    return report, report_page(report)


@cache
def hostile() -> tuple[Report, str]:
    """The demo bench with markup in its title, cylinder, seal and notes."""
    with TemporaryDirectory() as folder:
        bench = Path(folder) / "bench"
        open_copy(DEMO, bench)
        toml = (bench / "bench.toml").read_text()
        assert "[cylinders.wide]" in toml and 'cylinder = "wide"' in toml
        lines = [f"title = '{TITLE}'" if line.startswith("title") else line for line in toml.splitlines()]
        seals = [i for i, line in enumerate(lines) if line.startswith("seal =")]
        lines[seals[0]] = f"seal = '{SEAL}'"
        quoted = "'''" + NAME + "'''"
        key = '"' + NAME.replace('"', '\\"') + '"'
        text = "\n".join(lines).replace("[cylinders.wide]", f"[cylinders.{key}]")
        (bench / "bench.toml").write_text(text.replace('cylinder = "wide"', f"cylinder = {quoted}"))
        sheet = bench / "wide-no-load-charged.csv"
        sheet.write_text(sheet.read_text().replace("belt guard refitted", NOTE))
        report = asked(load_bench(bench))
        return report, report_page(report)


@cache
def ladder_alone() -> tuple[Report, str]:
    """The demo bench before anything was run under load."""
    with TemporaryDirectory() as folder:
        bench = Path(folder) / "bench"
        open_copy(DEMO, bench)
        head, *sweeps = (bench / "bench.toml").read_text().split("[[sweeps]]")
        kept = [sweep for sweep in sweeps if '"loaded"' not in sweep]
        assert 0 < len(kept) < len(sweeps)
        (bench / "bench.toml").write_text("[[sweeps]]".join([head, *kept]))
        report = asked(load_bench(bench))
        return report, report_page(report)


@cache
def unstated() -> tuple[Report, str]:
    """The demo bench as somebody has it who knows a bore and a stroke."""
    with TemporaryDirectory() as folder:
        bench = Path(folder) / "bench"
        open_copy(DEMO, bench)
        kept = (
            "schema",
            "title",
            "ambient",
            "supply",
            "bore",
            "stroke",
            "stage",
            "cylinder =",
            "file",
            "mean_pres",
            "[",
        )
        ladder = (bench / "bench.toml").read_text().partition("[[recordings]]")[0]
        head, *sweeps = ladder.split("[[sweeps]]")
        ladder = "[[sweeps]]".join([head, *(sweep for sweep in sweeps if '"braked"' not in sweep)])
        lines = [line for line in ladder.splitlines() if line.startswith(kept)]
        (bench / "bench.toml").write_text("\n".join(lines))
        report = asked(load_bench(bench))
        return report, report_page(report)


PAGES = {"demo": demo, "hostile": hostile, "ladder alone": ladder_alone, "unstated": unstated}


def kept(folder: Path, name: str) -> Path:
    """File of a page in the folder of a test run, drawn unless another worker has."""
    path = folder / f"{name}.html"
    if not path.exists():
        part = path.with_suffix(f".{os.getpid()}")
        part.write_text(PAGES[name]()[1], encoding="utf-8")
        part.replace(path)
    return path


class Tree(HTMLParser):
    """Elements as (tag, attributes, ancestors, text inside), in the order of the page; tags must pair."""

    def __init__(self, page: str):
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict, tuple[str, ...], list[str]]] = []
        self.open: list[int] = []
        self.feed(page)
        self.close()
        assert self.open == [], [self.elements[i][0] for i in self.open]

    def handle_starttag(self, tag, attrs):
        assert len(dict(attrs)) == len(attrs), (tag, attrs)
        self.elements.append((tag, dict(attrs), tuple(self.elements[i][0] for i in self.open), []))
        if tag not in VOID:
            self.open.append(len(self.elements) - 1)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs), tuple(self.elements[i][0] for i in self.open), []))

    def handle_endtag(self, tag):
        opened = self.elements[self.open.pop()][0]
        assert opened == tag, f"<{opened}> closed by </{tag}>"

    def handle_data(self, data):
        for index in self.open:
            self.elements[index][3].append(data)

    def all(self, tag: str) -> list[tuple[dict, str]]:
        """Attributes and text of every element of a kind."""
        return [(attrs, "".join(text)) for name, attrs, _, text in self.elements if name == tag]

    def words(self, tag: str = "body") -> str:
        """Text with single spaces."""
        return " ".join(" ".join(text.split()) for _, text in self.all(tag))


@cache
def parsed(page: str) -> Tree:
    """A page, or a part of one, taken apart once for all tests that only look."""
    return Tree(page)
