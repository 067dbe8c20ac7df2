"""Is the page whole, safe, readable by everybody, and does it say what the numbers say?

Accessibility: WCAG 2.2 (W3C Recommendation, 2023), success criteria named at each check.
"""

import hashlib
import json
import re
from dataclasses import replace
from html import escape
from importlib.metadata import version
from itertools import pairwise

import numpy as np
import pytest
import typer
from cli.running import DEMO, RUNNER
from compare.machines import drive_alone
from report_pages import NAME, NOTE, PAGES, SEAL, TITLE, asked, demo, hostile, kept, ladder_alone, parsed, unstated
from scipy.interpolate import BarycentricInterpolator

from driveloss.bench.load import load_bench
from driveloss.cli.report import report as command
from driveloss.figures import svg
from driveloss.fit.calibrate import calibrate
from driveloss.fit.motor_loss import ROUTES
from driveloss.losses.ask import losses
from driveloss.report.assumptions import CAUTIONS, assumptions
from driveloss.report.loss_grid import STEP, grid_frequencies, loss_grid
from driveloss.report.markup import embedded
from driveloss.report.opening import opening
from driveloss.report.page import report_page
from driveloss.say.flags import FLAGS
from driveloss.say.numbers import plus_minus, watts
from driveloss.whatif.ask import whatif
from driveloss.witnesses.ask import witnesses
from driveloss.witnesses.tell import verdict_words


@pytest.fixture(params=PAGES)
def page(request, run_folder) -> str:
    kept(run_folder, request.param)  # for the browser, which another worker may run
    return PAGES[request.param]()[1]


# --- what the page says -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("made", [demo, unstated])
def test_the_page_opens_with_one_sentence_and_one_picture(made):
    """Where the best run's input goes, what takes most of it, what to change first."""
    report, page = made()
    tree = parsed(page[page.index('<section id="answer"') : page.index('<section id="runs"')])
    best = report.runs[report.answer.best_run]
    lead = next(text for attrs, text in tree.all("p") if attrs.get("class") == "lead")
    parts = [best.standby, best.motor, best.linkage] if best.motor else [best.drive]
    largest = max((*filter(None, parts), best.transmission, best.seal), key=lambda part: part.value)
    for power in (best.input, best.pneumatic, largest, whatif(report.answer).gains[0].net_gain):
        assert f"{plus_minus(power)} W" in lead
    assert whatif(report.answer).gains[0].change in lead and lead.endswith(".") and lead.count(". ") == 0
    assert len(tree.all("svg")) == 1 and tree.all("svg")[0][0]["aria-label"].startswith("Streams")


def test_what_the_large_numbers_rest_on_stands_below_them():
    """The assumed share is the root of the sum of squares of the budget's assumed rows, here by hand."""
    report, page = unstated()
    names = {one.row.name for one in report.answer.assumptions}
    squares = sum(report.shares[name][report.answer.best_run] ** 2 for name in names & set(report.shares))
    assert f"±{watts(float(np.sqrt(squares)))} W of it by what is assumed" in parsed(page).words("dl")


def test_a_net_power_below_zero_is_said_in_the_opening():
    report = demo()[0]
    draws = dict(report.answer.draws)
    low = replace(report.answer, draws=draws | {"pneumatic": -np.abs(draws["pneumatic"])})
    assert "nothing of" in opening(low, whatif(report.answer)).sentence


def test_figures_sections_and_tables_fold_but_are_all_there():
    """What is folded is in the page as text; only what adds numbers is unfolded on paper."""
    tree = parsed(demo()[1])
    folds = {
        text: attrs.get("class") for (attrs, _), (_, text) in zip(tree.all("details"), tree.all("summary"), strict=True)
    }
    assert folds["Every run, part by part"] == "printed" and folds["Ceilings against frequency"] is None
    assert all("open" not in attrs for attrs, _ in tree.all("details"))


