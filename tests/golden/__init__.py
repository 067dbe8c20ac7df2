"""The tables printed for the demo bench at 80 columns, kept as text beside this file (regression).

When a table changes on purpose, look at the difference and write the files anew:

    PYTHONPATH=tests python -m golden

Digits hang on the resampling, whose last one may differ between NumPy and SciPy releases and processors. So
words, row labels and layout must agree exactly or nearly so, numbers within their last digits.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from cli.running import DEMO, typed

HERE = Path(__file__).parent
COLUMNS = 80
COMMANDS = {
    "calibrate": ("calibrate", DEMO, "-o", "{saved}"),
    "losses": ("losses", "{saved}", "--at", "7.5", "--at", "12"),
    "breakdown": ("breakdown", DEMO, "--calibration", "{saved}"),
}
NUMBER = re.compile(r"(?P<before>[(±\[]*)(?P<number>[-−+]?\d+(?:\.\d+)?)(?P<after>[)\],%*]*)")
RULE = re.compile("─+")
SLIDE = 3  # columns that a token may move where a number beside it gains or loses a digit
VALUE, HALF_WIDTH = 0.02, 0.15  # relative; 2000 draws know a 95 % half-width within some 4 % (two sigma)
LAST_DIGITS = 2


def printed(name: str, saved: Path) -> str:
    """Standard output of one command; `saved` is where the calibration is kept in between."""
    words = (str(word).replace("{saved}", str(saved)) for word in COMMANDS[name])
    outcome = typed(*words, columns=COLUMNS)
    assert outcome.code == 0, outcome.err
    return "".join(f"{line.rstrip()}\n" for line in outcome.out.splitlines())


def differences(expected: str, found: str) -> list[str]:
    """What a reader would call another table: a sentence for each line that differs."""
    old, new = expected.splitlines(), found.splitlines()
    wrong = [] if len(old) == len(new) else [f"expected {len(old)} lines, found {len(new)}"]
    for number, (line, other) in enumerate(zip(old, new, strict=False), start=1):
        if not _same_line(line, other):
            wrong.append(f"line {number}: expected {line!r}, found {other!r}")
    return wrong


def _same_line(line: str, other: str) -> bool:
    old, new = list(_tokens(line)), list(_tokens(other))
    return len(old) == len(new) and all(
        _same_place(a, b) and _same_token(a.group(), b.group(), opens=i == 0)
        for i, (a, b) in enumerate(zip(old, new, strict=True))
    )


def _tokens(line: str) -> Iterator[re.Match[str]]:
    return re.finditer(r"\S+", line)


def _same_place(a: re.Match[str], b: re.Match[str]) -> bool:
    return min(abs(a.start() - b.start()), abs(a.end() - b.end())) <= SLIDE


def _same_token(old: str, new: str, opens: bool) -> bool:
    """`opens`: the token is the first of its line; a number there is a row's label unless it is a half-width."""
    if RULE.fullmatch(old) and RULE.fullmatch(new):
        return abs(len(old) - len(new)) <= SLIDE
    a, b = NUMBER.fullmatch(old), NUMBER.fullmatch(new)
    if a is None or b is None or (opens and "±" not in old):
        return old == new
    return (a["before"], a["after"]) == (b["before"], b["after"]) and _near(a["number"], b["number"], "±" in old)


def _near(old: str, new: str, is_half_width: bool) -> bool:
    relative = HALF_WIDTH if is_half_width else VALUE
    x, y = (float(text.replace("−", "-")) for text in (old, new))
    places = min(len(text.partition(".")[2]) for text in (old, new))
    last = LAST_DIGITS * 10.0**-places if places or is_half_width else 0.0
    return abs(x - y) <= max(relative * abs(x), last) * (1 + 1e-9)
