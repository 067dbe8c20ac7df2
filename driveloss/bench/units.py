"""Unit strings to SI factors. pint is asked once for each distinct unit, and never sees unchecked text."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import lru_cache
from math import pi
from typing import Any
from unicodedata import bidirectional, category

from driveloss.bench.rules import Kind
from driveloss.errors import InputError

# pint evaluates what it is given (9**9**9 keeps it busy for hours), so only names with small exponents pass.
FACTOR = r"[A-Za-zµμΩΩ°%][A-Za-z0-9_]{0,30}(?:[²³]|(?:\*\*|\^)-?[1-9](?!\d))?"
FACTORS = rf"{FACTOR}(?:(?: ?[*/·] ?| ){FACTOR})*"
UNIT = rf"(?:1 ?/ ?)?{FACTORS}"
_UNIT = re.compile(UNIT)
_LONGEST = 60
_TURNS = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}  # Unicode Standard Annex 9, table 4
_MARKS = "\u200e\u200f\u061c"  # that only set a direction

_TRADE_NAMES = {"r/min": "rpm", "r/s": "turn/s", "U/min": "rpm", "min-1": "1/min", "s-1": "1/s"} | {
    "V/(rad/s)": "V*s/rad"
}
_INVERTED = ("torque per current",)  # a motor's speed constant at its terminals, "183 rpm/V", is one over it
_MEANT = {"C": "degC", "F": "degF", "deg": "degC or degF", "hz": "Hz", "RPM": "rpm", "w": "W"}
_HINTS = {
    **{wrong: f"write {right}" for wrong, right in _MEANT.items()},
    **{f"{unit}g": f"write '{unit} gauge'" for unit in ("bar", "psi", "kPa")},
    **{f"{unit}a": f"write '{unit}': pressures are absolute unless the unit says gauge" for unit in ("bar", "psi")},
}
# fmt: off
_KNOWN = {  # what a message calls the dimension of a unit
    "m": "length", "kg": "mass", "s": "time", "1/s": "frequency", "K": "temperature", "A": "current", "V": "voltage",
    "ohm": "resistance", "W": "power", "N": "force", "Pa": "pressure", "N*m": "torque or energy", "m^2": "area",
    "m^3": "volume", "m/s": "velocity", "radian": "pure number",
}
# fmt: on


@dataclass(frozen=True, slots=True)
class Conversion:
    """SI value = factor * number + offset; the offset is that of a temperature scale or of a gauge."""

    factor: float
    offset: float
    dimensions: frozenset[tuple[str, float]]
    angular: bool = False  # pint's base unit counts radians
    inverted: bool = False  # the SI value is one over what was written

    def si(self, number: float) -> float:
        """A number in SI. Where the factor is one over a whole number it is divided by that: 515.7 rpm is 8.595 Hz.

        >>> Conversion(1 / 60, 0.0, frozenset()).si(20.0) == 20 / 60
        True
        """
        parts = round(1 / self.factor) if 0 < self.factor < 1 else 0
        if parts and not self.offset and abs(parts * self.factor - 1) < 1e-12:
            return number / parts
        return self.factor * number + self.offset


# pint's definitions of the units that most benches use, mass counted in kilograms: its full list takes 0.15 s to
# read. A text goes to this list only where each of its names is in _USUAL_NAMES: it misreads others ("mmin").
_USUAL_UNITS = """\
micro- = 1e-6 = µ- = μ-
milli- = 1e-3 = m-
centi- = 1e-2 = c-
hecto- = 1e2 = h-
kilo- = 1e3 = k-
mega- = 1e6 = M-
meter = [length] = m
second = [time] = s
ampere = [current] = A
kilogram = [mass] = kg
gram = 1e-3 * kilogram = g
kelvin = [temperature]; offset: 0 = K
radian = [] = rad
percent = 0.01 = %
turn = 2 * 3.1415926535897932384626433832795028841971693993751 * radian
degree = 3.1415926535897932384626433832795028841971693993751 / 180 * radian = deg
inch = 0.9144 * meter / 36 = in
minute = 60 * second = min
degree_Celsius = kelvin; offset: 273.15 = °C = degC
hertz = 1 / second = Hz
revolutions_per_minute = turn / minute = rpm
newton = kilogram * meter / second ** 2 = N
pascal = newton / meter ** 2 = Pa
bar = 1e5 * pascal
joule = newton * meter = J
watt = joule / second = W
volt = joule / second / ampere = V
ohm = volt / ampere = Ω
"""
_USUAL_NAMES = {
    *("m", "mm", "cm", "µm", "in", "kg", "g", "s", "ms", "min", "K", "degC", "A", "mA", "V", "mV", "ohm", "mohm"),
    *("W", "kW", "mW", "N", "mN", "J", "Pa", "kPa", "hPa", "MPa", "bar", "mbar"),
    *("Hz", "kHz", "rpm", "rad", "deg", "turn", "%"),
}
_NAME = re.compile(r"[A-Za-zµμΩΩ°%][A-Za-z0-9_]*")


@lru_cache(maxsize=2)
def _registry(*, usual: bool) -> Any:
    """pint's registry with all of its units, or with the usual ones alone."""
    from pint import UnitRegistry

    if not usual:
        return UnitRegistry()
    registry: Any = UnitRegistry(None)
    registry.load_definitions(_USUAL_UNITS.splitlines())
    return registry


