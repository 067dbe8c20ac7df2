"""Drawings in a page: the same shapes as matplotlib's own path holds, words as text, markup that any parser reads."""

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.hatch import get_path
from matplotlib.path import Path

from driveloss.figures.style import PARTS
from driveloss.figures.svg import TILE, Looks, outline, svg_element

SVG = "{http://www.w3.org/2000/svg}"
NUMBER = r"-?(?:\d+\.?\d*|\.\d+)"
STEPS = {"M": 2, "l": 2, "h": 1, "v": 1, "q": 4, "c": 6, "z": 0}


def corners(d: str) -> np.ndarray:
    """Ends of all pieces of a path's `d`, by the rules of SVG 2, 9.3 (W3C)."""
    here, start, found = np.zeros(2), np.zeros(2), []
    for letter, rest in re.findall(r"([Mlhvqcz])([^Mlhvqcz]*)", d):
        values = [float(number) for number in re.findall(NUMBER, rest)]
        assert len(values) == STEPS[letter], d
        if letter == "M":
            here = start = np.array(values)
        elif letter == "z":
            here = start
        else:
            step = {"h": [*values, 0], "v": [0, *values]}.get(letter, values)[-2:]
            here = here + step
        found.append(here)
    return np.array(found)


@pytest.mark.parametrize("per_point", [10, 100])
def test_an_outline_goes_where_the_path_goes(per_point):
    """Errors of rounding do not add up along it."""
    rng = np.random.default_rng(1)
    places = np.cumsum(rng.normal(0, 3, (500, 2)), axis=0)
    made = corners(outline(Path(places), per_point))
    assert np.abs(made - places).max() <= 0.5 / per_point + 1e-9
    assert "e" not in outline(Path(1e5 * places), per_point)


def test_an_outline_keeps_curves_and_closes():
    circle = Path.circle((10, 20), 5)
    made = outline(circle, 100)
    assert made.count("c") == list(circle.codes).count(Path.CURVE4) / 3 and made.endswith("z")
    assert np.hypot(*(corners(made) - (10, 20)).T) == pytest.approx(5, abs=0.01)


def lines_of(path: Path, scale: float) -> set[tuple[float, float]]:
    """Its lines, rising and falling, by where they cross an edge of the tile that repeats."""
    ends = scale * path.vertices.reshape(-1, 2, 2)
    slopes = np.sign(np.prod(ends[:, 1] - ends[:, 0], axis=1))
    return {(slope, round((y - slope * x) % TILE, 6) % TILE) for slope, (x, y) in zip(slopes, ends[:, 0], strict=True)}


def dots_of(path: Path, scale: float) -> set[tuple[float, float]]:
    """Centres of its dots, within the tile that repeats."""
    rings = np.split(path.vertices, np.flatnonzero(path.codes == Path.MOVETO)[1:])
    centres = (scale * (ring.max(axis=0) + ring.min(axis=0)) / 2 for ring in rings)
    return {tuple(np.round(np.round(centre, 6) % TILE, 6)) for centre in centres}


@pytest.mark.parametrize("hatch", ["\\\\", "/////", *sorted({part.hatch for part in PARTS.values() if part.hatch})])
def test_a_tile_repeats_into_the_hatching_of_matplotlib(hatch):
    """Which lays its own at a density of six over an inch."""
    of = dots_of if "." in hatch else lines_of
    assert of(get_path(hatch, 1), TILE) == of(get_path(hatch, 6), 6 * TILE)


def test_an_element_is_read_by_any_parser_and_keeps_words_apart_from_markup():
    figure = Figure(figsize=(3, 2))
    ax = figure.add_subplot()
    ax.plot([1, 2], [3, 4], marker="o", ls="--", label="<b>&amp;", clip_on=True)
    ax.bar([1], [3], hatch="//", alpha=0.5)
    ax.set_title('x < "y"')
    ax.set_ylabel("upright")
    looks = Looks()
    root = ElementTree.fromstring(svg_element(figure, "k", 'say "<so>"', looks))
    assert root.get("aria-label") == 'say "<so>"' and root.get("viewBox") == "0 0 216 144"
    texts = {text.text: text for text in root.iter(f"{SVG}text")}
    assert 'x < "y"' in texts and "rotate(-90)" in texts["upright"].get("transform")
    ids = {element.get("id") for element in root.iter() if element.get("id")}
    assert ids and all(name.startswith("k-") for name in ids)
    named = {element.get("class") for element in root.iter() if element.get("class")}
    assert named == set(looks.values())
    assert any("stroke-dasharray" in rule for rule in looks) and any("opacity: 0.5" in rule for rule in looks)
