"""One quantity as text, with its limit of error, to SI."""

from __future__ import annotations

import re
from math import isfinite

from driveloss.bench.records import Limits, Quantity
from driveloss.bench.rules import Kind
from driveloss.bench.units import FACTORS, UNIT, Conversion, conversion_to, shown
from driveloss.errors import InputError

# Atomic groups (?>...): "11/min" must not come apart as 1 and "1/min".
NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,2}(?!\d))?"


def _unit_group(name: str) -> str:
    return rf"(?:\s*(?P<{name}>{FACTORS})|\s+(?P<{name}_inverse>{UNIT}))?"


_QUANTITY = re.compile(
    rf"\s*(?P<value>(?>{NUMBER})){_unit_group('unit')}"
    rf"(?:\s*(?:\+/-|±)\s*(?P<limit>(?>{NUMBER})){_unit_group('limit_unit')})?\s*",
    re.ASCII,
)
_PART = re.compile(rf"\s*(?P<value>(?>{NUMBER})){_unit_group('unit')}\s*", re.ASCII)
_DECIMAL_COMMA = re.compile(r"\d,\d")
_LONGEST = 120


def parse_quantity(value: object, kind: Kind, where: str, ambient_pressure: Quantity | None = None) -> Quantity:
    """One value of bench.toml or of an option, in the SI unit of its kind.

    value: text such as '32 mm', '0.42 ohm +/- 2 %', '30 +/- 0.05 mm', '1 bar gauge'; a pure number may be
    a number. ambient_pressure: [Pa], needed for gauge. where: file, line and key, to start a message with.
    InputError: anything else, another dimension, or a value outside the kind's range.
    """
    if not kind.unit and isinstance(value, (int, float)) and not isinstance(value, bool):
        return _checked(Quantity(_finite(float(value), str(value), where)), kind, where, str(value))
    text = _text(value, kind, where)
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise InputError(f"{where}: expected {_form(kind)}, read '{shown(text)}'{_comma_hint(text)}")
    unit, limit_unit = _unit_of(match, "unit"), _unit_of(match, "limit_unit")
    if not unit and match["limit"] and limit_unit != "%":
        unit = limit_unit  # "30 +/- 0.05 mm": one unit for both
    return _to_si(match, unit, limit_unit, kind, where, ambient_pressure, text)


def _to_si(
    match: re.Match[str],
    unit: str,
    limit_unit: str,
    kind: Kind,
    where: str,
    ambient: Quantity | None,
    text: str,
) -> Quantity:
    if not unit and kind.unit:
        raise InputError(f"{where}: the unit is missing: expected {_form(kind)}, read '{shown(text)}'")
    scale = conversion_to(unit, kind, where, None if ambient is None else ambient.value)
    number = _finite(float(match["value"]), text, where)
    limit = 0.0
    if match["limit"]:
        limit = _limit(match["limit"], limit_unit, number, unit, scale, kind, where, text)
    if unit.endswith(" gauge") and ambient is not None:
        limit += ambient.limit  # limits of error add
    return _checked(Quantity(scale.factor * number + scale.offset, limit), kind, where, text)


def _limit(
    written: str,
    limit_unit: str,
    number: float,
    unit: str,
    scale: Conversion,
    kind: Kind,
    where: str,
    text: str,
) -> float:
    half_width = _finite(float(written), text, where)
    if half_width < 0:
        raise InputError(f"{where}: a limit of error cannot be negative, read '{shown(text)}'")
    if limit_unit == "%":
        if kind.is_temperature or unit == "%":
            raise InputError(f"{where}: percent of what? expected a limit with a unit, read '{shown(text)}'")
        return abs(half_width / 100 * number * scale.factor)
    if not limit_unit or limit_unit == unit:
        return half_width * scale.factor
    if limit_unit.endswith(" gauge"):
        raise InputError(f"{where}: a limit of error is a difference, it has no gauge: read '{shown(text)}'")
    return half_width * conversion_to(limit_unit, kind, where).factor


def _checked(found: Quantity, kind: Kind, where: str, text: str) -> Quantity:
    """Refuse what cannot be (absolute zero, vacuum) and what is hardly meant (a bore of 32 m)."""
    check_range(found.value, kind, where, text)
    if kind.low > 0 and found.limit >= found.value:
        raise InputError(f"{where}: the limit of error is as large as the value, read '{shown(text)}'")
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
    text = _text(value, kind, where)
    parts = re.split(r"(?<=[^eE])\+", text.removeprefix("+/-").removeprefix("±"))
    limits = [_limit_part(part, kind, where, text) for part in parts]
    gains = [size for size, is_gain in limits if is_gain]
    zeros = [size for size, is_gain in limits if not is_gain]
    if len(gains) > 1 or len(zeros) > 1:
        raise InputError(f"{where}: expected limits such as '{kind.example}', read '{shown(text)}'")
    return Limits(gain=sum(gains, 0.0), zero=sum(zeros, 0.0))


def _limit_part(part: str, kind: Kind, where: str, text: str) -> tuple[float, bool]:
    match = _PART.fullmatch(part)
    unit = "" if match is None else _unit_of(match, "unit")
    if match is None or not unit:
        raise InputError(f"{where}: expected limits such as '{kind.example}', read '{shown(text)}'{_comma_hint(text)}")
    size = _finite(float(match["value"]), text, where)
    if size < 0:
        raise InputError(f"{where}: a limit of error cannot be negative, read '{shown(text)}'")
    if unit != "%":
        return size * conversion_to(unit, kind, where).factor, False
    if kind.is_temperature or size >= 50:
        raise InputError(f"{where}: expected limits such as '{kind.example}', read '{shown(text)}'")
    return size / 100, True


def _text(value: object, kind: Kind, where: str) -> str:
    if isinstance(value, str) and len(value) <= _LONGEST:
        return value.strip()
    read = shown(str(value))
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise InputError(f"{where}: the unit is missing: expected {_form(kind)}, read {read}")
    raise InputError(f"{where}: expected {_form(kind)}, read '{read}'")


def _form(kind: Kind) -> str:
    return f'one number and its unit, such as "{kind.example}"' if kind.unit else f"a number such as {kind.example}"


def _unit_of(match: re.Match[str], group: str) -> str:
    return match[group] or match[f"{group}_inverse"] or ""


def _finite(number: float, text: str, where: str) -> float:
    if not isfinite(number):
        raise InputError(f"{where}: expected a finite number, read '{shown(text)}'")
    return number


def _comma_hint(text: str) -> str:
    return " (write a decimal point, not a comma)" if _DECIMAL_COMMA.search(text) else ""
