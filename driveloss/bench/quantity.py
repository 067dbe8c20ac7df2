"""One quantity as text, with its limit of error, to SI."""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import isfinite

from driveloss.bench.records import Limits, Quantity, Rig, SweepSpec
from driveloss.bench.rules import Kind, every_key
from driveloss.bench.units import FACTORS, UNIT, Conversion, as_text, conversion_to, shown
from driveloss.errors import InputError

# Atomic groups (?>...): "11/min" must not come apart as 1 and "1/min".
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,2}(?!\d))?"


def _unit_group(name: str) -> str:
    return rf"(?:\s*(?P<{name}>{FACTORS}(?:/\(rad/s\))?)|\s+(?P<{name}_inverse>{UNIT}))?"


_QUANTITY = re.compile(
    rf"\s*(?P<value>(?>{_NUMBER})){_unit_group('unit')}"
    rf"(?:\s*(?:\+/-|±)\s*(?P<limit>(?>{_NUMBER})){_unit_group('limit_unit')})?\s*",
    re.ASCII,
)
NUMBER = re.compile(_NUMBER, re.ASCII)
_PART = re.compile(rf"\s*(?P<value>(?>{_NUMBER})){_unit_group('unit')}\s*", re.ASCII)
AS_TYPED = str.maketrans({"\u2212": "-", "\u00a0": " ", "\u2009": " ", "\u202f": " "})  # as word processors set them
_DECIMAL_COMMA = re.compile(r"\d,\d")
_LONGEST = 120
MOST = 1e308  # what a double holds; TOML's whole numbers know no end
_OPTIONS = {  # what options of the command line state beside keys of bench.toml
    "power": Kind("power", "W", "1 W", 1e-6, 1e6, "was it in mW?"),
    "pressure_amplitude": Kind("pressure", "Pa", "0.5 bar", 1, 1e8, "was it in bar?"),
    "duration": Kind("time", "s", "1 min", 1e-3, 1e7, "was it in ms?"),
    "drift": Kind("ratio", "", "0.5 %", 1e-6, 0.5, "was it in percent?"),
}


@dataclass(frozen=True, slots=True)
class _Written:
    """A text, what it should be, and how messages call its place."""

    text: str
    kind: Kind
    where: str

    def refusal(self, reason: str, hint: str = "") -> InputError:
        return InputError(f"{self.where}: {reason}, read '{shown(self.text)}'{hint}")

    def no_match(self, expected: str) -> InputError:
        comma = _DECIMAL_COMMA.search(self.text)
        return self.refusal(f"expected {expected}", " (write a decimal point, not a comma)" if comma else "")

    def number(self, digits: str) -> float:
        if not isfinite(number := float(digits)):
            raise self.refusal("expected a finite number")
        return number

    def half_width(self, digits: str) -> float:
        if (size := self.number(digits)) < 0:
            raise self.refusal("a limit of error cannot be negative")
        return size


def parse_quantity(value: object, kind: Kind, where: str, ambient_pressure: Quantity | None = None) -> Quantity:
    """One value of bench.toml or of an option, in the SI unit of its kind.

    value: text such as '32 mm', '0.42 ohm +/- 2 %', '30 +/- 0.05 mm', '1 bar gauge'; a pure number may be
    a number. ambient_pressure: [Pa], needed for gauge. where: file, line and key, to start a message with.
    InputError: anything else, another dimension, or a value outside the kind's range.
    """
    if not kind.unit and isinstance(value, (int, float)) and not isinstance(value, bool):
        written = _Written(as_text(value), kind, where)
        if not abs(value) <= MOST:
            raise written.refusal("expected a finite number")
        number = written.number(written.text)
        return _checked(
            Quantity(number, limit := _last_digit(written.text, is_count=True), by_digit=limit > 0), written
        )
    written = _text(value, kind, where)
    if (match := _QUANTITY.fullmatch(written.text)) is None:
        raise written.no_match(_form(kind))
    return _checked(_to_si(match, written, ambient_pressure), written)


def read_option(text: str, key: str, option: str, ambient_pressure: Quantity | None = None) -> Quantity:
    """An option of the command line, read as the key of bench.toml is, or as a "power" or a "pressure_amplitude".

    option: as messages call it, '--bore'. Else see `parse_quantity`.
    """
    keys = (rule for record in (Rig, SweepSpec) for rule in every_key(record) if rule.form is not Limits)
    kinds = {rule.field: rule.kind for rule in keys} | _OPTIONS
    found = parse_quantity(text, kinds[key], option, ambient_pressure)
    return Quantity(found.value) if found.by_digit else found  # a wish is exact


