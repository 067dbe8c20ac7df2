"""What makes a function a command: its options laid out for typer, and how bad input ends."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import MISSING, field, fields, is_dataclass
from functools import wraps
from inspect import Parameter, Signature, signature
from signal import SIGINT
from typing import Annotated, Any, get_type_hints

import typer

from driveloss.cli.streams import STOPPED, to_nowhere

KEPT = {-1: 256 * 2**20, -3: 32 * 2**20}  # [bytes] M_TRIM_THRESHOLD and M_MMAP_THRESHOLD of glibc's malloc.h


def option(about: str, metavar: str | None = None, *flags: str, default: Any = None, **more: Any) -> Any:
    """A field of a record that is an option: `flags` where it is not called as the field is, `more` as typer has it."""
    return field(default=default, metadata={"option": typer.Option(*flags, metavar=metavar, help=about, **more)})


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
        _keep_freed_memory()
        with bad_input_exits_2():
            for name, record in records.items():
                given[name] = record(**{option.name: given.pop(option.name) for option in fields(record)})
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


def _keep_freed_memory() -> None:
    """Let the C library hold on to what arrays leave, where it can be told.

    By itself it gives much of it back and takes it anew, page by page: a fifth to a third of the time of array code.
    """
    if sys.platform == "linux":
        import ctypes

        mallopt = getattr(ctypes.CDLL(None), "mallopt", None)  # others than glibc lack it
        if mallopt is not None:
            for name, size in KEPT.items():
                mallopt(name, size)


def _options(record: type) -> list[Parameter]:
    """A parameter for each field of a record."""
    hints = get_type_hints(record)
    return [
        Parameter(
            option.name,
            Parameter.KEYWORD_ONLY,
            default=Parameter.empty if option.default is MISSING else option.default,
            annotation=Annotated[hints[option.name], option.metadata["option"]],
        )
        for option in fields(record)
    ]


@contextmanager
def bad_input_exits_2() -> Iterator[None]:
    """Turn an error that the user can mend into one message on standard error and exit code 2."""
    from driveloss.errors import InputError, MissingPackageError, OutputError

    try:
        yield
    except (InputError, MissingPackageError, OutputError) as error:
        typer.echo(f"driveloss: {_printable(error)}", err=True)
        raise typer.Exit(2) from error
    except BrokenPipeError:  # the reader of a pipe had enough
        to_nowhere()
        raise typer.Exit(0) from None
    except KeyboardInterrupt:
        typer.echo("driveloss: stopped", err=True)
        raise typer.Exit(STOPPED + SIGINT) from None


def _printable(error: Exception) -> str:
    from driveloss.bench.units import one_line

    return "\n".join(one_line(line) for line in str(error).split("\n"))
