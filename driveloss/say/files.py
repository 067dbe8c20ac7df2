"""Output files: all that one command writes appear together, or none of them does."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from stat import S_IMODE

from driveloss.errors import InputError, OutputError
from driveloss.say.rooms import NEW, OLD, clear, fill, hidden_room, take_back, without_rooms

MOST_NAME = 100  # bytes; file systems take 255, and more is to follow
MARK_WITHIN = 4096  # bytes of a file's start or end
CALIBRATION, PAGE, SWEEP, FIGURE = (  # marks of what is written
    b'{"checksum":"',
    b'<meta name="generator" content="driveloss">',
    b"start [s],end [s],effective readings",
    b"driveloss",
)
A_FILE = "; expected a file name in a folder that can be written to"


def write_all(files: Mapping[Path, bytes]) -> None:
    """Write files, all or none: each is got ready beside its target, then all are renamed.

    A symbolic link stays one, and what it leads to is written; an older file keeps its mode. Raises OutputError where
    one cannot be written; then nothing is left behind and every older file is as it was.
    """
    check_targets(files)
    with ExitStack() as rooms, ExitStack() as undo:
        ready = {path: _got_ready(path, content, rooms) for path, content in files.items()}
        for path, room in ready.items():
            undo.callback(_put_back, room, path.resolve())
            with _told(path, A_FILE):
                (room / NEW).replace(path.resolve())
        undo.pop_all()


def _put_back(room: Path, target: Path) -> None:
    if (room / NEW).exists():  # it did not come so far
        return
    if (room / OLD).exists():
        (room / OLD).replace(target)
    else:
        target.unlink()


def check_ours(targets: Mapping[Path, bytes]) -> None:
    """Refuse to write over a file that lacks the mark of its kind. Raises OutputError; writes nothing."""
    for path, mark in targets.items():
        with _told(path, A_FILE):
            if path.is_file() and path.stat().st_size and mark not in _ends(path):
                _refuse(
                    path, "it holds something else, expected a new name or a file of this kind; --force replaces it"
                )


def _ends(path: Path) -> bytes:
    """The first and the last bytes of a file, where marks stand."""
    with path.open("rb") as file:
        start = file.read(MARK_WITHIN)
        file.seek(max(path.stat().st_size - MARK_WITHIN, 0))
        return start + file.read(MARK_WITHIN)


def check_targets(paths: Iterable[Path]) -> None:
    """Say before the work whether files can be written. Raises OutputError; writes nothing."""
    named: set[Path] = set()
    for path in paths:
        with _told(path, A_FILE):
            folder = path.resolve().parent
            if not folder.is_dir() or not os.access(folder, os.W_OK | os.X_OK):
                _refuse(path, "its folder is missing or closed; expected one to write to")
            if _exists(path) and not path.is_file():
                kind = "a folder" if path.is_dir() else "no plain file"
                _refuse(path, f"it is {kind}; expected the name of a file")
            if _exists(path) and not os.access(path, os.W_OK):
                _refuse(path, "it is protected; expected a file that may be written, or a new name")
            if path.resolve() in named:
                _refuse(path, "it is named for two outputs; expected two names")
            named.add(path.resolve())


def write_folder(folder: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Put files, name to content, into a new or an empty folder, all or none; returns where they are.

    InputError: the folder holds something already, or is a file. OutputError: it cannot be written; then nothing of
    it stays behind. A new folder appears whole.
    """
    check_folder(folder)
    for name in files:
        if Path(name).name != name:
            _refuse(folder, f"'{name}' is no name of a file")
    with _told(folder), ExitStack() as undo:
        for place in reversed(folder.parents):
            if not place.exists():
                place.mkdir()
                undo.callback(place.rmdir)
        if folder.exists():
            _put_inside(folder, files)
        else:
            _put_whole(folder, files)
        undo.pop_all()
    return [folder / name for name in files]


def _put_inside(folder: Path, files: Mapping[str, bytes]) -> None:
    with hidden_room(folder) as room:
        try:
            fill(room, files)
        except BaseException:
            take_back(room)
            raise


def _put_whole(folder: Path, files: Mapping[str, bytes]) -> None:
    with hidden_room(folder.parent) as room:
        (room / NEW).mkdir()
        for name, content in files.items():
            (room / NEW / name).write_bytes(content)
        (room / NEW).rename(folder)


def file_name(text: str) -> str:
    """Text as part of a file's name on any system: nothing that parts folders or drives, nor too long.

    >>> file_name("../wide: 2")
    '-wide- 2'
    """
    plain = "".join(letter if letter.isprintable() and letter not in '/\\\\:*?"<>|' else "-" for letter in text)
    return plain.lstrip(". ").encode()[:MOST_NAME].decode(errors="ignore") or "-"


def check_folder(folder: Path) -> None:
    """Say before the work whether a folder is new or empty, but for what a killed run left. Raises InputError."""
    with _told(folder):
        if _exists(folder) and not folder.is_dir():
            raise InputError(f"{folder}: expected a new or an empty folder, found a file")
        if folder.is_dir():
            clear(folder, withdraw=True)
        if folder.is_dir() and any(without_rooms(folder)):
            raise InputError(f"{folder}: expected a new or an empty folder, found one with files in it")


def _got_ready(path: Path, content: bytes, rooms: ExitStack) -> Path:
    """A hidden folder beside the target, so on the same disk, with what is to stand there and a copy of what does."""
    with _told(path, A_FILE):
        target = path.resolve()
        room = rooms.enter_context(hidden_room(target.parent))
        (room / NEW).write_bytes(content)
        if target.exists():
            shutil.copy2(target, room / OLD)
            (room / NEW).chmod(S_IMODE(target.stat().st_mode))
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
    except (OSError, RuntimeError) as error:  # RuntimeError: links in a circle
        _refuse(path, f"{getattr(error, 'strerror', None) or error}{expected}", error)


def _refuse(path: Path, reason: str, cause: Exception | None = None) -> None:
    raise OutputError(f"{path}: cannot be written: {reason}") from cause
