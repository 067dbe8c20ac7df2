"""Numbers for people: the digits follow the uncertainty."""

from __future__ import annotations

from math import floor, isfinite, log10

from driveloss.fit.estimate import Estimate

NOT_KNOWN = "–"
PASCAL_PER_BAR = 1e5
ZERO_CELSIUS = 273.15  # [K]
PERCENT = 100.0
HALF_WIDTHS = "± is half of the 95 % interval."
NEGLIGIBLE = 1e-9  # [W] rounding, not uncertainty


def decimals(half_width: float, most: int = 6) -> int:
    """Decimal places that show two significant digits of a half-width.

    >>> decimals(0.234), decimals(12.0), decimals(0.0)
    (2, 0, 6)
    """
    if not isfinite(half_width) or half_width <= 0:
        return most
    return min(max(1 - floor(log10(half_width)), 0), most)


def plus_minus(estimate: Estimate | None, scale: float = 1.0, zero: float = 0.0) -> str:
    """Value less `zero` and half of the 95 % interval, both times `scale`; a dash where not determinable.

    >>> plus_minus(Estimate(12.3456, 0.1, 12.1, 12.6))
    '12.35 ±0.25'
    """
    if estimate is None:
        return NOT_KNOWN
    value, half = (estimate.value - zero) * scale, estimate.half_width * abs(scale)
    if half <= NEGLIGIBLE:
        return f"{value if abs(value) > NEGLIGIBLE else 0:.5g}"
    places = decimals(half)
    return f"{rounded(value, places)} ±{half:.{places}f}"


def rounded(value: float, places: int, sign: str = "") -> str:
    """A number to so many decimal places, nothing being neither more nor less. sign: "+" shows it of positive ones.

    >>> rounded(-0.0004, 2), rounded(0.456, 1, "+"), rounded(0.0, 1, "+")
    ('0.00', '+0.5', '0.0')
    """
    shown = f"{value:{sign}.{places}f}"
    return shown if float(shown) else shown.lstrip("+-")


def hertz(frequency: float) -> str:
    """A frequency [Hz] that was read, to a hundredth.

    >>> hertz(517 / 60), hertz(8.6)
    ('8.62', '8.60')
    """
    return f"{frequency:.2f}"


def bar(pressure: float | None) -> str:
    """A pressure [Pa] in bar, absolute.

    >>> bar(101300.0)
    '1.013'
    """
    return NOT_KNOWN if pressure is None else f"{pressure / PASCAL_PER_BAR:.4g}"


def watts(half_width: float) -> str:
    """Half of an interval's width in W: zero where it is rounding alone, a dash where it is not known.

    >>> watts(0.1234), watts(4e-15), watts(float("nan"))
    ('0.12', '0', '–')
    """
    if not isfinite(half_width):
        return NOT_KNOWN
    return "0" if half_width < NEGLIGIBLE else f"{half_width:.2g}"
