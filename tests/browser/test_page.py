"""The report in a real browser: does it open in silence, answer, fit a phone, a dark room and a sheet of A4?

WCAG 2.2 (W3C Recommendation, 2023) where a success criterion is named.
"""

import json
import re
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

HERE = Path(__file__).parent
for folder in (HERE, HERE.parent / "report"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

import chromium  # noqa: E402
from report_pages import DEMO, DRAWS, NAME, NOTE, PAGES, TITLE, kept, parsed  # noqa: E402

from driveloss.bench.load import load_bench  # noqa: E402
from driveloss.fit.calibrate import calibrate  # noqa: E402
from driveloss.losses.ask import losses  # noqa: E402
from driveloss.report.loss_grid import PARTS, grid_frequencies  # noqa: E402
from driveloss.say.numbers import decimals  # noqa: E402

pytestmark = pytest.mark.skipif(chromium.PROGRAM is None, reason="needs Debian's package chromium")

PHONE, NARROWEST, DESK = 360, 320, 1100  # [px]; 320 is WCAG 1.4.10, reflow
A4 = (210 / 25.4 * 72, 297 / 25.4 * 72)  # [pt], ISO 216
PRINTED_WIDTH = int((210 - 2 * 14) / 25.4 * 96)  # [px] between the margins of the style's @page


@pytest.fixture(scope="module")
def browser():
    with TemporaryDirectory(prefix="driveloss-browser-", ignore_cleanup_errors=True) as folder:
        tab = chromium.Page(Path(folder))
        try:
            yield tab
        finally:
            tab.close()


@pytest.fixture(scope="module")
def paths(run_folder):
    return {name: kept(run_folder, name) for name in PAGES}


@pytest.fixture(scope="module")
def calibration():
    """That of the demo bench's page."""
    return calibrate(load_bench(DEMO), draws=DRAWS)


# --- it opens ---------------------------------------------------------------------------------------------------


def opens_in_silence(browser, path, width: int = DESK, dark: bool = False):
    browser.open(path, width, dark=dark)
    assert browser.run("document.getElementById('ask').hidden") is False
    assert browser.complaints == []
    assert browser.run("performance.getEntriesByType('resource').length") == 0


def test_complaints_are_heard(browser, tmp_path):
    """`opens_in_silence` can fail: an error, a console message and a request from outside are all noticed."""
    page = tmp_path / "bad.html"
    page.write_text(
        "<!DOCTYPE html><script>console.error('a'); undefinedName()</script><img src='http://127.0.0.1:9/x'>"
    )
    browser.open(page)
    assert len(browser.complaints) >= 3


def test_markup_in_the_bench_runs_nothing(browser, paths):
    browser.open(paths["hostile"])
    assert not [event for event in browser.events if event.get("method") == "Page.javascriptDialogOpening"]
    assert browser.run("document.title").startswith(TITLE)
    shown = browser.run("document.body.innerText")
    assert NOTE in shown and NAME in shown
    names = browser.run("[...document.querySelectorAll('#ask-cylinder option')].map(x => x.textContent)")
    assert NAME in names
    assert browser.run("document.querySelectorAll('img, b').length") == 0


# --- it answers -------------------------------------------------------------------------------------------------


def choose(browser, control: str, text: str) -> None:
    """Pick the option with a text, as a reader would."""
    browser.run(
        f"""(() => {{ const box = document.getElementById("ask-{control}");
        box.selectedIndex = [...box.options].findIndex(x => x.textContent === {json.dumps(text)});
        box.dispatchEvent(new Event("change")); }})()"""
    )


def type_frequency(browser, frequency: float | str) -> None:
    browser.run(
        f"""(() => {{ const box = document.getElementById("ask-frequency"); box.value = "{frequency}";
        box.dispatchEvent(new Event("input")); }})()"""
    )


def shown_losses(browser) -> dict[str, list[str]]:
    """Texts of value, low and high by part."""
    return browser.run(
        """Object.fromEntries([...document.querySelectorAll("#ask-rows tr")].map(
        row => [row.dataset.part, [...row.querySelectorAll("td")].slice(0, 3).map(x => x.textContent)]))"""
    )


def remark(browser) -> str:
    return browser.run("document.getElementById('ask-remark').textContent")


def options(browser, control: str) -> list[str]:
    return browser.run(f"[...document.querySelectorAll('#ask-{control} option')].map(x => x.textContent)")


def test_the_control_shows_what_losses_gives(browser, paths, calibration):
    """Values to the printed digit; ends of intervals to one unit of it."""
    browser.open(paths["demo"])
    seen = 0
    for row in losses(calibration, [3.137, 4.5, 7.63, 11.011, 14.9]):
        choose(browser, "cylinder", row.cylinder or "drive alone")
        if row.cylinder:
            choose(browser, "pressure", f"{row.mean_pressure / 1e5:.4g} bar")
        type_frequency(browser, row.frequency)
        table = shown_losses(browser)
        assert set(table) == {name for name in PARTS if getattr(row, name) is not None}
        for name, texts in table.items():
            part = getattr(row, name)
            unit = 10.0 ** -decimals(part.half_width)
            value, low, high = (float(text.replace("−", "-")) for text in texts)
            assert abs(value - part.value) <= 0.501 * unit
            assert abs(low - part.low) <= 1.5 * unit and abs(high - part.high) <= 1.5 * unit
            seen += 1
        assert ("Extrapolated" in remark(browser)) is row.extrapolated
    assert seen > 5 * 20 and browser.complaints == []


def test_the_control_refuses_what_it_cannot_answer(browser, paths, calibration):
    low, high = grid_frequencies(calibration)[[0, -1]]
    browser.open(paths["demo"])
    for wrong in (low * 0.9, high * 1.1, -3, ""):
        type_frequency(browser, wrong)
        assert shown_losses(browser) == {}
        assert f"from {low:.2f} to {high:.2f} Hz" in remark(browser)
        assert browser.run("document.getElementById('ask-frequency').getAttribute('aria-invalid')") == "true"
    type_frequency(browser, 8)
    assert shown_losses(browser) and "Inside the calibrated range" in remark(browser)


def test_pressures_follow_the_cylinder_and_flags_the_pressure(browser, paths, calibration):
    browser.open(paths["demo"])
    for name, span in calibration.ranges.items():
        choose(browser, "cylinder", name)
        offered = options(browser, "pressure")
        assert offered[: len(span.pressures)] == [f"{p / 1e5:.4g} bar" for p in span.pressures]
    choose(browser, "cylinder", "narrow")
    choose(browser, "pressure", options(browser, "pressure")[-1])
    assert "outside the no-load sweeps" in browser.run("document.getElementById('ask-flags').textContent")
    choose(browser, "cylinder", "drive alone")
    assert browser.run("document.getElementById('ask-pressure-place').hidden") is True
    assert "seal" not in shown_losses(browser)


def test_the_slider_answers_to_the_keyboard(browser, paths):
    """WCAG 2.1.1."""
    browser.open(paths["demo"])
    browser.run("document.getElementById('ask-slider').focus()")
    before = shown_losses(browser), browser.run("document.getElementById('ask-frequency').value")
    for _ in range(5):
        browser.press("ArrowRight", 39)
    after = shown_losses(browser), browser.run("document.getElementById('ask-frequency').value")
    assert float(after[1]) > float(before[1]) and after[0] != before[0]
    assert f"{float(after[1]):g} Hz" in browser.run("document.getElementById('ask-caption').textContent")


def test_without_script_the_page_still_reads(browser, paths):
    browser.open(paths["demo"], script=False)
    tree = browser.ask("DOM.getDocument", depth=-1)["root"]
    box = browser.ask("DOM.querySelector", nodeId=tree["nodeId"], selector="#ask")["nodeId"]
    with pytest.raises(chromium.BrowserError):  # hidden: it has no box
        browser.ask("DOM.getBoxModel", nodeId=box)
    table = browser.ask("DOM.querySelector", nodeId=tree["nodeId"], selector="#losses h3 + div table")
    assert browser.ask("DOM.getBoxModel", nodeId=table["nodeId"])["model"]["height"] > 50
    assert browser.complaints == []


# --- it fits ----------------------------------------------------------------------------------------------------

TOO_WIDE = """[...document.querySelectorAll("body *")].filter(e => {
  const box = e.getBoundingClientRect();
  return !e.closest(".scroll") && !e.closest(".skip") && box.width > 0 && box.right > innerWidth + 1;
}).map(e => e.tagName + "." + e.className + "#" + e.id)"""


@pytest.mark.parametrize("name", PAGES)
def test_only_tables_and_figures_scroll_sideways(browser, paths, name):
    """WCAG 1.4.10; and what scrolls can be reached with the Tab key, 2.1.1."""
    opens_in_silence(browser, paths[name], NARROWEST)
    hidden = "[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth && e.tabIndex < 0)"
    for width in (NARROWEST, PHONE, 700, DESK):
        browser.resize(width)
        assert browser.run("document.documentElement.scrollWidth") == width
        assert browser.run(TOO_WIDE) == [], width
        assert browser.run(f"{hidden}.length") == 0, width


def test_on_a_desk_nothing_of_the_answer_is_hidden(browser, paths):
    browser.open(paths["demo"], DESK)
    cut = "[...document.querySelectorAll('#answer .scroll, #runs .scroll')].filter(e => e.scrollWidth > e.clientWidth)"
    assert browser.run(f"{cut}.length") == 0


SMALL_TARGETS = """[...document.querySelectorAll("nav a, select, input")].filter(e => {
  const box = e.getBoundingClientRect();
  return box.height < 24 || box.width < 24;
}).map(e => e.outerHTML)"""


def test_targets_are_large_enough(browser, paths):
    """WCAG 2.5.8: 24 by 24 CSS pixels."""
    browser.open(paths["demo"], PHONE)
    assert browser.run(SMALL_TARGETS) == []


# Contrast of every text with what is painted behind it, WCAG 2.2's formula.
LOW_CONTRAST = """(() => {
  const parse = text => { const [r, g, b, a = 1] = text.match(/[\\d.]+/g).map(Number); return [r, g, b, a]; };
  const light = ([r, g, b]) => { const [x, y, z] = [r, g, b].map(c => c / 255).map(
    c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4); return 0.2126 * x + 0.7152 * y + 0.0722 * z; };
  const ground = e => { for (; e; e = e.parentElement) {
    const c = parse(getComputedStyle(e).backgroundColor); if (c[3] > 0) return c; } return [255, 255, 255]; };
  const texts = [...document.querySelectorAll("body *")].filter(e => !e.closest("svg, script")
    && [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()) && e.getClientRects().length);
  const bad = texts.filter(e => {
    const a = light(parse(getComputedStyle(e).color)), b = light(ground(e));
    return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05) < 4.5; });
  return [texts.length, bad.map(e => e.outerHTML.slice(0, 120))];
})()"""


@pytest.mark.parametrize("dark", [False, True])
def test_text_contrasts_in_light_and_dark(browser, paths, dark):
    """WCAG 1.4.3."""
    browser.open(paths["demo"], dark=dark)
    type_frequency(browser, 3)  # shows the warning too
    count, bad = browser.run(LOW_CONTRAST)
    assert count > 300 and bad == []
    paper = browser.run("getComputedStyle(document.documentElement).backgroundColor")
    assert (paper == "rgb(255, 255, 255)") is not dark
    drawn, faint = browser.run(
        LOW_CONTRAST.replace('!e.closest("svg, script")', 'e.closest("svg")').replace(".color)", ".fill)")
    )
    assert drawn > 100 and faint == []  # drawings follow: their text stands on the page's own ground


FOCUS = """(() => { const e = document.activeElement, s = getComputedStyle(e), b = e.getBoundingClientRect();
  return [e.tagName, e.className, s.outlineStyle, parseFloat(s.outlineWidth), b.left, b.right]; })()"""


def test_focus_is_seen_wherever_it_goes(browser, paths):
    """WCAG 2.4.7, 2.4.1: the skip link comes first and appears."""
    browser.open(paths["demo"], PHONE)
    stops = []
    for _ in range(30):
        browser.press("Tab", 9)
        stops.append(browser.run(FOCUS))
    assert stops[0][:2] == ["A", "skip"] and 0 <= stops[0][4] < stops[0][5] <= PHONE
    assert {tag for tag, *_ in stops} >= {"A", "DIV"}
    assert all(style == "solid" and width >= 2 for _, _, style, width, *_ in stops)


def test_nothing_moves_for_those_who_ask(browser, paths):
    browser.open(paths["demo"])
    smooth = "getComputedStyle(document.documentElement).scrollBehavior"
    reduced = [{"name": "prefers-reduced-motion", "value": "reduce"}]
    browser.ask("Emulation.setEmulatedMedia", media="screen", features=reduced)
    assert browser.run(smooth) == "auto"
    assert browser.run("document.getAnimations().length") == 0


# --- it prints --------------------------------------------------------------------------------------------------

CUT_OFF = """[...document.querySelectorAll("table, svg, figure, p, li")].filter(e => {
  const box = e.getBoundingClientRect(); return box.width > 0 && box.right > innerWidth + 1;
}).map(e => e.tagName + ": " + (e.caption ? e.caption.textContent : e.textContent.slice(0, 60)))"""


@pytest.mark.parametrize("name", PAGES)
def test_the_print_is_a4_with_nothing_cut_off(browser, paths, name):
    opens_in_silence(browser, paths[name], PRINTED_WIDTH, dark=True)
    browser.media("print", dark=True)
    assert browser.run(CUT_OFF) == []
    assert browser.run("getComputedStyle(document.getElementById('ask')).display") == "none"
    assert browser.run("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    boxes = re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", browser.pdf())
    assert 3 <= len(boxes) <= 30
    for width, height in boxes:
        assert (float(width), float(height)) == pytest.approx(A4, abs=1)


def test_the_browser_reads_the_page_as_the_other_tests_do(browser, paths):
    """The strict parser of tests/show and the browser's lenient one agree, so the markup is well formed."""
    browser.open(paths["demo"], script=True)
    tree = parsed(paths["demo"].read_text(encoding="utf-8"))
    for tag in ("table", "section", "svg", "figure", "li", "h2", "h3"):
        extra = browser.run("document.querySelectorAll('#ask-flags li').length") if tag == "li" else 0
        assert browser.run(f"document.querySelectorAll('{tag}').length") - extra == len(tree.all(tag)), tag
