"""Text and drawings as HTML: nothing in a name or a note can be taken for markup, and no drawing disturbs another."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Mapping
from html import escape

from jinja2.utils import htmlsafe_json_dumps
from markupsafe import Markup
from markupsafe import escape as escape_html

RULE = re.compile(r'<style type="text/css">\*\{([^{}]*)\}</style>')
OPENING = re.compile(r'<svg[^>]*viewBox="0 0 ([\d.]+) ([\d.]+)"[^>]*>')


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


def colours_of(svg: str) -> set[str]:
    """The colours, #rrggbb, that a drawing takes from variables of the page: --frrggbb for each."""
    return {f"#{digits}" for digits in re.findall(r"var\(--f(\w{6})\)", svg)}


def _lean(svg: str) -> str:
    """A drawing without what a page can do without: remarks, ids that nothing refers to, the hundredth of a point."""
    svg = re.sub(r"<metadata>.*?</metadata>|<!--.*?-->", "", svg, flags=re.DOTALL)
    used = set(re.findall(r'(?:href="|url\()#([^")]+)', svg))
    svg = re.sub(r' id="([^"]*)"', lambda found: found[0] if found[1] in used else "", svg)
    svg = re.sub(r' transform="rotate\(-?0 [^"]*"|; font-family: [^;"]*(?=[;"])', "", svg)
    svg = re.sub(r'\b(?:d|x|y|transform|width|height)="[^"]*"', _rounded, svg)
    return re.sub(r"\s*\n\s*", "\n", svg)


def _rounded(attribute: re.Match[str]) -> str:
    text = re.sub(r"\d+\.\d{3,}", lambda found: f"{float(found[0]):.2f}".rstrip("0").rstrip("."), attribute[0])
    return re.sub(r"\s*\n(?!\")", " ", text).replace("\n", "")


def inline_svg(svg: str, prefix: str, text: str) -> Markup:
    """An <svg> element whose ids begin with `prefix`, named by `text` for screen readers, as wide as its place allows.

    svg: as `figures.svg_text` gives it. The drawing's own size stays its largest, in points. Its colours become
    variables, see `colours_of`, so that the page decides what they are in the dark.
    """
    svg = _lean(svg)
    rules = "".join(f"{rule};" for rule in RULE.findall(svg))  # such a rule would hold for the whole page
    svg = re.sub(r"<defs>\s*</defs>\s*", "", RULE.sub("", svg))
    svg = re.sub(r'\bid="|href="#|url\(#', rf"\g<0>{prefix}-", svg)  # ids, and what refers to them
    svg = re.sub(r'\b(fill|stroke)="(#\w{6})"', r'style="\1: \2"', svg)
    svg = re.sub(r'style="[^"]*"', lambda found: re.sub(r"#([0-9a-f]{6})\b", r"var(--f\1)", found[0]), svg)

    def opening(found: re.Match[str]) -> str:
        return (
            '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
            f'viewBox="0 0 {found[1]} {found[2]}" style="{rules}width:{float(found[1]):.0f}pt;height:auto" '
            f'role="img" aria-label="{escape(text)}">'
        )

    return Markup(OPENING.sub(opening, svg, count=1))
