"""Which readings to take."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from driveloss.bench.records import Bench
    from driveloss.plan.ask import Plan

ORDERS = {"up-down": "up and down, so that a drift shows", "random": "in random order, so that a drift averages out"}


def plan(  # noqa: PLR0913 - what a user may ask for
    bench: Bench,
    at: Sequence[float],
    *,
    half_width: str | float | None = None,
    readings: int | None = None,
    cylinders: Sequence[str] | None = None,
    scatter: str | float | None = None,
    digit: str | float | None = None,
    loaded_power: str | float | None = None,
) -> Plan:
    """Plan readings for the net power at frequencies `at` [Hz] of a bench that was measured before.

    half_width: wanted, of every 95 % interval; scatter: of one power reading; digit: its last one; loaded_power: input
    of loaded runs at the highest of `at`; each as "0.5 W" or in W. readings, cylinders: as of `plan.ask.plan`.
    Raises InputError where a target lies outside what was run, or nothing says what is wanted.
    """
    from driveloss.fit.calibrate import calibrate
    from driveloss.plan.ask import plan as ask
    from driveloss.plan.outlook import Given, outlook

    wanted, noise = _power(half_width, "half-width"), _power(scatter, "scatter")
    loaded, last = _power(loaded_power, "loaded power"), _power(digit, "digit")
    given = Given(noise, last, loaded, max(at, default=None))
    known = outlook(bench, calibrate(bench, compare=False), given)
    return ask(known, at, half_width=wanted, readings=readings, cylinders=cylinders)


def _power(given: str | float | None, name: str) -> float | None:
    from driveloss.bench.quantity import read_option

    return read_option(given, "power", name).value if isinstance(given, str) else given
