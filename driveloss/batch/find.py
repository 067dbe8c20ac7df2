"""Bench folders below a folder, and a bench as content that travels: bench.toml and the files that it names."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path, PureWindowsPath

from driveloss.bench.csvtext import read_bytes, utf8
from driveloss.bench.load import BENCH_FILE, config_path, load_bench
from driveloss.errors import InputError

DEPTH = 3  # folders below the one that is named
LISTS = ("sweeps", "recordings", "rundowns")  # of bench.toml, whose entries name a file


@dataclass(frozen=True)
class Content:
    """What a bench consists of: its folder's name, which is the title where none is stated, and files to bytes."""

    folder: str
    files: dict[str, bytes]

    @cached_property
    def sha256(self) -> str:
        """Of the files, whatever folder they are in."""
        digest = hashlib.sha256()
        for name, data in sorted(self.files.items()):
            digest.update(f"{name}\0{len(data)}\0".encode() + data)
        return digest.hexdigest()

    def write(self, room: Path) -> Path:
        """Put the files into a folder of that name inside `room`, which is returned."""
        folder = room / (self.folder or "bench")
        for name, data in self.files.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(data)
        return folder


def find_benches(folders: Iterable[Path], depth: int = DEPTH) -> list[Path]:
    """Every bench folder among `folders` and below, each once, in order. Symbolic links to folders are not followed.

    depth: how many folders deep; hidden folders, and what a bench folder holds, are not searched.
    Raises InputError for a folder that is none, or that holds no bench.
    """
    found: dict[Path, Path] = {}
    for folder in folders:
        toml = config_path(folder) if not _is_folder(folder) else None  # which says what is wrong
        top = folder if toml is None else toml.parent
        benches = list(_below(top, depth))
        if not benches:
            raise InputError(f"{folder}: expected a {BENCH_FILE} in it or up to {depth} folders below it, found none")
        for bench in benches:
            found.setdefault(bench.resolve(), bench)
    return list(found.values())


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:  # a name too long, say: it is no folder, and `config_path` says why
        return False


def _below(folder: Path, depth: int) -> Iterator[Path]:
    try:
        is_bench = (folder / BENCH_FILE).is_file()
        inner = [] if is_bench or not depth else _folders(folder)
    except OSError as error:
        raise InputError(f"{folder}: expected a folder that can be read: {error.strerror}") from error
    if is_bench:
        yield folder
    for one in inner:
        yield from _below(one, depth - 1)


def _folders(folder: Path) -> list[Path]:
    inside = sorted(folder.iterdir())
    return [one for one in inside if one.is_dir() and not one.is_symlink() and not one.name.startswith(".")]


def gather(folder: Path) -> Content:
    """Read what a bench consists of. Raises InputError as `load_bench` does for what cannot be read."""
    try:
        return Content(folder.resolve().name, _files(folder))
    except (OSError, ValueError, TypeError, LookupError, AttributeError, RuntimeError) as error:
        load_bench(folder)  # says what is wrong as every other command does
        raise InputError(f"{folder}: cannot be read: {error}") from error


def _files(folder: Path) -> dict[str, bytes]:
    toml = read_bytes(folder / BENCH_FILE, BENCH_FILE)
    tables = tomllib.loads(utf8(toml, BENCH_FILE).replace("\r\n", "\n"))
    names = [entry["file"] for kind in LISTS for entry in tables.get(kind, ())]
    return {BENCH_FILE: toml} | {name: read_bytes(_inside(folder, name), name) for name in dict.fromkeys(names)}


def _inside(folder: Path, name: str) -> Path:
    parts, file = PureWindowsPath(name), (folder / name).resolve()
    if parts.drive or parts.root or ".." in parts.parts or not file.is_relative_to(folder.resolve()):
        raise ValueError(f"'{name}' leads outside")
    return file
