"""Standard output and standard error as they are found: closed, full, or of an encoding that lacks our signs."""

from __future__ import annotations

import codecs
import io
import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Timer
from types import FrameType
from typing import Any

from driveloss.errors import OutputError

INSTEAD = "driveloss.instead"  # our way with what an encoding lacks, as codecs know it
SIGNS = {
    **{"\u00b1": "+/-", "\u2212": "-", "\u00d7": "x", "\u2026": "...", "\u2013": "-", "\u2014": "-", "\u2500": "-"},
    **{"\u00b0": "deg", "\u03a9": "ohm", "\u2126": "ohm", "\u00b5": "u", "\u03bc": "u", "\u00b7": "*"},
    **{"\u00b2": "2", "\u00b3": "3", "\u2020": "+", "\u0394": "d", "\u03c6": "phi", "\u00a0": " "},
}
AGAIN = 0.02  # [s] until a signal strikes once more
STOPPED = 128  # plus the number of the signal: what a shell gives a program that was stopped


class _Output(io.FileIO):
    """Standard output, whose errors are told as those of any other file are."""

    def write(self, data: Any, /) -> int:
        try:
            return super().write(data)
        except BrokenPipeError:  # the reader had enough, which is no error
            raise
        except OSError as error:
            to_nowhere()  # what is still held would fail again
            raise OutputError(f"standard output: cannot be written: {error.strerror}") from error


def make_ready() -> None:
    """Let nothing that a terminal cannot show, and no stream that is missing, stop an answer."""
    codecs.register_error(INSTEAD, _instead)
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: PTH123, SIM115 - takes the number
    if sys.stdout is sys.__stdout__ and isinstance(sys.stdout, io.TextIOWrapper) and not sys.stdout.isatty():
        raw = io.BufferedWriter(_Output(sys.stdout.fileno(), "wb", closefd=False))
        sys.stdout = io.TextIOWrapper(raw, encoding=sys.stdout.encoding)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=INSTEAD)
    for number in (signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)):
        signal.signal(number, _stop)
    sys.unraisablehook = _stop_again


@contextmanager
def emptied() -> Iterator[None]:
    """Write out at the end what standard output still holds; what then goes wrong decides how the program ends."""
    try:
        yield
    except KeyboardInterrupt as error:
        print("driveloss: stopped", file=sys.stderr)
        raise SystemExit(STOPPED + signal.SIGINT) from error
    finally:
        try:
            sys.stdout.flush()
        except BrokenPipeError:
            to_nowhere()
        except OutputError as error:
            print(f"driveloss: {error}", file=sys.stderr)
            raise SystemExit(2) from error


def to_nowhere() -> None:
    """Drop what standard output holds, and all that is still to come."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _instead(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(SIGNS.get(sign, "?") for sign in error.object[error.start : error.end]), error.end


def _stop(number: int, _frame: FrameType | None) -> None:
    """End in order, so that half-made files are cleared away."""
    raise SystemExit(STOPPED + number)


def _stop_again(lost: sys.UnraisableHookArgs) -> None:
    """Let a signal that struck where Python lets no error out, as in a finaliser, strike once more."""
    stopped = lost.exc_value
    if isinstance(stopped, KeyboardInterrupt):
        stopped = SystemExit(STOPPED + signal.SIGINT)
    if isinstance(stopped, SystemExit) and isinstance(stopped.code, int):
        Timer(AGAIN, os.kill, (os.getpid(), stopped.code - STOPPED)).start()
    else:
        sys.__unraisablehook__(lost)
