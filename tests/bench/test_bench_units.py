"""The short list of usual units against pint's full list."""

import pytest
from bench_folder import KEYS

from driveloss.bench import units
from driveloss.bench.columns import KINDS

COMPOUND = ["N*m/A", "mN m/A", "K/W", "mm**2", "N/mm**2", "1/s", "1/min", "m*s**-2", "W/degC", "N/bar", "W/%", "1/K"]
NOT_USUAL = [
    "psi",
    "lbf*ft",
    "torr",
    "degF",
    "mmin",
    "min/day",
    "°C",
    "arcmin/s",
    "kgf/cm**2",
    "feet",
    "newton",
    "smoot",
]


@pytest.fixture
def full(monkeypatch):
    """Ask pint's full list, whatever the text."""
    monkeypatch.setattr(units, "_is_usual", lambda text: False)
    return units._ask_pint


@pytest.mark.parametrize("text", [*sorted(units._USUAL_NAMES), *COMPOUND])
def test_the_short_list_gives_the_very_same_number(text, full, monkeypatch):
    expected = full(text)
    monkeypatch.undo()
    assert units._is_usual(text)
    assert expected is not None
    assert units._ask_pint(text) == expected


@pytest.mark.parametrize("text", NOT_USUAL)
def test_every_other_unit_is_asked_of_the_full_list(text, full, monkeypatch):
    expected = full(text)
    monkeypatch.undo()
    assert units._ask_pint(text) == expected
    assert not units._is_usual(text)


@pytest.mark.parametrize("kind", [*(key.kind for key in KEYS), *KINDS.values()])
def test_every_si_unit_that_is_compared_with_is_usual(kind):
    assert units._is_usual(kind.unit)


def test_the_demo_bench_needs_no_more_than_the_short_list():
    from cli.running import DEMO, python

    read = "from driveloss.bench import load, units; load.load_bench(r'{}')"
    tell = f"{read}; print(units._registry.cache_info().currsize)"
    assert python(tell.format(DEMO)).out == "1\n"
