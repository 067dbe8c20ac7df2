"""A figure as an <svg> element that stands in a page: small, its words as text in the page's own font.

What elements have in common stands once, on a group of them, as a class; all drawings of a page share the classes, see
`Looks`. Colours are variables of the page, --frrggbb for #rrggbb, so that it decides what they are in the dark.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache, lru_cache
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.backend_bases import RendererBase
from matplotlib.colors import to_hex
from matplotlib.font_manager import weight_dict
from matplotlib.hatch import get_path
from matplotlib.path import Path
from matplotlib.transforms import Affine2D, BboxTransformTo

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.text import Text

Pen = Any  # matplotlib's GraphicsContextBase, whose annotations are wider than what it gives
POINTS = 72  # in an inch
TILE = 12.0  # [pt] after which a hatching repeats: a sixth of matplotlib's, which holds six such each way
ANCHORS = {"left": "start", "center": "middle", "right": "end"}
CAPS = {"butt": "butt", "projecting": "square", "round": "round"}
USUAL = {"stroke-width": "1", "stroke-opacity": "1", "stroke-linejoin": "miter", "stroke-linecap": "butt",
         "stroke-dashoffset": "0"}  # fmt: skip
LETTERS: dict[Any, tuple[str, int]] = {Path.LINETO: ("l", 1), Path.CURVE3: ("q", 2), Path.CURVE4: ("c", 3)}


class Looks(dict[str, str]):
    """The classes of a page's drawings: CSS declarations to name."""

    def name(self, declarations: str) -> str:
        """The class that stands for some declarations."""
        return self.setdefault(declarations, f"d{len(self)}")

    def rules(self) -> str:
        """All of them as CSS."""
        return "\n".join(f".{name} {{ {declarations} }}" for declarations, name in self.items())


def svg_element(figure: Figure, key: str, about: str, looks: Looks) -> str:
    """The element: its ids begin with `key`, `about` names it for screen readers, `looks` takes its classes."""
    wide, high = (POINTS * float(size) for size in figure.get_size_inches())
    sheet, dpi = _Sheet(wide, high, key, looks), figure.dpi
    figure.dpi = POINTS
    figure.draw(sheet)
    figure.dpi = dpi
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} {high:g}" '
        f'style="width:{wide:.0f}pt;height:auto" role="img" aria-label="{escape(about)}">\n{sheet.content()}</svg>'
    )