def test_every_run_stands_in_one_table():
    report, page = demo()
    answer = parsed(page[page.index('<section id="runs"') : page.index('<section id="comparison"')]).words("section")
    for run in report.runs:
        for number in (run.input, run.pneumatic, run.aftercooler_heat):
            assert plus_minus(number) in answer
        assert plus_minus(run.efficiency_ceiling, 100) in answer


def test_sections_stand_in_the_order_of_interest():
    heads = [text for _, text in parsed(demo()[1]).all("h2")]
    wanted = (
        "Answer,Runs,Comparison,What to change first,Temperatures,Witnesses,Losses,Findings,Uncertainty,Assumptions"
    )
    assert heads == [*wanted.split(","), "Cautions", "Provenance"]


def test_witnesses_stand_once_with_figures_and_verdict():
    report, page = demo()
    told = witnesses(report.answer, report.constants)
    section = page[page.index('<section id="witnesses"') : page.index('<section id="losses"')]
    tree = parsed(section)
    ((_, table),) = tree.all("table")
    for row in told.testimonies:
        assert row.witness in table and plus_minus(row.power) in " ".join(table.split())
    assert verdict_words(told) in tree.words("section") and "dial gauge" in tree.words("section")
    names = [attrs["aria-label"] for attrs, _ in tree.all("svg")]
    assert len(names) == 2 and names[0].startswith("The witnesses agree") and "φ = " in names[1]


@pytest.mark.parametrize("made", [ladder_alone, unstated])
def test_without_a_second_witness_the_page_says_nothing_of_any(made):
    page = made()[1]
    assert 'id="witnesses"' not in page and "#witnesses" not in page and "Indicator" not in page


