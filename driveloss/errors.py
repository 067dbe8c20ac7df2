"""Errors a user can mend: each carries one finished sentence."""


class DrivelossError(Exception):
    """Base of every error that driveloss raises on purpose."""


class InputError(DrivelossError, ValueError):
    """A bench, a sweep, a saved calibration or an option cannot be used as it stands."""


class OutputError(DrivelossError, OSError):
    """An output file cannot be written."""
