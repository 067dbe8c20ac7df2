"""The rule of a key of bench.toml, or of a column of a sweep file, as its field of a record carries it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import MISSING, dataclass, field, fields, replace
from functools import cache
from math import inf
from types import NoneType
from typing import Any, get_args, get_origin, get_type_hints


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of quantity: its name, SI unit ("" = pure number), an example, and its range in that unit."""

    name: str
    unit: str
    example: str
    low: float = 0.0
    high: float = inf
    hint: str = ""  # what may have gone wrong when a value lies outside the range
    has_gaps: bool = False  # a column in which single cells may be empty

    @property
    def is_temperature(self) -> bool:
        """Offsets matter: 20 degC is 293.15 K, but a limit of 1 degC is 1 K."""
        return self.unit == "K"

    @property
    def is_pressure(self) -> bool:
        """May be written as gauge pressure."""
        return self.unit == "Pa"

    @property
    def is_frequency(self) -> bool:
        """Counted in revolutions per second, whatever pint makes of radians."""
        return self.unit == "Hz"


@dataclass(frozen=True, slots=True)
class Key:
    """One key of bench.toml, or one table of keys."""

    kind: Kind
    written: str  # its example, as bench.toml has it
    comment: str = ""  # beside it in the template
    shown: bool | None = None  # whether the template fills it in; None = if it is required
    words: tuple[str, ...] = ()  # the choice of a text; () = any
    at: str = ""  # its table in the record's own table, and its name there
    limit_in: str = ""  # where to state its limit of error, if not here
    field: str = ""
    form: Any = None  # of the record's field: Quantity, Limits, float (a value only), str, or a record of keys
    is_required: bool = False

    @property
    def is_shown(self) -> bool:
        """Filled in by the template, not commented out."""
        return self.is_required if self.shown is None else self.shown

    @property
    def home(self) -> str:
        """The table inside the record's own that it stands in; '' = the record's own."""
        return self.at.rpartition(".")[0]

    @property
    def name(self) -> str:
        return self.at.rpartition(".")[2] or self.field

    @property
    def record(self) -> Any:
        """What a table is read into; None for a single key."""
        inner = get_args(self.form)[-1] if self.is_family else self.form
        return inner if keys_of(inner) else None

    @property
    def is_family(self) -> bool:
        """A table of tables, each with a name of its own."""
        return get_origin(self.form) is dict


def key(  # noqa: PLR0913 - what a bench may ask, on its field
    name: str,
    unit: str,
    example: str,
    low: float = 0.0,
    high: float = inf,
    hint: str = "",
    comment: str = "",
    *,
    default: Any = MISSING,
    **more: Any,
) -> Any:
    """A field of a record that is a quantity; `more` as in `Key`. Ranges catch a wrong unit, not an unusual machine."""
    written = f'"{example}"' if unit or set("+%") & set(example) else example
    return _field(Key(Kind(name, unit, example, low, high, hint), written, comment, **more), default)


def text(example: str, comment: str = "", *, default: Any = MISSING, **more: Any) -> Any:
    """A field of a record that is a text; `more` as in `Key`."""
    return _field(Key(Kind("text", "", example), f'"{example}"', comment, **more), default)


def table(comment: str = "", default: Any = MISSING) -> Any:
    """A field of a record that is a record itself, or a dict of named ones."""
    return _field(Key(Kind("table", "", ""), "", comment), default)


def column(  # noqa: PLR0913 - what a sweep file may hold, on its field
    name: str, unit: str, example: str, high: float, hint: str, *, is_required: bool = False, has_gaps: bool = False
) -> Any:
    """A field of Sweep that is a column of numbers, headed by the field's name and a unit such as the example.

    has_gaps: single cells may be empty, where every reader of the field bears nan.
    """
    kind = Kind(name, unit, example, 0.0, high, hint, has_gaps)
    return field(default=MISSING if is_required else None, metadata={"column": kind})


def _field(rule: Key, default: Any) -> Any:
    return field(default=default, metadata={"key": rule})


def keys_of(record: Any) -> tuple[Key, ...]:
    """The keys of the table that a class of records is read from, in the order of its fields; () for other classes."""
    return _keys_of(record)


@cache
def _keys_of(record: Any) -> tuple[Key, ...]:
    ruled = [f for f in fields(record) if "key" in f.metadata] if hasattr(record, "__dataclass_fields__") else []
    forms = get_type_hints(record) if ruled else {}
    return tuple(
        replace(
            f.metadata["key"],
            field=f.name,
            form=_without_none(forms[f.name]),
            is_required=f.default is MISSING and bool(f.metadata["key"].written),
        )
        for f in ruled
    )


def every_key(record: type) -> Iterator[Key]:
    """The keys of a record and of the records in it."""
    for rule in keys_of(record):
        yield from every_key(rule.record) if rule.record else (rule,)


def names_in(record: type, home: str = "") -> tuple[str, ...]:
    """What may stand in a record's table, or in the table `home` inside it that holds some of its keys."""
    keys = keys_of(record)
    names = [key.name for key in keys if key.home == home] if home else [key.home or key.name for key in keys]
    return tuple(dict.fromkeys(names))


def _without_none(hint: Any) -> Any:
    inner = [part for part in get_args(hint) if part is not NoneType]
    return inner[0] if NoneType in get_args(hint) else hint


def columns_of(record: type) -> dict[str, Kind]:
    """The columns of a sweep file by the field that they fill."""
    return {f.name: f.metadata["column"] for f in fields(record) if "column" in f.metadata}
