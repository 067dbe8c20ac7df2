"""Output files: written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from driveloss.errors import OutputError


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file through a temporary one beside it. Raises OutputError and leaves nothing behind if it cannot."""
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    except OSError as error:
        raise OutputError(_refusal(path, error)) from error
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise OutputError(_refusal(path, error)) from error


def write_all(files: dict[Path, bytes]) -> None:
    """Write several files, all of them or none: see `write_bytes`."""
    for path in files:
        if path.is_dir():
            raise OutputError(f"{path}: cannot be written: it is a folder; expected the name of a file")
        if not path.parent.is_dir() or not os.access(path.parent, os.W_OK):
            raise OutputError(f"{path}: cannot be written: its folder is missing or closed; expected one to write to")
    for path, content in files.items():
        write_bytes(path, content)


def write_text(path: Path, text: str) -> None:
    """Write a UTF-8 text file: see `write_bytes`."""
    write_bytes(path, text.encode("utf-8"))


def _refusal(path: Path, error: OSError) -> str:
    return (
        f"{path}: cannot be written: {error.strerror or error}; expected a file name in a folder that can be written to"
    )
