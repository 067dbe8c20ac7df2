"""The text of a CSV file: delimiter, header cells and rows of cells, with their line numbers."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from stat import S_ISDIR, S_ISREG

from driveloss.bench.quantity import AS_TYPED, NUMBER
from driveloss.bench.units import shown
from driveloss.errors import InputError, NoReadingsError

EXPECTED_HEADER = "expected a header line such as 'frequency [Hz],power [W]'"
_DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma"}  # in the order of preference where counts are equal
_GROUPED = re.compile(r"[+-]?\d{1,3}(?: \d{3})+(?!\d).*")  # 12 500,5 with a space that does not break
_ANNOUNCED = re.compile(r"\s*\"?sep=([\t;,])\"?\s*", re.IGNORECASE)  # a spreadsheet's own first line


_SPREADSHEETS = {  # by their first bytes, whatever the file is called
    b"PK\x03\x04": "a zip archive, as spreadsheets write .xlsx and .ods",
    b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1": "an old office file, as spreadsheets write .xls",
}
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_UNIT_ABOVE = re.compile(r"[^\W\d][^\[\]()]*(?:\[[^\[\]]*\]|\([^()]*\))")  # a column's heading: name [unit]
MOST_BYTES = 20_000_000  # of a file of readings
MOST_LINES = 200_000  # of a recording; sweeps have fewer
LONGEST_LINE = 5000  # characters
LONGEST_HEADING = 200
MOST_COLUMNS = 200
_TITLES = 4  # lines above the header among which one is looked for


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


@dataclass(frozen=True, slots=True)
class _Line:
    """A line that says something, and where it stands."""

    file: str
    number: int
    text: str

    def refusal(self, reason: str) -> InputError:
        return InputError(f"{self.file}, line {self.number}: {reason}")

    def cells(self, delimiter: str, at_least: int = 0) -> list[str]:
        """Its cells without empty ones at the end, with which spreadsheets pad short lines."""
        try:
            cells = [cell.strip() for cell in next(csv.reader([self.text], delimiter=delimiter, strict=True))]
        except (csv.Error, StopIteration) as error:
            raise self.refusal(f"a quoted cell does not end on its line ({error})") from error
        while len(cells) > at_least and not cells[-1]:
            cells.pop()
        return cells

    def width(self, delimiter: str) -> int:
        """Number of its cells, empty ones at the end included."""
        return len(next(csv.reader([self.text], delimiter=delimiter)))


def read_table(data: bytes, name: str, most_lines: int = MOST_LINES) -> CsvTable:
    """Take the bytes of a file apart. InputError: binary, empty, no header, no rows, a ragged row, or too much."""
    _check_lines(data, name, most_lines)
    lines = _content_lines(_decode(data, name), name)
    announced = _ANNOUNCED.fullmatch(lines[0].text) if lines else None
    if announced:
        del lines[0]
    if not lines:
        raise InputError(f"{name}: the file is empty; {EXPECTED_HEADER}")
    header = lines[0]
    _check_title(lines)
    delimiter = announced[1] if announced else _delimiter(header.text)
    headings = header.cells(delimiter)
    if not headings or any(NUMBER.fullmatch(cell.replace(",", ".")) for cell in headings):
        raise header.refusal(f"{EXPECTED_HEADER}, read '{shown(header.text)}'")
    _check_headings(header, headings)
    most = header.width(delimiter)
    rows = [
        TextRow(line.number, cells) for line in lines[1:] if any(cells := _row(line, delimiter, len(headings), most))
    ]
    if not rows:
        raise NoReadingsError(f"{name}: expected at least one line of readings below the header, read none")
    return CsvTable(name, delimiter, header.number, headings, rows)


def _check_lines(data: bytes, name: str, most: int) -> None:
    """Refuse too many lines before any of them is taken apart."""
    found = max(data.count(b"\n"), data.count(b"\r"))
    if found > most:
        raise InputError(f"{name}: expected no more than {most} lines, read {found}")


def _check_headings(header: _Line, headings: list[str]) -> None:
    if len(headings) > MOST_COLUMNS:
        raise header.refusal(f"expected no more than {MOST_COLUMNS} columns, read {len(headings)}")
    longest = max(headings, key=len)
    if len(longest) > LONGEST_HEADING:
        raise header.refusal(f"expected headings of no more than {LONGEST_HEADING} characters, read '{shown(longest)}'")


def _check_title(lines: list[_Line]) -> None:
    """Refuse lines above the one that heads the columns: it has more names with units than they have."""
    titled = _headed_columns(lines[0])
    header = next((line for line in lines[1 : 1 + _TITLES] if _headed_columns(line) > titled), None)
    if header is not None and titled <= 1:
        raise lines[0].refusal(
            f"looks like a title: expected the header row name [unit], as in line {header.number}; begin what stands "
            f"above that with # or delete it, read '{shown(lines[0].text)}'"
        )


def _headed_columns(line: _Line) -> int:
    """How many cells are a name with a unit; none in a line that holds a number, as readings do."""
    cells = [cell.strip(' "') for cell in line.text.split(_delimiter(line.text))]
    if any(NUMBER.fullmatch(cell.replace(",", ".")) for cell in cells):
        return 0
    return sum(_UNIT_ABOVE.fullmatch(cell) is not None for cell in cells)


def plain_number(text: str, delimiter: str) -> str:
    """A number as Python writes it: true minus signs, spaces that group digits, the decimal comma.

    >>> plain_number("\u221212\u202f500,5", ";")
    '-12500.5'
    """
    plain = text
    if not text.isascii():
        spaced = re.sub(r"^\u2013(?=[\d.,])", "-", text).translate(AS_TYPED)
        plain = spaced.replace(" ", "") if _GROUPED.fullmatch(spaced) else spaced
    return plain.replace(",", ".") if delimiter != "," else plain


def read_bytes(path: Path, name: str, most: int = MOST_BYTES) -> bytes:
    """What a plain file holds. InputError: there is none, it cannot be read, or holds more than `most` bytes."""
    try:
        check_plain(path, name)
        with path.open("rb") as file:
            data = file.read(min(path.stat().st_size, most) + 1)
    except FileNotFoundError:
        raise InputError(f"{name}: there is no such file at {path}") from None
    except OSError as error:
        raise InputError(f"{name}: cannot be read: {error.strerror}") from error
    if len(data) > most:
        raise InputError(f"{name}: expected no more than {most / 1e6:g} MB, read more")
    return data


def check_plain(path: Path, name: str) -> None:
    """Raises InputError for a folder, and for a pipe or a device, which may never end; OSError where none is."""
    mode = path.stat().st_mode
    if S_ISDIR(mode):
        raise InputError(f"{name}: expected a file of readings, found a folder")
    if not S_ISREG(mode):
        raise InputError(f"{name}: expected a plain file, found a pipe or a device")


def _decode(data: bytes, name: str) -> str:
    for start, what in _SPREADSHEETS.items():
        if data.startswith(start):
            raise InputError(f"{name}: expected a text file (CSV), read {what}: open it there and save as CSV (UTF-8)")
    if b"\0" in data and not _is_utf16(data):
        line = data[: data.index(b"\0")].count(b"\n") + 1
        raise InputError(f"{name}, line {line}: expected a text file (CSV), read binary data")
    return utf8(data, name, "; save it as 'CSV UTF-8'")


def _is_utf16(data: bytes) -> bool:
    """By its mark, or by a zero beside every letter."""
    start = data[:200]
    return data.startswith(_UTF16) or (len(start) > 3 and _alternate(start))


def _alternate(data: bytes) -> bool:
    return any(not any(data[i::2]) and all(data[1 - i :: 2]) for i in (0, 1))


def utf8(data: bytes, name: str, advice: str = "; save it as UTF-8") -> str:
    """Bytes as text. InputError: they are no UTF-8."""
    if _is_utf16(data):
        raise InputError(f"{name}: expected UTF-8 text, read UTF-16{advice}")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        read = f"byte 0x{data[error.start]:02x}{advice}"
        raise InputError(f"{name}, line {line}: expected UTF-8 text, read {read}") from error


def _content_lines(text: str, name: str) -> list[_Line]:
    """The lines without blank ones and comments (a spreadsheet puts quotes round some comments)."""
    lines = list(enumerate(re.split(r"\r\n|\n|\r", text), start=1))
    check_length(lines, name, LONGEST_LINE)
    return [_Line(name, n, line) for n, line in lines if line.strip() and not line.lstrip().startswith(("#", '"#'))]


def check_length(lines: Iterable[tuple[int, str]], name: str, longest: int) -> None:
    """Refuse numbered lines with more characters than anybody types."""
    for number, line in lines:
        if len(line) > longest:
            raise InputError(
                f"{name}, line {number}: expected no more than {longest} characters in a line, read {len(line)}"
            )


def _delimiter(header: str) -> str:
    outside_units = re.sub(r"\[[^\]]*\]", "", header)
    for mark in "\t;":
        cells = outside_units.split(mark)
        if len(cells) > 1 and max(cell.count(",") for cell in cells) <= 1:
            return mark  # a comma then stands between name and unit: "frequency, Hz;power, W"
    best = max(_DELIMITERS, key=outside_units.count)
    return best if best in outside_units else ";"  # one column only: a comma may then be the decimal mark


def _row(line: _Line, delimiter: str, width: int, most: int) -> list[str]:
    """As many cells as there are headings, or nothing but empty ones: a spreadsheet's blank line.

    most: cells of the header line with its empty ones. A row with more holds a delimiter that the header lacks, which
    may be a decimal comma ("180,4,5,21,," under four headings).
    """
    cells = line.cells(delimiter, at_least=width)
    if any(cells) and line.width(delimiter) > most >= len(cells):
        raise line.refusal(
            f"expected no more delimiters than in the header line, read '{shown(line.text)}'; is a decimal comma among "
            f"them? (delimiter: {_DELIMITERS[delimiter]})"
        )
    if any(cells) and len(cells) != width:
        raise line.refusal(
            f"expected {width} cells as in the header line, read {len(cells)} in '{shown(line.text)}' "
            f"(delimiter: {_DELIMITERS[delimiter]})"
        )
    return cells
