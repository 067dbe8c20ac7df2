"""Errors a user can mend: each carries one finished sentence."""


class DrivelossError(Exception):
    """Base of every error that driveloss raises on purpose."""


class InputError(DrivelossError, ValueError):
    """A bench, a sweep, a saved calibration or an option cannot be used as it stands."""


class NoReadingsError(InputError):
    """A file of readings has its header line and nothing below it."""


class OutputError(DrivelossError, OSError):
    """An output file cannot be written."""


class MissingPackageError(DrivelossError, ImportError):
    """A package that driveloss can do without is needed for what was asked."""
