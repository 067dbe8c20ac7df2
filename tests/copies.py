"""Copies that a test may change, wherever what they were copied from may not be."""

from pathlib import Path
from shutil import copyfile, copytree, ignore_patterns


def open_copy(source: Path, target: Path, *but: str) -> Path:
    """A folder again, without the files whose names are like one of `but`; returns target."""
    copytree(source, target, ignore=ignore_patterns(*but), copy_function=copyfile)
    for folder in (target, *(path for path in target.rglob("*") if path.is_dir())):
        folder.chmod(0o755)
    return target
