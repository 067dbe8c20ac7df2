"""What every answer can do beside holding numbers: data for scripts, a data frame, tables in a notebook."""

from __future__ import annotations

from collections.abc import Iterable
from importlib import import_module
from typing import Any, ClassVar

from driveloss.errors import MissingPackageError
from driveloss.say.sheet import Item, html


class Answer:
    """An answer that knows the module that words it, which is loaded when it is asked to."""

    told_by: ClassVar[str]  # module and first word of its functions `..._data` and `..._tables`
    has_more: ClassVar[bool] = False  # whether that module also has `..._everything`, which tells all at length
    in_pieces: ClassVar[bool] = False  # whether it has `..._in_pieces`, the data with an iterator for what is long
    lists: ClassVar[tuple[str, ...]] = ("rows",)  # in the data, whose entries make the rows of a data frame
    columns: ClassVar[tuple[str, ...]] = ()  # of CSV and data frame, the same whatever the data; (): those of the rows

    def to_dict(self) -> dict[str, Any]:
        """The data that `--json` prints: plain lists, numbers and words."""
        data: dict[str, Any] = self._telling("data")
        return data

    def tables(self, *, everything: bool = False) -> list[Item]:
        """What the command prints; `everything`: as with --all, where it has that."""
        items: list[Item] = self._telling("everything" if everything and self.has_more else "tables")
        return items

    def rows(self) -> list[dict[str, Any]]:
        """The entries of the data as `--csv` prints them, with the name of their list where there are several."""
        data, several = self.to_dict(), len(self.lists) > 1
        return [{**({"table": name} if several else {}), **row} for name in self.lists for row in data[name]]

    def csv(self) -> Iterable[str]:
        """The text that `--csv` prints, in pieces."""
        from driveloss.say.csv_form import csv_pieces

        return csv_pieces(self.rows(), self.columns)

    def json(self) -> Iterable[str]:
        """The text that `--json` prints, in pieces."""
        from driveloss.say.json_form import json_pieces

        return json_pieces(self._telling("in_pieces") if self.in_pieces else self.to_dict())

    def to_frame(self) -> Any:
        """A pandas DataFrame with the columns of `--csv`. Raises MissingPackageError without pandas."""
        from driveloss.say.csv_form import flat

        try:
            pandas: Any = import_module("pandas")
        except ImportError as error:
            raise MissingPackageError("to_frame() needs pandas, which is not installed: pip install pandas") from error
        return pandas.DataFrame(flat(self.rows(), self.columns))

    def _repr_html_(self) -> str:
        return html(self.tables())

    def _telling(self, form: str) -> Any:
        module, _, word = self.told_by.partition(":")
        return getattr(import_module(module), f"{word}_{form}")(self)
