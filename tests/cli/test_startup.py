"""Nothing heavy is loaded before it is needed."""

import pytest
import typer

from cli.running import DEMO, python
from driveloss.cli.app import app

COMMANDS = typer.main.get_command(app).commands
HEAVY = ("numpy", "scipy", "lmfit", "uncertainties", "matplotlib", "pint", "jinja2")
RUN = "import sys; from driveloss.cli import main\ntry:\n    main()\nexcept SystemExit:\n    pass\n"
TELL = f"print('loaded:', *[m for m in {HEAVY!r} if m in sys.modules])"


def loaded(code, *words):
    """Heavy packages loaded after a piece of code ran in a process of its own."""
    outcome = python(code + TELL, *words)
    assert outcome.code == 0, outcome.err
    last = outcome.out.splitlines()[-1]
    assert last.startswith("loaded:")
    return set(last.split()[1:])


def test_importing_the_package_loads_nothing_heavy():
    assert loaded("import sys, driveloss\n") == set()


def test_help_loads_nothing_heavy():
    """Of one command after another in one process."""
    every = [["--help"], ["--version"], *([name, "--help"] for name in COMMANDS)]
    outcome = python("".join(f"import sys\nsys.argv[1:] = {words}\n{RUN}{TELL}\n" for words in every))
    assert outcome.code == 0, outcome.err
    told = [line.strip() for line in outcome.out.splitlines() if line.startswith("loaded:")]
    assert told == ["loaded:"] * len(every)
    assert outcome.out.count("Usage:") == len(every) - 1


@pytest.mark.parametrize("words", [("--at", "7.5"), ("--from", "4", "--to", "5", "--step", "1", "--json")])
def test_losses_of_a_saved_calibration_load_numpy_alone(words, calibration):
    assert loaded(RUN, "losses", calibration, *words) == {"numpy"}


def test_breakdown_of_a_saved_calibration_fits_and_draws_nothing(calibration):
    assert loaded(RUN, "breakdown", DEMO, "--calibration", calibration) & {"lmfit", "matplotlib"} == set()


def test_the_probe_sees_what_is_loaded():
    assert loaded("import sys, scipy, jinja2\n") >= {"numpy", "scipy", "jinja2"}
