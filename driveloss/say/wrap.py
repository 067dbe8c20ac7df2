"""Text broken into lines where a reader would break it: never inside a number, nor between it and its ± or unit."""

from __future__ import annotations

import re

TIED = "\N{NO-BREAK SPACE}"
UNITS = "W|Hz|bar|mbar|K|°C|%|N m/A|N m|N/m|N/bar|N|m/s|mm|m|A|V|ohm|kPa|J|g|s|min|h|deg|degrees|K/W|points"
TIES = re.compile(rf"(?<=[\d)]) (?=(?:±|×|(?:{UNITS})(?!\w)))|(?<=[\[\d],) (?=-?[\d.]+\])|(?<=[-+−±]) (?=\d)")
HYPHENS = re.compile(r"(?<=[^\W\d]{2}-)(?=[^\W\d]{2})")
ONE_COLUMN_EACH = re.compile(r"[ -~\u00a0-\u02ff\u0370-\u0482\u2010-\u2026\u207b\u2212\u2500-\u257f]*")
STOPS = re.compile(r"(?<=\.)(?=[^\W\d])")  # within a key of bench.toml


def tied(text: str) -> str:
    """Text whose numbers hold on to their ± and units.

    >>> tied("10 ±1 W of 2.5 W [2.4, 2.6]").split(" ")
    ['10\\xa0±1\\xa0W', 'of', '2.5\\xa0W', '[2.4,\\xa02.6]']
    """
    return TIES.sub(TIED, text)


def pieces(text: str, breaks: re.Pattern[str] | None = None) -> list[str]:
    """What may stand on lines of its own; a space behind a piece belongs to it. breaks: other places to break at.

    >>> pieces("up to 2 bar")
    ['up ', 'to ', '2\\xa0bar']
    """
    words = re.findall(r"[^ ]+ *| +", tied(text))
    return words if breaks is None else [piece for word in words for piece in breaks.split(word)]


def wrapped(text: str, width: int, breaks: re.Pattern[str] | None = None, hang: int = 0) -> list[str]:
    """Lines of at most `width` columns, the later ones set in by `hang`; only what is longer than a line is cut.

    >>> wrapped("the seal takes 2.5 ±0.3 W of 10 W", 20)
    ['the seal takes', '2.5 ±0.3 W of 10 W']
    """
    lines: list[str] = []
    for part in text.split("\n"):
        lines += _filled(pieces(part, breaks), width, hang)
    return [line.replace(TIED, " ").rstrip() for line in lines]


def _filled(found: list[str], width: int, hang: int) -> list[str]:
    lines = [""]
    for piece in found:
        if lines[-1].strip() and columns(lines[-1] + piece.rstrip()) > width:
            lines.append(" " * hang)
        rest = piece
        while columns(lines[-1] + rest.rstrip()) > width > hang:
            room = width - columns(lines[-1])
            lines[-1] += rest[:room]
            rest = rest[room:]
            lines.append(" " * hang)
        lines[-1] += rest
    return lines


def columns(text: str) -> int:
    """How many columns of a terminal one line of text takes."""
    if text.isascii() or ONE_COLUMN_EACH.fullmatch(text):
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)
