"""What the demo bench's watts were to the last digit, in numbers.json (regression): value, u, low, high.

The same readings give the same numbers whatever the versions of the libraries, the processor and the count of threads:
each within SAME of its own half-width. `golden` says how to renew them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from cli.running import DEMO, typed

HELD = Path(__file__).parent / "numbers.json"
SAME = 1e-9
ANSWERS = {
    "losses": ("losses", "{saved}", "--at", "7.5", "--at", "12"),
    "breakdown": ("breakdown", DEMO, "--calibration", "{saved}"),
    "witnesses": ("witnesses", DEMO, "--calibration", "{saved}"),
    "compare": ("compare", DEMO),
}
QUANTITIES = ("pneumatic_W", "aftercooler_heat_W", "seal_W", "total_W", "power_W", "difference")


def numbers(saved: Path) -> dict[str, list[float]]:
    """The quantities held, by their place in an answer; `saved` is the calibration of the demo bench."""
    found: dict[str, list[float]] = {}
    for name, words in ANSWERS.items():
        outcome = typed(*(str(word).replace("{saved}", str(saved)) for word in words), "--json")
        assert outcome.code == 0, outcome.err
        found |= dict(_quantities(outcome.json, name))
    return found


def _quantities(answer: Any, place: str) -> Iterator[tuple[str, list[float]]]:
    for key, inner in answer.items() if isinstance(answer, dict) else enumerate(answer):
        if key in QUANTITIES and inner is not None:
            yield f"{place}/{key}", [inner[part] for part in ("value", "u", "low", "high")]
        elif isinstance(inner, (dict, list)):
            yield from _quantities(inner, f"{place}/{key}")


def as_text(found: dict[str, list[float]]) -> str:
    """One quantity a line, so that a difference shows."""
    return "{\n" + ",\n".join(f"{json.dumps(place)}: {json.dumps(four)}" for place, four in found.items()) + "\n}\n"


def moved(held: dict[str, list[float]], found: dict[str, list[float]]) -> list[str]:
    """A sentence for each quantity that is another number, or not there."""
    if held.keys() != found.keys():
        return [f"{place}: on one side alone" for place in sorted(held.keys() ^ found.keys())]
    return [f"{place}: {four} is now {found[place]}" for place, four in held.items() if _off(four, found[place]) > SAME]


def _off(four: list[float], others: list[float]) -> float:
    """The largest difference over the half-width; a number without one may not move in its twelfth digit."""
    half_width = (four[3] - four[2]) / 2 or 1e-3 * abs(four[0]) or 1.0
    return max(abs(a - b) for a, b in zip(four, others, strict=True)) / half_width
