"""What screening finds: one sentence each, with its place and size."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """`sentence` says what, where, how large and what to do; the other fields are for scripts."""

    kind: str  # 'outlier', 'suspect', 'drift', 'sweep', 'order', 'lack-of-fit', 'mix-up'
    sentence: str
    file: str | None = None
    line: int | None = None
    watts: float | None = None
    left_out: bool = False
