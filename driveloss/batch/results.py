"""The file that a batch can be resumed from: JSON lines, one a bench, each appended whole."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from functools import partial
from pathlib import Path

from driveloss.batch.run import EMPTY, MADE_BY, SCHEMA, Row, Task
from driveloss.bench.units import shown
from driveloss.errors import InputError, OutputError

LONGEST = 1_000_000  # bytes of a line
START = f'{{"schema": "{SCHEMA}"'.encode()


def line(row: Row) -> str:
    """A row as one line of JSON; never a bare NaN."""
    return json.dumps(row, allow_nan=False) + "\n"


class Results:
    """Rows by all that they follow from; with a path, kept there too."""

    def __init__(self, path: Path | None = None) -> None:
        """Read what is there; a last line that was torn off is dropped. Raises InputError for another kind of file."""
        self.path = path
        self.rows: dict[tuple[object, ...], Row] = {}
        if path is not None and path.exists():
            self._read(path)

    def find(self, task: Task) -> Row | None:
        """The row of a bench that was done before from the same files, in the same way, by the same version."""
        row = self.rows.get(_key(task.made_by))
        return None if row is None else row | {"path": task.path}

    def add(self, row: Row) -> None:
        """Append a row that is done. Raises OutputError where the file cannot take it."""
        self.rows[_key(row)] = row
        if self.path is None:
            return
        data = line(row).encode()
        try:
            with self.path.open("ab", buffering=0) as file:
                written = file.write(data)
        except OSError as error:
            raise OutputError(f"{self.path}: cannot be written: {error.strerror}") from error
        if written != len(data):
            raise OutputError(f"{self.path}: cannot be written: the disk took {written} of {len(data)} bytes")

    def _read(self, path: Path) -> None:
        try:
            with path.open("rb") as file:
                for number, text in enumerate(iter(partial(file.readline, LONGEST), b""), start=1):
                    if text.endswith(b"\n"):
                        row = _row(path, number, text)
                        self.rows[_key(row)] = row
                    elif len(text) < LONGEST and text[: len(START)] == START[: len(text)]:
                        os.truncate(path, path.stat().st_size - len(text))
                    else:
                        _refuse(path, number, text)
        except OSError as error:
            raise InputError(f"{path}: cannot be read: {error.strerror}") from error


def _key(made_by: Mapping[str, object]) -> tuple[object, ...]:
    return tuple(made_by[name] for name in MADE_BY)


def _row(path: Path, number: int, text: bytes) -> Row:
    try:
        row = json.loads(text) if text.startswith(START) else {}
    except ValueError:
        row = {}
    if row.keys() != EMPTY.keys():
        _refuse(path, number, text)
    return dict(row)


def _refuse(path: Path, number: int, text: bytes) -> None:
    read = shown(text[:60].decode(errors="replace"))
    raise InputError(f"{path}, line {number}: expected a result of driveloss batch ({SCHEMA}), read '{read}'")