def _is_usual(text: str) -> bool:
    return _USUAL_NAMES.issuperset(_NAME.findall(text))


@lru_cache(maxsize=512)
def conversion(unit: str) -> Conversion | None:
    """What one unit means in SI; None where the text is no unit.

    unit: such as 'mm', 'N*m/A', '1/min', 'degC' (offset to K); '' is the pure number.
    """
    if not unit:
        return Conversion(1.0, 0.0, frozenset())
    text = _TRADE_NAMES.get(unit, unit)
    if len(text) > _LONGEST or not _UNIT.fullmatch(text):
        return None
    return _ask_pint(text.replace("·", "*").replace("^", "**"))


def _ask_pint(text: str) -> Conversion | None:
    from pint.errors import PintError

    registry = _registry(usual=_is_usual(text))
    try:
        parsed = registry.parse_units(text)
        zero = registry.Quantity(0.0, parsed).to_base_units()
        one = registry.Quantity(1.0, parsed).to_base_units()
        offset = float(zero.magnitude)
        step = registry.Quantity(1.0, f"delta_{parsed}").to_base_units() if offset else one
    except (PintError, ArithmeticError, ValueError, TypeError, SyntaxError, KeyError):
        return None  # a scale of logarithms too; the caller says which text is no unit, and where it stands
    dimensions = frozenset((str(name), float(power)) for name, power in one.dimensionality.items())
    return Conversion(float(step.magnitude), offset, dimensions, angular="radian" in str(one.units))


def conversion_to(unit: str, kind: Kind, where: str, ambient_pressure: float | None = None) -> Conversion:
    """The conversion of a unit to the SI unit of a kind.

    unit: as written; ' gauge' at its end adds ambient_pressure [Pa]. where: starts the message of the
    InputError that an unknown unit or a unit of another dimension gets.
    """
    gauge = unit.endswith(" gauge")
    name = unit.removesuffix(" gauge").strip() if gauge else unit
    found, wanted = conversion(name), conversion(kind.unit)
    if found is None:
        raise InputError(f"{where}: unknown unit '{shown(name)}'; expected {_expected(kind)}{_hint(name)}")
    if wanted is not None and kind.name in _INVERTED and found.dimensions == _inverse(wanted.dimensions):
        return replace(found, inverted=True)
    if wanted is None or found.dimensions != wanted.dimensions:
        raise InputError(
            f"{where}: expected {_expected(kind)}, read unit '{shown(name)}'{_dimension(found)}{_hint(name)}"
        )
    if kind.is_frequency:  # counted in revolutions, not in radians
        return Conversion(found.factor / (2 * pi) if found.angular else found.factor, 0.0, found.dimensions)
    if gauge:
        return _gauge(found, kind, where, ambient_pressure)
    return found


def _inverse(dimensions: frozenset[tuple[str, float]]) -> frozenset[tuple[str, float]]:
    return frozenset((name, -power) for name, power in dimensions)


def _gauge(found: Conversion, kind: Kind, where: str, ambient_pressure: float | None) -> Conversion:
    if not kind.is_pressure:
        raise InputError(f"{where}: only a pressure can be gauge; expected {_expected(kind)}")
    if ambient_pressure is None:
        raise InputError(f"{where}: expected an absolute pressure, read a gauge pressure")
    return Conversion(found.factor, ambient_pressure, found.dimensions)


def _expected(kind: Kind) -> str:
    article = "an" if kind.name[0] in "aeiou" else "a"
    return f"{article} {kind.name} such as '{kind.example}'" if kind.unit else f"a number such as {kind.example}"


def _hint(unit: str) -> str:
    return f" ({_HINTS[unit]})" if unit in _HINTS else ""


def _dimension(found: Conversion) -> str:
    for unit, name in _KNOWN.items():
        known = conversion(unit)
        if known is not None and known.dimensions == found.dimensions:
            return f", a {name}"
    return ""


def shown(text: str, longest: int = 60) -> str:
    """Foreign text fit for one line of a message: control characters escaped, long text cut."""
    cut = text if len(text) <= longest else text[: longest - 3] + "..."
    return "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in cut)


def as_text(value: object) -> str:
    """What was read as Python writes it; it writes no whole number of thousands of digits."""
    try:
        return repr(value)
    except ValueError:
        return "a number of thousands of digits"


def one_line(text: str) -> str:
    """Text of a user's as it may be printed: what would steer a terminal, or turn the direction of writing, is left
    out, line ends are spaces.

    >>> one_line("warm\\x1b[31m\\u202e\\nrun")
    'warm[31m run'
    """
    spaced = " ".join(text.split("\n"))
    return spaced if spaced.isprintable() else "".join(letter for letter in spaced if not _steers(letter))


def _steers(letter: str) -> bool:
    return category(letter) in ("Cc", "Cs", "Zl", "Zp") or bidirectional(letter) in _TURNS or letter in _MARKS


def did_you_mean(word: str, known: Iterable[str], likeness: float = 0.6) -> str:
    """The end of a message about a word that is not known; '' where none is like it."""
    near = get_close_matches(word, list(known), n=1, cutoff=likeness)
    return f"; did you mean '{shown(near[0])}'?" if near else ""