def test_a_bench_without_cylinders_shows_its_drive_alone(tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    app = typer.Typer(rich_markup_mode=None)
    app.command()(command)
    target = tmp_path / "page.html"
    result = RUNNER.invoke(app, [str(drive_alone(DEMO, tmp_path / "drive")), "-o", str(target), "--draws", "200"])
    assert result.exit_code == 0, result.output
    page = target.read_text()
    heads = [text for _, text in parsed(page).all("h2")]
    assert "Losses" in heads and "Comparison" not in heads and "Runs" not in heads
    assert "Mean friction force" not in page


def test_the_drawing_is_of_the_run_with_the_highest_net_power():
    report, page = demo()
    best = max(report.runs, key=lambda run: run.pneumatic.value)
    assert report.runs[report.answer.best_run] == best
    flow = next(text for text in _svg_names(page) if text.startswith("Streams"))
    assert f"{best.frequency:.3g} Hz" in flow and best.cylinder in flow


def _svg_names(page: str) -> list[str]:
    return [attrs["aria-label"] for attrs, _ in parsed(page).all("svg")]


def test_flags_and_findings_are_told():
    report, page = demo()
    words = parsed(page).words()
    codes = {code for run in report.runs for code in run.flags}
    assert codes
    for code in codes:
        assert FLAGS[code].meaning in words and FLAGS[code].bias in words
    assert report.calibration.findings
    for finding in report.calibration.findings:
        assert finding.sentence in words


def test_every_standing_assumption_says_which_way_net_power_errs():
    report, page = demo()
    words = parsed(page).words()
    found = assumptions(report.calibration)
    assert len(found) >= 4
    for assumption in found:
        assert assumption.what in words and assumption.bias in words
        assert re.search(r"too high|too low|[Ee]ither way|No bias", assumption.bias)


@pytest.mark.parametrize("made", [demo, unstated])
def test_what_bench_toml_leaves_open_stands_once_in_one_table(made):
    report, page = made()
    section = page[page.index('<section id="assumptions"') : page.index('<section id="cautions"')]
    words = parsed(section).words("section")
    rows = [one for one in report.answer.assumptions if one.half_width > 0.01 * report.answer.assumptions[0].half_width]
    assert len(rows) >= 5 and len(parsed(section).all("table")) == 1
    for one in rows:
        for text in (*one.keys, one.row.range, one.row.moves, one.row.cure, watts(one.half_width)):
            assert text in words, text
    for one in report.answer.assumptions:
        assert one.row.name in words


def test_before_the_first_loaded_run_assumptions_stand_without_watts():
    report, page = ladder_alone()
    words = parsed(page).words()
    found = report.calibration.meters.assumptions(report.calibration.rig)
    assert "± net" not in words
    for keys, row in found:
        assert row.under_load or (row.range in words and keys[0] in words)


def test_where_the_load_loss_is_assumed_the_plain_subtraction_stands_under_the_net():
    report, page = unstated()
    best = report.runs[report.answer.best_run]
    assert f"at most {plus_minus(best.subtraction)} W" in parsed(page).words("dl")
    heads = [text for attrs, text in parsed(page).all("th") if attrs["scope"] == "col"]
    assert "At most [W]" in heads and "At most [W]" not in parsed(demo()[1]).words()


def test_a_flag_is_explained_once_in_the_text():
    report, page = unstated()
    for code in {code for run in report.runs for code in run.flags}:
        assert parsed(page).words("main").count(FLAGS[code].meaning) == 1


def _told(**changes) -> str:
    """Assumptions of the demo's calibration with some fields of it changed, as one text."""
    return " ".join(a.what + " " + a.bias for a in assumptions(replace(demo()[0].calibration, **changes)))


def test_standing_assumptions_follow_the_bench():
    rig = demo()[0].calibration.rig
    for name, route in ROUTES.items():
        assert ("incremental efficiency" in _told(route=route)) == (name in ("incremental", "unknown"))
    bare = {name: replace(cylinder, open_port_diameter=None) for name, cylinder in rig.cylinders.items()}
    assert "open port" in _told() and "open port" not in _told(rig=replace(rig, cylinders=bare))


def test_the_page_says_once_that_it_does_not_certify():
    words = parsed(demo()[1]).words()
    assert words.count("certify") == 1
    for sentence in CAUTIONS:
        assert sentence in words


def test_provenance_names_files_settings_and_program():
    report, page = demo()
    words = parsed(page).words()
    bench = report.bench
    for file in [DEMO / "bench.toml", *(DEMO / one.file for one in (*bench.sweeps, *bench.recordings))]:
        assert file.name in words and hashlib.sha256(file.read_bytes()).hexdigest() in words
    assert f"driveloss {version('driveloss')}" in words
    assert f"{report.calibration.draws} resamples with seed {report.calibration.seed}" in words
    assert "belt guard refitted" in words


def test_a_bench_without_loaded_runs_still_has_its_losses():
    words = parsed(ladder_alone()[1]).words()
    assert "No loaded run" in words and "Net pneumatic power" not in words
    assert [text for _, text in parsed(ladder_alone()[1]).all("h2")][:3] == ["Answer", "Comparison", "Losses"]


# --- one file, no strangers -------------------------------------------------------------------------------------


def test_nothing_is_fetched(page):
    for tag, attributes, *_ in parsed(page).elements:
        for key in ("src", "href", "xlink:href", "action", "srcset", "data", "poster"):
            if key in attributes:
                assert attributes[key].startswith(("#", "data:")), (tag, attributes)
    rules = parsed(page).words("style")
    assert "url(" not in rules and "@import" not in rules
    addresses = set(re.findall(r"https?://[^\"'\s<]+", page))
    assert addresses <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}  # names of languages


def test_text_from_the_bench_stays_text():
    report, page = hostile()
    tree = parsed(page)
    words = tree.words()
    for text in (TITLE, NAME, NOTE, SEAL):
        assert text in words
    assert [text for _, text in tree.all("h1")] == [TITLE]
    assert tree.all("title")[0][1].startswith(TITLE)
    assert not tree.all("b") and not tree.all("img")
    assert [attrs.get("type") for attrs, _ in tree.all("script")] == ["application/json", None]
    assert not [attrs for _, attrs, *_ in tree.elements if any(key.startswith("on") for key in attrs)]
    assert any(NAME in text for text in _svg_names(page))
    assert report.calibration.title == TITLE


