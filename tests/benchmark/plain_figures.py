"""The yardstick of `report`: bare matplotlib draws as many axes, lines, bars and words as the page of the demo has.

    PYTHONPATH=tests python -m benchmark.plain_figures

Nothing of driveloss is imported and nothing is reckoned: places are a ramp. Each figure goes to SVG with its words as
text, as the page has them, and no layout is sought for them. A series of points or bars is one call. The counts are
those of the demo's eleven figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO


@dataclass(frozen=True)
class Plain:
    """One figure: rows and columns of axes, and what stands in each of them."""

    rows: int
    columns: int
    lines: int = 0
    fills: int = 0  # bands about a line, or closed shapes
    points: int = 0  # series of points with error bars
    bars: tuple[int, ...] = ()  # series of bars, by how many it has
    words: int = 0


FIGURES = (  # what stands in each axes, on the average
    Plain(2, 1, lines=8, fills=2, words=3),  # ladder
    Plain(1, 1, lines=3, fills=3, words=4),  # friction
    Plain(1, 1, fills=8, words=24),  # flow
    Plain(2, 1, points=2, bars=(17,) * 6, words=25),  # parts
    Plain(1, 1, lines=4, points=4, words=4),  # ceilings
    Plain(2, 2, lines=2, points=2, words=2),  # temperatures
    Plain(2, 2, points=1, bars=(5,), words=5),  # levelling
    Plain(1, 1, lines=9, fills=1, words=3),  # indicator
    Plain(1, 1, lines=1, bars=(13,), words=13),  # budget
    Plain(1, 1, lines=1, points=1, bars=(10,), words=10),  # gains
    Plain(5, 1, fills=1, points=3, words=3),  # witnesses
)


def drawn(plain: Plain) -> bytes:
    """The figure's SVG."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(4 * plain.columns, 2.5 * plain.rows))
    FigureCanvasSVG(figure)
    for ax in figure.subplots(plain.rows, plain.columns, squeeze=False).flat:
        for number in range(plain.lines):
            ax.plot(range(60), [number + 0.1 * x for x in range(60)])
        for number in range(plain.fills):
            ax.fill_between(range(60), [number + 0.1 * x for x in range(60)], number, alpha=0.2)
        for number in range(plain.points):
            ax.errorbar(range(7), [number] * 7, [0.1] * 7, marker="o")
        for number, count in enumerate(plain.bars):
            ax.bar(range(count), [1.0] * count, 0.6, number, hatch="///" if number % 3 else "")
        for number in range(plain.words):
            ax.annotate(f"{number}.00 W", (number % 7, number / 7), (4, 0), textcoords="offset points")
        ax.set(title="title", xlabel="Crank frequency [Hz]", ylabel="Power [W]")
    buffer = BytesIO()
    figure.savefig(buffer, format="svg")
    return buffer.getvalue()


def main() -> None:
    """Draw them all."""
    from matplotlib import rc_context

    with rc_context({"svg.fonttype": "none"}):
        for plain in FIGURES:
            drawn(plain)


if __name__ == "__main__":
    main()
