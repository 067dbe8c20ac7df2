"""The text of a CSV file: delimiter, header cells and rows of cells, with their line numbers."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from pathlib import Path

from driveloss.bench.quantity import NUMBER
from driveloss.bench.units import shown
from driveloss.errors import InputError, NoReadingsError

EXPECTED_HEADER = "expected a header line such as 'frequency [Hz],power [W]'"
_DELIMITERS = "\t;,"  # in the order of preference where counts are equal
_DELIMITER_NAMES = {"\t": "tab", ";": "semicolon", ",": "comma"}


@dataclass(frozen=True, slots=True)
class TextRow:
    """The cells of one line of readings."""

    line: int
    cells: list[str]


@dataclass(frozen=True, slots=True)
class CsvTable:
    """One file as text: every row has as many cells as there are headings."""

    name: str
    delimiter: str
    header_line: int
    headings: list[str]
    rows: list[TextRow]

    def where(self, line: int, heading: str = "") -> str:
        """File, line and column, to start a message with."""
        column = f", column '{shown(heading)}'" if heading else ""
        return f"{self.name}, line {line}{column}"


def read_table(data: bytes, name: str) -> CsvTable:
    """Take the bytes of a file apart. InputError: binary, empty, no header, no rows, a ragged row."""
    delimiter, lines = _delimiter(_content_lines(_decode(data, name)), name)
    header_line, headings = _headings(lines, delimiter, name)
    return CsvTable(name, delimiter, header_line, headings, _rows(lines[1:], len(headings), delimiter, name))


def read_bytes(path: Path, name: str) -> bytes:
    if path.is_dir():
        raise InputError(f"{name}: expected a file of readings, found a folder")
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"{name}: there is no such file at {path}") from None
    except OSError as error:
        raise InputError(f"{name}: cannot be read: {error.strerror}") from error


def _decode(data: bytes, name: str) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(f"{name}: expected UTF-8 text, read UTF-16; save it as 'CSV UTF-8'")
    if b"\0" in data:
        line = data[: data.index(b"\0")].count(b"\n") + 1
        raise InputError(f"{name}, line {line}: expected a text file (CSV), read binary data")
    return utf8(data, name, "; save it as UTF-8")


def utf8(data: bytes, name: str, advice: str = "") -> str:
    """Bytes as text. InputError: they are no UTF-8."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        read = f"byte 0x{data[error.start]:02x}{advice}"
        raise InputError(f"{name}, line {line}: expected UTF-8 text, read {read}") from error


def _content_lines(text: str) -> list[tuple[int, str]]:
    """Numbered lines without blank ones and comments (a spreadsheet puts quotes round some comments)."""
    numbered = enumerate(re.split(r"\r\n|\n|\r", text), start=1)
    return [(n, line) for n, line in numbered if line.strip() and not line.lstrip().startswith(("#", '"#'))]


def _delimiter(lines: list[tuple[int, str]], name: str) -> tuple[str, list[tuple[int, str]]]:
    """The delimiter, from a spreadsheet's 'sep=;' line or else from the header line."""
    announced = re.fullmatch(r"\s*\"?sep=([\t;,])\"?\s*", lines[0][1], re.IGNORECASE) if lines else None
    if announced:
        lines = lines[1:]
    if not lines:
        raise InputError(f"{name}: the file is empty; {EXPECTED_HEADER}")
    if announced:
        return announced[1], lines
    outside_units = re.sub(r"\[[^\]]*\]", "", lines[0][1])
    best = max(_DELIMITERS, key=outside_units.count)
    # One column only: any but the comma, which may then be the decimal mark.
    return (best if best in outside_units else ";"), lines


def _cells(line: str, number: int, delimiter: str, name: str) -> list[str]:
    try:
        cells = next(csv.reader([line], delimiter=delimiter, strict=True))
    except (csv.Error, StopIteration) as error:
        raise InputError(f"{name}, line {number}: a quoted cell does not end on its line ({error})") from error
    return [cell.strip() for cell in cells]


def _without_empty_tail(cells: list[str], at_least: int = 0) -> list[str]:
    """Spreadsheets pad short lines with empty cells."""
    end = len(cells)
    while end > at_least and not cells[end - 1]:
        end -= 1
    return cells[:end]


def _headings(lines: list[tuple[int, str]], delimiter: str, name: str) -> tuple[int, list[str]]:
    number, line = lines[0]
    headings = _without_empty_tail(_cells(line, number, delimiter, name))
    if not headings or any(NUMBER.fullmatch(cell.replace(",", ".")) for cell in headings):
        raise InputError(f"{name}, line {number}: {EXPECTED_HEADER}, read '{shown(line)}'")
    return number, headings


def _rows(lines: list[tuple[int, str]], width: int, delimiter: str, name: str) -> list[TextRow]:
    rows = []
    for number, line in lines:
        cells = _without_empty_tail(_cells(line, number, delimiter, name), at_least=width)
        if not any(cells):
            continue  # a spreadsheet's blank line: delimiters only
        if len(cells) != width:
            raise InputError(
                f"{name}, line {number}: expected {width} cells as in the header line, read {len(cells)} in "
                f"'{shown(line)}' (delimiter: {_DELIMITER_NAMES[delimiter]})"
            )
        rows.append(TextRow(number, cells))
    if not rows:
        raise NoReadingsError(f"{name}: expected at least one line of readings below the header, read none")
    return rows
