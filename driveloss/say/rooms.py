"""Hidden folders in which output is got ready, and what is left of them when a run is killed."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import mkdtemp

HIDDEN = ".driveloss-"
_NAME = re.compile(rf"{re.escape(HIDDEN)}[a-z0-9_]{{8}}")  # as `mkdtemp` ends it
NEW, OLD, KEPT = "new", "old", "kept"  # in a room: what is to stand beside it, what stood there, copies of the new


@contextmanager
def hidden_room(folder: Path) -> Iterator[Path]:
    """A new hidden folder inside `folder`, locked while it is in use, then removed with the NEW, OLD and KEPT in it.

    Rooms that a killed run left in `folder` are removed first. Raises OSError where none can be made.
    """
    clear(folder)
    room, lock = _new(folder)
    try:
        yield room
    finally:
        _remove(room)
        if lock is not None:
            os.close(lock)


def clear(folder: Path, *, withdraw: bool = False) -> None:
    """Remove the rooms that killed runs of this user left in a folder: those that are locked are in use.

    withdraw: take back, too, what such a run had put into the folder, which was empty, when it was killed half-way.
    """
    for room in _rooms(folder):
        with suppress(OSError, ImportError):  # in use, gone, another user's, or on a disk that knows no locks
            lock = _hold(room)
            try:
                if withdraw:
                    take_back(room)
                _remove(room)
            finally:
                os.close(lock)


def fill(room: Path, files: Mapping[str, bytes]) -> None:
    """Put files beside a room; if this run is killed half-way, copies in it tell which of them are there already."""
    for part in (KEPT, NEW):
        (room / part).mkdir()
        for name, content in files.items():
            (room / part / name).write_bytes(content)
    for name in files:
        (room / NEW / name).rename(room.parent / name)


def take_back(room: Path) -> None:
    """Remove what `fill` put beside a room before it was stopped, unless somebody changed some of it since."""
    if not (room / KEPT).is_dir() or not (room / NEW).is_dir() or not any((room / NEW).iterdir()):
        return  # it was not begun, or is whole
    put = [(copy, room.parent / copy.name) for copy in (room / KEPT).iterdir()]
    put = [(copy, file) for copy, file in put if file.is_file() and not file.is_symlink()]
    if all(copy.read_bytes() == file.read_bytes() for copy, file in put):
        for _, file in put:
            file.unlink()


def without_rooms(folder: Path) -> Iterable[Path]:
    """What is in a folder beside rooms."""
    rooms = set(_rooms(folder))
    return (one for one in folder.iterdir() if one not in rooms)


def _rooms(folder: Path) -> list[Path]:
    with os.scandir(folder) as entries:
        return [folder / one.name for one in entries if _NAME.fullmatch(one.name) and one.is_dir(follow_symlinks=False)]


def _new(folder: Path) -> tuple[Path, int | None]:
    while True:
        room = Path(mkdtemp(prefix=HIDDEN, dir=folder))
        try:
            return room, _hold(room)
        except (BlockingIOError, FileNotFoundError):
            continue  # another run took it for a dead one's in the moment before it was locked, and removes it
        except (OSError, ImportError):
            return room, None  # a disk that knows no locks: nobody then removes it but we
        except BaseException:  # stopped by a signal
            _remove(room)
            raise


def _hold(room: Path) -> int:
    """Lock a room of this user's, as long as the descriptor returned is open, or the process lives.

    Raises BlockingIOError where it is in use, FileNotFoundError where it is gone.
    """
    import fcntl  # which Windows lacks

    number = os.open(room, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    try:
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        found = os.fstat(number)
        if found.st_uid != os.geteuid() or not os.path.samestat(found, room.stat()):
            raise FileNotFoundError
    except BaseException:
        os.close(number)
        raise
    return number


def _remove(room: Path) -> None:
    """Remove a room with what belongs into one; where it holds anything else, it stays."""
    for part in (NEW, OLD, KEPT):
        if (room / part).is_dir():
            shutil.rmtree(room / part, ignore_errors=True)
        else:
            (room / part).unlink(missing_ok=True)
    with suppress(OSError):
        room.rmdir()
