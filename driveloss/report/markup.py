"""Text as HTML: nothing in a name or a note can be taken for markup."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Mapping

from jinja2.utils import htmlsafe_json_dumps
from markupsafe import Markup
from markupsafe import escape as escape_html


def cell(text: str) -> Markup:
    """A cell's text as HTML: lines stay lines, a half-width is never torn, a key may go on behind a full stop."""
    lines = (Markup(" ").join(map(_whole, re.split(" (?=±)", line))) for line in text.split("\n"))
    return Markup("<br>").join(lines)


def _whole(words: str) -> Markup:
    if re.fullmatch(r"±\d\S*( \S+)?", words):  # and its unit, or its power of ten
        return Markup('<span class="whole">{}</span>').format(words)
    return Markup("<wbr>").join(map(escape_html, re.split(r"(?<=[^\W\d]\.)(?=[a-z_]{5})", words)))


def embedded(data: Mapping[str, object]) -> Markup:
    """JSON that may stand in a <script> element: nothing in it can end the element or begin a comment."""
    return htmlsafe_json_dumps(data, allow_nan=False, separators=(",", ":"))


def script_hash(script: str) -> str:
    """What the page's content security policy allows to run."""
    return "sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