class _Sheet(RendererBase):
    """What matplotlib draws on; y points down. [pt]"""

    def __init__(self, width: float, height: float, key: str, looks: Looks) -> None:
        super().__init__()
        self.width, self.height, self.key, self.looks = width, height, key, looks
        self.flip = Affine2D().scale(1, -1).translate(0, height)
        self.defined: dict[str, str] = {}  # what elements refer to: its markup with {} for its id
        self.boxes: dict[tuple[float, ...], str] = {}  # what clips, by the place of a box
        self.made: list[str] = []
        self.group = ""  # attributes of the group that is open

    def content(self) -> str:
        """Everything that was drawn."""
        self._open("")
        shared = "".join(markup.format(name) for markup, name in self.defined.items())
        return f"<defs>{shared}</defs>\n" * bool(shared) + "\n".join(self.made) + "\n"

    def get_canvas_width_height(self) -> tuple[float, float]:
        """As matplotlib asks for it."""
        return self.width, self.height

    def get_text_width_height_descent(self, s: str, prop: Any, ismath: Any) -> tuple[float, float, float]:
        """As matplotlib has it; many drawings have the same words."""
        return _measured(s, prop, ismath)

    def draw_path(self, gc: Pen, path: Path, transform: Any, rgbFace: Any = None) -> None:
        """One outline."""
        self._put(gc, rgbFace, f'<path d="{self._outline(path, transform)}"/>')

    def draw_markers(  # noqa: PLR0913 - matplotlib's own, as is draw_text
        self, gc: Pen, marker_path: Path, marker_trans: Any, path: Path, trans: Any, rgbFace: Any = None
    ) -> None:
        """One shape at each vertex of a path."""
        shape = outline(marker_path.cleaned(marker_trans + Affine2D().scale(1, -1), curves=True), 100)
        name = self._named(f'<path id="{{}}" d="{shape}"/>')
        places = (vertices[-2:] for vertices, _ in path.iter_segments(trans + self.flip, simplify=False))
        uses = "".join(f'<use href="#{name}" x="{_number(x)}" y="{_number(y)}"/>' for x, y in places)
        self._put(gc, rgbFace, uses)

    def draw_text(  # noqa: PLR0913
        self,
        gc: Pen,
        x: float,
        y: float,
        s: str,
        prop: Any,
        angle: float,
        ismath: Any = None,
        mtext: Text | None = None,
    ) -> None:
        """One line of text; level text keeps hold of the side by which it was placed."""
        weight = weight_dict.get(prop.get_weight(), prop.get_weight())
        font = f"font-size: {prop.get_size():g}px" + f"; font-weight: {weight}" * (weight != weight_dict["normal"])
        turned = f' transform="translate({_number(x)} {_number(y)}) rotate({-angle:g})"'
        if mtext is not None and not angle:
            font += f"; text-anchor: {ANCHORS[mtext.get_horizontalalignment()]}"
            x, _ = mtext.get_transform().transform(mtext.get_unitless_position())
            turned = f' x="{_number(x)}" y="{_number(y)}"'
        self._open(f' class="{self.looks.name(f"{font}; fill: {_colour(gc.get_rgb())}")}"')
        self.made.append(f"<text{turned}>{escape(s, quote=False)}</text>")

    def _put(self, gc: Pen, face: Any, elements: str) -> None:
        """Elements of one look."""
        filled = f' fill="url(#{self._hatching(gc, face)})"' if gc.get_hatch() else ""
        look = _outlined(gc) + ([] if filled else ["fill: none" if face is None else f"fill: {_colour(face)}"])
        alpha = gc.get_alpha() if gc.get_forced_alpha() else 1.0
        if alpha != 1:
            look.append(f"opacity: {alpha:g}")
        elif face is not None and len(face) == 4 and face[3] != 1:
            look.append(f"fill-opacity: {face[3]:g}")
        named = f' class="{self.looks.name("; ".join(look))}"' if look else ""
        self._open(f"{named}{filled}{self._clipped(gc)}")
        self.made.append(elements)

    def _open(self, attributes: str) -> None:
        """Go on in a group of these attributes."""
        if attributes == self.group:
            return
        self.made += ["</g>"] * bool(self.group) + [f"<g{attributes}>"] * bool(attributes)
        self.group = attributes

    def _named(self, markup: str) -> str:
        """The id of something that elements refer to."""
        return self.defined.setdefault(markup, f"{self.key}-{len(self.defined)}")

    def _clipped(self, gc: Pen) -> str:
        """The attribute that keeps elements inside their axes."""
        box, (path, transform) = gc.get_clip_rectangle(), gc.get_clip_path()
        if path is not None:
            return self._edge(path, transform)
        if box is None:
            return ""
        if box.bounds not in self.boxes:
            self.boxes[box.bounds] = self._edge(Path.unit_rectangle(), BboxTransformTo(box))
        return self.boxes[box.bounds]

    def _edge(self, path: Path, transform: Any) -> str:
        markup = f'<clipPath id="{{}}"><path d="{self._outline(path, transform)}"/></clipPath>'
        return f' clip-path="url(#{self._named(markup)})"'

    def _hatching(self, gc: Pen, face: Any) -> str:
        """The id of a pattern."""
        lines, colour = _hatch(str(gc.get_hatch())), _colour(gc.get_hatch_color())
        ground = "none" if face is None else _colour(face)
        look = f"fill: {colour}; stroke: {colour}; stroke-width: {gc.get_hatch_linewidth():g}; stroke-linejoin: miter"
        back, front = self.looks.name(f"fill: {ground}"), self.looks.name(look)
        return self._named(
            f'<pattern id="{{}}" patternUnits="userSpaceOnUse" width="{TILE:g}" height="{TILE:g}">'
            f'<path class="{back}" d="M0 0h{TILE:g}v{TILE:g}h-{TILE:g}z"/><path class="{front}" d="{lines}"/></pattern>'
        )

    def _outline(self, path: Path, transform: Any) -> str:
        return outline(path.cleaned(transform + self.flip, remove_nans=True, curves=True))