def test_embedded_data_cannot_end_its_element():
    data = {"name": NOTE + "<!--<script>", "value": 1.5}
    text = str(embedded(data))
    assert not set("<>&") & set(text)
    assert json.loads(text) == data
    with pytest.raises(ValueError, match="not JSON compliant"):
        embedded({"value": float("nan")})


def test_the_policy_allows_the_page_s_own_script_and_no_other():
    """CSP Level 3 (W3C): a hash source allows exactly that inline script."""
    import base64

    tree = parsed(demo()[1])
    policy = next(a["content"] for a, _ in tree.all("meta") if a.get("http-equiv") == "Content-Security-Policy")
    script = next(text for attrs, text in tree.all("script") if "type" not in attrs)
    hashed = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{hashed}';" in policy and "default-src 'none'" in policy


def test_drawings_share_no_ids(page):
    ids = re.findall(r'\sid="([^"]*)"', page)
    assert len(ids) > 50 and len(ids) == len(set(ids))
    wanted = re.findall(r'(?:href="#|url\(#|aria-labelledby="|aria-describedby="|\sfor=")([^")]+)', page)
    assert set(wanted) <= set(ids)


PAINTS = re.compile(r"(?:fill|stroke): ([^;]+)")


def test_drawings_take_every_colour_from_the_page(page):
    """So that the dark scheme reaches them."""
    drawn = " ".join(re.findall(r"<svg.*?</svg>", page, re.DOTALL))
    assert not re.findall(r"#[0-9a-f]{6}\b|\brgb", drawn)
    rules = dict(re.findall(r"\.(d\d+) \{ ([^}]*) \}", parsed(page).words("style")))
    looks = set(re.findall(r'class="(\w+)"', drawn))
    assert looks and looks <= set(rules)
    assert all(re.fullmatch(r"none|var\(--f\w{6}\)", paint) for look in looks for paint in PAINTS.findall(rules[look]))
    wanted = set(re.findall(r"var\(--(f\w{6})\)", " ".join(rules.values())))
    assert wanted and wanted <= set(re.findall(r"--(f\w{6}):", parsed(page).words("style")))


def test_the_page_stays_below_a_megabyte(page):
    assert len(page.encode()) < 1_000_000


def test_figures_with_a_panel_a_cylinder_show_those_with_the_highest_net_power_alone(monkeypatch):
    report, whole = demo()
    monkeypatch.setattr("driveloss.report.plates.MOST", 1)
    named = '<svg aria-label="{}"></svg>'
    monkeypatch.setattr(svg, "svg_element", lambda figure, key, about, looks: named.format(escape(about)))
    page = report_page(report)
    best = report.runs[report.answer.best_run].cylinder
    told = f"Of {len(report.calibration.ranges)} cylinders the 1 with the highest net power; the tables have all."
    assert told in page and told not in whole
    (others,) = set(report.calibration.ranges) - {best}
    for name in ("Stacked bars", "Cold end below", "Mean seal friction force"):
        (shown,) = (text for text in _svg_names(page) if text.startswith(name))
        (every,) = (text for text in _svg_names(whole) if text.startswith(name))
        assert best in shown and others not in shown and others in every
    assert parsed(page).words("table").count(others) == parsed(whole).words("table").count(others)


def test_drawings_in_the_page_have_text_and_name_no_font(page):
    drawn = " ".join(re.findall(r"<svg.*?</svg>", page, re.DOTALL))
    assert drawn.count("<text") > 20 and "font-family" not in drawn


# --- for everybody ----------------------------------------------------------------------------------------------


