"""What every command shares beside its options: where output goes, and words and files that are refused."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from driveloss.bench.records import Bench


def note(*lines: str) -> None:
    """Print lines for people to standard error, wrapped."""
    from driveloss.say.terminal import print_all, screen

    print_all(screen(err=True), lines)


@contextmanager
def progress(what: str) -> Iterator[Callable[[str], None]]:
    """Say what takes long, and next, on a terminal only: nothing reaches a pipe or a file."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console

    with Console(stderr=True).status(what) as status:
        yield status.update


def check_outputs(
    bench: Bench, marks: Mapping[Path, bytes] | None = None, *, figures: Iterable[Path] = (), force: bool = False
) -> None:
    """Refuse before the work files that cannot be written, that the bench was read from, or that are something else.

    marks: of the files to write, see `check_ours`. force: write over what is something else.
    Raises OutputError, InputError.
    """
    from driveloss.errors import InputError
    from driveloss.figures import file_ending
    from driveloss.say.files import FIGURE, check_ours, check_targets

    measured = (bench.sweeps, bench.recordings, bench.rundowns)
    read = ("bench.toml", *(one.file for kind in measured for one in kind))
    inputs = {(bench.folder / name).resolve() for name in read}
    drawn = tuple(figures)
    targets = [*(marks or {}), *drawn]
    check_targets(targets)
    for target in targets:
        if target.resolve() in inputs:
            raise InputError(f"{target}: is one of the bench's own files, expected another name to write to")
    for figure in drawn:
        file_ending(figure)
    if not force:
        check_ours({**(marks or {}), **dict.fromkeys(drawn, FIGURE)})


def misread(value: str, words: Sequence[str]) -> str:
    """What to say of a word that is none of those allowed; the nearest one is suggested."""
    from driveloss.bench.units import did_you_mean

    return f"read '{value}', expected one of {', '.join(words)}{did_you_mean(value, words)}"
