"""Drawings that stand in a page beside others: one name each for screen readers, no shared ids, no own size."""

from __future__ import annotations

import re
from html import escape

from markupsafe import Markup

RULE = re.compile(r'<style type="text/css">\*\{([^{}]*)\}</style>')


def inline_svg(svg: str, prefix: str, text: str) -> Markup:
    """An <svg> element whose ids begin with `prefix`, named by `text`, as wide as its place allows.

    svg: as `figures.svg_text` gives it. The drawing's own size stays its largest, in points.
    """
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    rules = ";".join(RULE.findall(svg))  # such a rule would hold for the whole page
    svg = re.sub(r"<defs>\s*</defs>\s*", "", RULE.sub("", svg))
    head, body = svg.split(">", 1)
    size = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', head)
    assert size is not None
    width, height = size.groups()
    style = f"{rules};width:{float(width):.0f}pt;height:auto"
    opening = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'viewBox="0 0 {width} {height}" style="{style.lstrip(";")}" role="img" aria-label="{escape(text)}">'
    )
    return Markup(opening + _renamed(body, prefix))


def _renamed(body: str, prefix: str) -> str:
    """Ids, and what refers to them, with a prefix."""
    body = re.sub(r'\bid="', f'id="{prefix}-', body)
    body = re.sub(r'href="#', f'href="#{prefix}-', body)
    return body.replace("url(#", f"url(#{prefix}-")