def test_language_title_and_heads_in_order(page):
    """WCAG 1.3.1, 2.4.2, 3.1.1."""
    tree = parsed(page)
    assert tree.all("html")[0][0]["lang"] == "en"
    assert tree.all("title")[0][1].strip()
    levels = [int(tag[1]) for tag, *_ in tree.elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_tables_have_captions_and_heads_with_scope(page):
    """WCAG 1.3.1; techniques H39, H63."""
    tree = parsed(page)
    assert len(tree.all("caption")) == len(tree.all("table"))
    assert all(attrs["scope"] in ("col", "row") for attrs, _ in tree.all("th"))
    filled = [text for attrs, text in tree.all("th")]
    assert all(text.strip() for text in filled)


def test_drawings_have_names_and_controls_labels(page):
    """WCAG 1.1.1, 1.3.1, 4.1.2."""
    tree = parsed(page)
    svgs = tree.all("svg")
    assert svgs and all(attrs["role"] == "img" and len(attrs["aria-label"]) > 30 for attrs, _ in svgs)
    labelled = {attrs["for"] for attrs, _ in tree.all("label")}
    controls = {attrs["id"] for tag in ("input", "select") for attrs, _ in tree.all(tag)}
    assert controls == labelled
    for _, attrs, *_ in tree.elements:
        if attrs.get("role") == "region":
            assert attrs.get("aria-label") or attrs.get("aria-labelledby")


def test_without_its_script_the_page_hides_the_control(page):
    tree = parsed(page)
    assert "hidden" in tree.all("form")[0][0]
    assert "No-load losses" in tree.words()


def test_a_keyboard_may_skip_to_the_answer(page):
    """WCAG 2.4.1."""
    first = next((attrs for tag, attrs, *_ in parsed(page).elements if tag == "a"))
    assert first["href"] == "#main" and 'id="main"' in page


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb, WCAG 2.2, definition."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_computed_as_the_standard_does():
    """WCAG 2.2: from 1 to 21. #767676 on white just passes 4.5:1 (from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#123456", "#123456") == 1
    assert contrast("#767676", "#ffffff") > 4.5 > contrast("#777777", "#ffffff")


def _schemes() -> dict[str, dict[str, str]]:
    style = parsed(demo()[1]).words("style")
    light, dark = (dict(re.findall(r"--(\w+): (#\w{6});", block)) for block in re.findall(r":root \{(.*?)\}", style))
    assert set(light) == set(dark) and len(light) > 20
    return {"light": light, "dark": dark}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "shade"])
def test_colours_contrast_enough(scheme, ground):
    """WCAG 1.4.3 text 4.5:1; 1.4.11 and 2.4.11 edges of controls and focus 3:1."""
    colours = _schemes()[scheme]
    for text in ("ink", "quiet", "link", "alarm"):
        assert contrast(colours[text], colours[ground]) >= 4.5, text
    for edge in ("edge", "link"):
        assert contrast(colours[edge], colours[ground]) >= 3, edge


def test_only_the_scheme_s_colours_are_used():
    style = re.sub(r":root \{.*?\}", "", parsed(demo()[1]).words("style"))
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b(?![\w-]*\s*\{)", style)
    assert not re.findall(r"(?:color|background):\s*(?!var|inherit)\w", style)


# --- the table behind the control -------------------------------------------------------------------------------


def _interpolated(grid: dict, values: list[float], frequency: float) -> float:
    """A cubic in ln f through the four grid points about a frequency, by SciPy."""
    at = np.log(grid["frequency"]["first"]) + STEP * np.arange(grid["frequency"]["count"])
    from_ = int(np.clip(np.searchsorted(at, np.log(frequency)) - 2, 0, len(at) - 4))
    part = slice(from_, from_ + 4)
    return float(BarycentricInterpolator(at[part], values[part])(np.log(frequency)))


@pytest.mark.parametrize("family", ["physical", "polynomial"])
def test_interpolation_agrees_with_the_losses(family):
    """Values to 1e-5. Ends to 0.1 % of the loss, or to 4 % of the half-width, of which two digits are printed."""
    saved = demo()[0].calibration
    calibration = saved if family == saved.family else calibrate(demo()[0].bench, family, draws=saved.draws)
    grid = loss_grid(calibration)
    low, high = grid_frequencies(calibration)[[0, -1]]
    checked = 0
    for frequency in np.random.default_rng(3).uniform(low, high, 12):
        rows = losses(calibration, [frequency])
        for row, series in zip(rows, grid["series"], strict=True):
            assert row.cylinder == series["cylinder"]
            for name, columns in series["parts"].items():
                part = getattr(row, name)
                assert (part is None) == (columns is None)
                for end, values in zip(("value", "low", "high"), columns or (), strict=part is not None):
                    exact = getattr(part, end)
                    error = abs(_interpolated(grid, values, frequency) - exact)
                    size = abs(part.value)
                    allowed = 1e-5 * size if end == "value" else max(1e-3 * size, 0.04 * part.half_width)
                    assert error <= allowed, (frequency, name, end)
                    checked += 1
    assert checked > 500


def test_the_grid_knows_where_it_extrapolates():
    report = demo()[0]
    for series in loss_grid(report.calibration)["series"]:
        for end, outwards in zip(series["calibrated"], (-1, 1), strict=True):
            for step, outside in ((1e-6 * outwards, True), (-1e-6 * outwards, False)):
                found = report.calibration.is_extrapolated(end * (1 + step), series["cylinder"])
                assert found is outside


def test_pressures_of_loaded_runs_are_offered_and_flagged():
    report = demo()[0]
    offered = loss_grid(report.calibration, report.runs)["series"]
    extra = len(offered) - len(loss_grid(report.calibration)["series"])
    unknown = {run.cylinder for run in report.runs if "pressure-not-calibrated" in run.flags}
    flagged = [s for s in offered if any(FLAGS["pressure-not-calibrated"].meaning in text for text in s["flags"])]
    assert extra == len(unknown) == len(flagged) == 1
    assert {series["cylinder"] for series in flagged} == unknown


# --- the command ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def app():
    made = typer.Typer()
    made.command()(command)
    return made


def test_the_command_writes_the_page_and_the_same_each_time(app, tmp_path):
    target = tmp_path / "out.html"
    result = RUNNER.invoke(app, [str(DEMO), "--output", str(target), "--draws", "200", "--json"])
    assert result.exit_code == 0, result.output
    data = json.loads(result.stdout)
    assert data["schema"] == "driveloss.breakdown/1" and len(data["runs"]) == len(demo()[0].runs)
    assert target.read_text(encoding="utf-8") == demo()[1]
    assert "out.html" in result.stderr.replace("\n", "")
    assert [path.name for path in tmp_path.iterdir()] == ["out.html"]


def test_the_command_refuses_without_leaving_a_file(app, tmp_path):
    result = RUNNER.invoke(app, [str(DEMO), "--family", "phisical", "--output", str(tmp_path / "out.html")])
    assert result.exit_code == 2 and "did you mean 'physical'" in result.stderr
    result = RUNNER.invoke(app, [str(DEMO), "--draws", "200", "--output", str(tmp_path / "none" / "out.html")])
    assert result.exit_code == 2 and "cannot be written" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_the_page_s_files_are_shipped_with_the_package():
    from importlib.resources import files

    names = {entry.name for entry in files("driveloss.report").iterdir()}
    assert {"page.html.j2", "style.css", "control.js"} <= names


def test_a_polynomial_page_says_so(tmp_path):
    page = report_page(asked(load_bench(drive_alone(DEMO, tmp_path / "drive")), "polynomial"))
    assert "polynomial family" in parsed(page).words()


def test_a_bench_without_a_title_is_named_by_its_folder(tmp_path):
    bench = load_bench(drive_alone(DEMO, tmp_path / "drive"))
    report = asked(replace(bench, rig=replace(bench.rig, title="")))
    assert parsed(report_page(report)).all("h1")[0][1] == bench.folder.name == "drive"