_measured = lru_cache(1000)(RendererBase().get_text_width_height_descent)  # at 72 dots per inch


@cache
def _hatch(signs: str) -> str:
    """The attribute `d` of a hatching's tile."""
    return outline(get_path(signs, 1).transformed(Affine2D().scale(TILE, -TILE).translate(0, TILE)), 100)


def _outlined(gc: Pen) -> list[str]:
    """How a line is drawn, as far as it is not the usual."""
    width, (offset, dashes) = gc.get_linewidth(), gc.get_dashes()
    if not width:
        return []
    alpha = 1.0 if gc.get_forced_alpha() else gc.get_rgb()[3]
    look = {"stroke": _colour(gc.get_rgb()), "stroke-width": f"{width:g}", "stroke-opacity": f"{alpha:g}"}
    look |= {"stroke-linejoin": gc.get_joinstyle(), "stroke-linecap": CAPS[gc.get_capstyle()]}
    if dashes is not None:
        look |= {"stroke-dasharray": " ".join(f"{dash:g}" for dash in dashes), "stroke-dashoffset": f"{offset:g}"}
    return [f"{name}: {value}" for name, value in look.items() if USUAL.get(name) != value]


def _colour(rgb: Any) -> str:
    return f"var(--f{_hex(tuple(rgb))[1:]})"


_hex = cache(to_hex)


def _number(value: float) -> str:
    """In tenths."""
    return _shortest(round(10 * value), 10)


@lru_cache(maxsize=10_000)
def _shortest(value: int, per_point: int) -> str:
    text = f"{value / per_point:.2f}".rstrip("0").rstrip(".").replace("0.", ".", 1 if abs(value) < per_point else 0)
    return text or "0"


def outline(path: Path, per_point: int = 10) -> str:
    """The attribute `d` of a path, each corner relative to the last, in tenths (or as told) of a point.

    >>> outline(Path([(1, 2), (4, 2), (4, 2.5), (1, 2)], [1, 2, 2, 79]))
    'M1 2h3v.5z'
    """
    corners: list[list[int]] = np.rint(per_point * np.asarray(path.vertices, float)).astype(int).tolist()
    codes = (
        [Path.MOVETO] + [Path.LINETO] * (len(corners) - 1) if path.codes is None else np.asarray(path.codes).tolist()
    )
    start, here, i, pieces = [0, 0], [0, 0], 0, list[str]()
    while i < len(codes):
        code, size = codes[i], 1
        if code == Path.MOVETO:
            start = here = corners[i]
            pieces.append("M" + _joined(here, per_point))
        elif code == Path.CLOSEPOLY:
            here = start
            pieces.append("z")
        elif code in LETTERS:
            letter, size = LETTERS[code]
            steps = [end - begin for corner in corners[i : i + size] for end, begin in zip(corner, here, strict=True)]
            here = corners[i + size - 1]
            pieces.append(_line(steps, per_point) if letter == "l" else letter + _joined(steps, per_point))
        i += size
    return "".join(pieces)


def _line(step: Sequence[int], per_point: int) -> str:
    """A straight step, level or upright where it can be."""
    if step[1] == 0:
        return "h" + _shortest(step[0], per_point)
    return "v" + _shortest(step[1], per_point) if step[0] == 0 else "l" + _joined(step, per_point)


def _joined(values: Sequence[int], per_point: int) -> str:
    return " ".join(_shortest(value, per_point) for value in values).replace(" -", "-")
