"""`driveloss batch` as a user types it, and the page that it writes."""

import csv
import json
import sys
from base64 import b64encode
from hashlib import sha256
from html import escape
from io import StringIO
from pathlib import Path
from shutil import copytree
from tempfile import TemporaryDirectory

import pytest
from cli.running import QUICK, typed

from batch.floors import GOOD, in_this_process, quickly, spoil
from driveloss.batch.ask import Batch
from driveloss.batch.page import summary_page
from driveloss.batch.results import line
from driveloss.batch.run import failed

sys.path.insert(0, str(Path(__file__).parents[1] / "browser"))
import chromium

NASTY = """wi"de' </script><img src=x onerror=alert(1)> {{ 7*7 }}"""
SMALLER, LARGER = 4.0, 9.0  # [W]


@pytest.fixture(scope="module")
def two(floor):
    """The floor done in this process: test_batch has two."""
    with in_this_process():
        return quickly([floor])


@pytest.fixture
def results(two, tmp_path):
    path = tmp_path / "results.jsonl"
    path.write_text("".join(map(line, two.benches)), encoding="utf-8")
    return path


def asked(floor, results, *words):
    return typed("batch", floor, *QUICK, "--results", results, *words)


# --- the command ------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("here")
def test_all_done_is_0_and_one_failed_is_1(floor, results, tmp_path):
    whole = asked(floor, results)
    assert whole.code == 0 and "Benches: 4, 4 done, 4 of them before, 0 failed." in whole.out
    folder = copytree(floor, tmp_path / "floor")
    spoil(folder / "first")
    told = asked(folder, results)
    assert told.code == 1
    words = " ".join(told.out.split())
    assert "3 done, 3 of them before, 1 failed" in words and "expected a value between 0.001 and 1 m" in words


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--output", "summary.txt"), "--output: expected a name that ends in .html, read 'summary.txt'"),
        (("--workers", "2", "--scheduler", "tcp://x:1"), "--workers: read 2, expected none"),
        (("--results", "nowhere/results.jsonl"), "cannot be written"),
        (("--json", "--csv"), "expected one of them"),
    ],
)
def test_wrong_usage_is_2(floor, words, message):
    told = typed("batch", floor, *words)
    assert told.code == 2 and message in told.err


def test_no_bench_is_2(tmp_path):
    told = typed("batch", tmp_path)
    assert told.code == 2 and "expected a bench.toml" in told.err


def test_json_is_one_line_a_bench(floor, results, two):
    told = asked(floor, results, "--json")
    assert [json.loads(line) for line in told.out.splitlines()] == list(two.benches)
    assert "Best run of each bench" in told.err


def test_csv_is_one_row_a_bench_with_numbers(floor, results, two):
    told = asked(floor, results, "--csv")
    rows = list(csv.DictReader(StringIO(told.out)))
    assert [row["path"] for row in rows] == [row["path"] for row in two.benches]
    for row, bench in zip(rows, two.benches, strict=True):
        (seal,) = bench["seals"]
        assert float(row["pneumatic_low_W"]) == bench["pneumatic_W"]["low"]
        assert float(row["lip_force_u_N_per_m"]) == seal["lip_force_N_per_m"]["u"]
        assert (row["doubt"], row["error"]) == (bench["doubt"]["source"], "")


def test_csv_of_several_cylinders_is_joined(two):
    row = two.benches[0]
    twice = Batch((row | {"seals": row["seals"] * 2},)).rows()[0]
    assert twice["lip_force_N_per_m"] == [row["seals"][0]["lip_force_N_per_m"]["value"]] * 2


# --- the page ---------------------------------------------------------------------------------------------------


def changed(row, path, net):
    return row | {"path": path, "pneumatic_W": {**row["pneumatic_W"], "value": net}}


@pytest.fixture
def answer(two):
    """Names that want to break out, a bench without a loaded run, one that failed."""
    row = two.benches[0]
    nasty = changed(row, NASTY, LARGER) | {"title": NASTY, "cylinder": NASTY}
    nasty["seals"] = [seal | {"cylinder": NASTY} for seal in row["seals"] * 2]
    unloaded = dict.fromkeys(("pneumatic_W", "efficiency_ceiling", "input_W", "frequency_Hz", "doubt"))
    return Batch((nasty, changed(row, "b", SMALLER), row | {"path": "c"} | unloaded, failed(NASTY, f"{NASTY}: no")))


def test_the_command_writes_the_page(floor, results, tmp_path, two):
    page = tmp_path / "summary.html"
    assert [asked(floor, results, "-o", page).code for _ in range(2)] == [0, 0]  # over itself, too
    text = page.read_text(encoding="utf-8")
    assert all(escape(row["path"]) in text for row in two.benches) and len(GOOD) == text.count("<th scope=row")


def test_names_cannot_break_out_of_the_page(answer):
    page = summary_page(answer)
    assert "<img" not in page and "onerror=alert(1)&gt;" in page and "{{ 7*7 }}" in page


def test_only_its_own_script_may_run_and_nothing_is_fetched(answer):
    page = summary_page(answer)
    script = page.split("<script>")[1].split("</script>")[0]
    assert f"script-src 'sha256-{b64encode(sha256(script.encode()).digest()).decode()}'" in page
    assert "default-src 'none'" in page and "http" not in page.replace("http-equiv", "")


def test_a_page_without_any_bench_that_could_be_done():
    page = summary_page(Batch((failed("a", "no"),)))
    assert '<h2 id="failed-head">' in page and '<table id="benches">' not in page


@pytest.mark.skipif(chromium.PROGRAM is None, reason="needs Debian's package chromium")
def test_the_table_sorts_by_the_head_that_is_pressed(answer, tmp_path):
    """What is not known comes last, both ways; WAI-ARIA 1.2, aria-sort."""
    path = tmp_path / "page.html"
    path.write_text(summary_page(answer), encoding="utf-8")
    first = "[...document.querySelectorAll('#benches tbody tr')].map((row) => row.cells[0].innerText.slice(0, 2))"
    with TemporaryDirectory(prefix="driveloss-browser-", ignore_cleanup_errors=True) as folder:
        tab = chromium.Page(Path(folder))
        try:
            tab.open(path)
            assert tab.run(first) == ["wi", "b", "c"]
            for order, word in ((["b", "wi", "c"], "ascending"), (["wi", "b", "c"], "descending")):
                tab.run("[...document.querySelectorAll('thead button')].find((x) => x.innerText === 'Net [W]').click()")
                assert tab.run(first) == order
                assert tab.run(f"document.querySelectorAll('[aria-sort={word}]').length") == 1
            assert tab.complaints == []
        finally:
            tab.close()
