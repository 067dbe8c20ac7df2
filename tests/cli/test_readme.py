"""README.md shows every command, and nothing that the program does not have."""

import re
from pathlib import Path

import pytest
import typer

from cli.running import ROOT
from driveloss.cli.app import app

README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = typer.main.get_command(app).commands
SHOWN = re.findall(r"(?:\$ |`|bin/)driveloss +(?!-)([a-z-]+)([^`\n&]*)", README)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_shown(name):
    assert re.search(rf"\bdriveloss {name}\b", README)


def test_every_command_line_shown_exists_with_its_options():
    assert SHOWN, "README.md shows no command line at all"
    for name, rest in SHOWN:
        assert name in COMMANDS, name
        known = {option for parameter in COMMANDS[name].params for option in parameter.opts}
        used = set(re.findall(r"(?:^|\s)(--?[a-z][a-z-]*)", rest.split("#")[0]))
        assert used - known - {"--help"} == set(), (name, rest)


def test_every_file_of_the_project_that_is_named_exists():
    for link in re.findall(r"\]\((?!https?:|#)([^)#]+)", README):
        assert (ROOT / Path(link)).exists(), link
