"""Output files: all that one command writes appear together, or none of them does."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from driveloss.errors import InputError, OutputError

HIDDEN = ".driveloss-"  # how the folders start in which files are got ready
A_FILE = "; expected a file name in a folder that can be written to"


def write_all(files: Mapping[Path, bytes]) -> None:
    """Write files, all or none: each is got ready beside its target, then all are renamed.

    Raises OutputError where one cannot be written; then nothing is left behind and every older file is as it was.
    """
    check_targets(files)
    with ExitStack() as rooms, ExitStack() as undo:
        ready = {path: _got_ready(path, content, rooms) for path, content in files.items()}
        for path, room in ready.items():
            with _told(path, A_FILE):
                (room / "new").replace(path)
            if (room / "old").exists():
                undo.callback((room / "old").replace, path)
            else:
                undo.callback(path.unlink)
        undo.pop_all()


def check_targets(paths: Iterable[Path]) -> None:
    """Say before the work whether files can be written. Raises OutputError; writes nothing."""
    named: set[Path] = set()
    for path in paths:
        with _told(path, A_FILE):
            folder = path.parent
            if not folder.is_dir() or not os.access(folder, os.W_OK | os.X_OK):
                _refuse(path, "its folder is missing or closed; expected one to write to")
            if _exists(path) and not path.is_file():
                kind = "a folder" if path.is_dir() else "no plain file"
                _refuse(path, f"it is {kind}; expected the name of a file")
            if path.resolve() in named:
                _refuse(path, "it is named for two outputs; expected two names")
            named.add(path.resolve())


def write_folder(folder: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Put files, name to content, into a new or an empty folder, all or none; returns where they are.

    InputError: the folder holds something already, or is a file. OutputError: it cannot be written; then nothing of
    it stays behind.
    """
    check_folder(folder)
    for name in files:
        if Path(name).name != name:
            _refuse(folder, f"'{name}' is no name of a file")
    with _told(folder), ExitStack() as undo:
        for place in (*reversed(folder.parents), folder):
            if not place.exists():
                place.mkdir()
                undo.callback(place.rmdir)
        write_all({folder / name: content for name, content in files.items()})
        undo.pop_all()
    return [folder / name for name in files]


def check_folder(folder: Path) -> None:
    """Say before the work whether a folder is new or empty. Raises InputError; writes nothing."""
    with _told(folder):
        if _exists(folder) and not folder.is_dir():
            raise InputError(f"{folder}: expected a new or an empty folder, found a file")
        if folder.is_dir() and any(folder.iterdir()):
            raise InputError(f"{folder}: expected a new or an empty folder, found one with files in it")


def _got_ready(path: Path, content: bytes, rooms: ExitStack) -> Path:
    """A hidden folder beside the target, so on the same disk, with what is to stand there and a copy of what does."""
    with _told(path, A_FILE):
        room = Path(rooms.enter_context(TemporaryDirectory(prefix=HIDDEN, dir=path.parent)))
        (room / "new").write_bytes(content)
        if path.exists():
            shutil.copy2(path, room / "old")
    return room


def _exists(path: Path) -> bool:
    """Like Path.exists, but raises OSError for a name that cannot be, such as one that is too long."""
    try:
        path.stat()
    except FileNotFoundError:
        return False
    return True


@contextmanager
def _told(path: Path, expected: str = "") -> Iterator[None]:
    try:
        yield
    except OutputError:
        raise
    except OSError as error:
        _refuse(path, f"{error.strerror or error}{expected}", error)


def _refuse(path: Path, reason: str, cause: OSError | None = None) -> None:
    raise OutputError(f"{path}: cannot be written: {reason}") from cause