def _to_si(match: re.Match[str], written: _Written, ambient: Quantity | None) -> Quantity:
    unit, limit_unit = _unit_of(match, "unit"), _unit_of(match, "limit_unit")
    if not unit and match["limit"] and limit_unit != "%":
        unit = limit_unit  # "30 +/- 0.05 mm": one unit for both
    if not unit and written.kind.unit:
        raise written.refusal(f"the unit is missing: expected {_form(written.kind)}")
    scale = conversion_to(unit, written.kind, written.where, None if ambient is None else ambient.value)
    number = written.number(match["value"])
    if match["limit"]:
        limit, by_digit = _limit(match, unit, scale, written), False
    else:
        limit = _last_digit(match["value"], is_count=not unit) * scale.factor
        by_digit = limit > 0
    if unit.endswith(" gauge") and ambient is not None:
        limit += ambient.limit  # limits of error add
    if scale.inverted and number:
        value = 1 / (scale.factor * number)
        return Quantity(value, limit * value**2, by_digit)
    return Quantity(scale.si(number), limit, by_digit)


def _last_digit(digits: str, *, is_count: bool) -> float:
    """Half of the last digit written, which is as well as the number is known; a whole pure number is a count.

    >>> _last_digit("0.42", is_count=False)
    0.005
    """
    mantissa, _, power = digits.lower().partition("e")
    places = max(len(mantissa.partition(".")[2]) - int(power or 0), 0)
    return 0.0 if is_count and float(digits).is_integer() else 0.5 * 10.0**-places


def _limit(match: re.Match[str], unit: str, scale: Conversion, written: _Written) -> float:
    half_width, limit_unit = written.half_width(match["limit"]), _unit_of(match, "limit_unit")
    if limit_unit == "%":
        if written.kind.is_temperature or unit == "%":
            raise written.refusal("percent of what? expected a limit with a unit")
        return abs(half_width / 100 * written.number(match["value"]) * scale.factor)
    if not limit_unit or limit_unit == unit:
        return half_width * scale.factor
    if limit_unit.endswith(" gauge"):
        text = shown(written.text)
        raise InputError(f"{written.where}: a limit of error is a difference, it has no gauge: read '{text}'")
    return half_width * conversion_to(limit_unit, written.kind, written.where).factor


def _checked(found: Quantity, written: _Written) -> Quantity:
    """Refuse what cannot be (absolute zero, vacuum) and what is hardly meant (a bore of 32 m)."""
    check_range(found.value, written.kind, written.where, written.text)
    if written.kind.low > 0 and found.limit >= found.value:
        raise written.refusal("the limit of error is as large as the value")
    return found


def check_range(value: float, kind: Kind, where: str, text: str) -> None:
    """InputError where a value [SI unit of its kind] cannot be or is hardly meant; text is what was read."""
    if kind.is_temperature and value <= 0:
        raise InputError(f"{where}: at or below absolute zero: read '{shown(text)}', {value:g} K")
    if kind.is_pressure and value <= 0:
        raise InputError(f"{where}: an absolute pressure must be above zero: read '{shown(text)}', {value:g} Pa")
    if not kind.low * (1 - 1e-9) <= value <= kind.high * (1 + 1e-9):
        unit = f" {kind.unit}" if kind.unit else ""
        hint = f"; {kind.hint}" if kind.hint else ""
        raise InputError(
            f"{where}: expected a value between {kind.low:g} and {kind.high:g}{unit}, "
            f"read '{shown(text)}', {value:g}{unit}{hint}"
        )


def parse_limits(value: object, kind: Kind, where: str) -> Limits:
    """An instrument's limits of error: '0.5 % + 0.1 W', '0.5 %' or '0.1 W' (of the reading, rectangular).

    InputError: anything else, another dimension, a negative limit, half of the reading or more, or
    percent of a temperature, which depends on the scale.
    """
    written = _text(value, kind, where)
    found: dict[str, float] = {}
    for part in re.split(r"(?<=[^eE])\+", written.text.removeprefix("+/-").removeprefix("±")):
        name, size = _limit_part(part, written)
        if name in found:
            raise written.refusal(f"expected limits such as '{kind.example}'")
        found[name] = size
    return Limits(**found)


def _limit_part(part: str, written: _Written) -> tuple[str, float]:
    """Which field of Limits a part states, and what."""
    match = _PART.fullmatch(part)
    unit = "" if match is None else _unit_of(match, "unit")
    expected = f"limits such as '{written.kind.example}'"
    if match is None or not unit:
        raise written.no_match(expected)
    size = written.half_width(match["value"])
    if unit != "%":
        return "zero", size * conversion_to(unit, written.kind, written.where).factor
    if written.kind.is_temperature or size >= 50:
        raise written.refusal(f"expected {expected}")
    return "gain", size / 100


def _text(value: object, kind: Kind, where: str) -> _Written:
    if isinstance(value, str) and len(value) <= _LONGEST:
        return _Written(value.translate(AS_TYPED).strip(), kind, where)
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise InputError(f"{where}: the unit is missing: expected {_form(kind)}, read {shown(as_text(value))}")
    text = value if isinstance(value, str) else as_text(value)
    raise _Written(text, kind, where).refusal(f"expected {_form(kind)}")


def _form(kind: Kind) -> str:
    return f'one number and its unit, such as "{kind.example}"' if kind.unit else f"a number such as {kind.example}"


def _unit_of(match: re.Match[str], group: str) -> str:
    return match[group] or match[f"{group}_inverse"] or ""
