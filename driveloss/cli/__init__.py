"""The command line: one small file a command."""

from __future__ import annotations


def main() -> None:
    """Entry point of the console script."""
    from driveloss.cli.app import app

    app()
