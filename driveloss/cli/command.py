"""What makes a function a command: its options laid out for typer, and how bad input ends."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import MISSING, Field, fields, is_dataclass
from functools import wraps
from inspect import Parameter, Signature, signature
from typing import Any, get_type_hints

import typer


def command(function: Callable[..., None]) -> Callable[..., None]:
    """Make a function a command whose bad input ends as `bad_input_exits_2` says.

    A parameter that is a record (a dataclass) stands for one option a field: typer reads signatures, so it is shown
    one with the fields in the record's place, and the record is put together when the command runs. Options that
    several commands have are thus written once, in a record of theirs.
    """
    hints = get_type_hints(function, include_extras=True)
    records: dict[str, Any] = {name: hint for name, hint in hints.items() if is_dataclass(hint)}

    @wraps(function)
    def run(**given: object) -> None:
        with bad_input_exits_2():
            for name, record in records.items():
                given[name] = record(**{field.name: given.pop(field.name) for field in fields(record)})
            function(**given)

    laid_out: list[Parameter] = []
    for name, parameter in signature(function).parameters.items():
        if name in records:
            laid_out += _options(records[name])
        else:
            laid_out.append(parameter.replace(annotation=hints[name], kind=Parameter.KEYWORD_ONLY))
    run.__signature__ = Signature(laid_out)  # type: ignore[attr-defined]
    run.__annotations__ = {parameter.name: parameter.annotation for parameter in laid_out}
    return run


def _options(record: type) -> list[Parameter]:
    """A parameter for each field of a record."""
    hints = get_type_hints(record, include_extras=True)

    def default(field: Field[Any]) -> object:
        return Parameter.empty if field.default is MISSING else field.default

    return [
        Parameter(field.name, Parameter.KEYWORD_ONLY, default=default(field), annotation=hints[field.name])
        for field in fields(record)
    ]


@contextmanager
def bad_input_exits_2() -> Iterator[None]:
    """Turn an error that the user can mend into one message on standard error and exit code 2."""
    from driveloss.errors import InputError, OutputError

    try:
        yield
    except (InputError, OutputError) as error:
        typer.echo(f"driveloss: {error}", err=True)
        raise typer.Exit(2) from error
    except BrokenPipeError:  # the reader of a pipe had enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise typer.Exit(0) from None
