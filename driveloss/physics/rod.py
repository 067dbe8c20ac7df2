"""What a loaded cycle does to the crank mechanism: force in the rod, pressure on the seal's lip, swing of the power.

The crank angle runs from top dead centre. The gas pressure is taken as a sine wave that peaks `phase` before top
dead centre, the seal's drag as one force both ways; inertia of the moving parts is left out.
"""

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, as_floats
from driveloss.physics.crank import crank_pin_speed, piston_speed
from driveloss.physics.cylinder import disc_area

ANGLES = (np.arange(20) + 0.5) * np.pi / 20  # [rad] of half a turn, between the dead centres' kinks; good to 0.5 %


def lip_pressure(pressure_difference: Values, amplitude: Values, phase: Values, rod_ratio: float) -> FloatArray:
    """Mean pressure across the seal's lip, |dp + A cos(th + phi)|, weighted by |v| as its drag's power is [Pa].

    pressure_difference: cycle mean of the pressure less that on the piston's other side [Pa].
    amplitude: of the pressure, half of peak to peak [Pa]. phase: by which it peaks before top dead centre [rad].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1]. Raises ValueError unless 0 <= rod_ratio < 1.
    Source: the mean over the way that the lip slides, of a drag in proportion to the pressure as in Zillen, Delft
    University of Technology, 2021, open data (seen).

    >>> round(float(lip_pressure(0.0, 5e4, np.pi / 2, 0.0)))
    39230
    """
    speeds = _speeds(rod_ratio)
    in_phase, ahead = amplitude * np.cos(phase), amplitude * np.sin(phase)
    return _mean_size(as_floats(pressure_difference), in_phase, as_floats(0.0), ahead, speeds / speeds.mean())


def rod_means(
    pressure_difference: Values,
    amplitude: Values,
    phase: Values,
    drag: Values,
    bore: Values,
    stroke: Values,
    rod_ratio: float,
    frequency: Values,
) -> tuple[FloatArray, FloatArray]:
    """Mean force in the rod [N], and the standard deviation over a turn of the power that the crank gives [W].

    The rod gives |F sign(v) - (dp + A cos(th + phi)) pi B^2/4| over the cosine of its lean, averaged over the angle.
    The power is that force times v. Raises ValueError unless 0 <= rod_ratio < 1.
    pressure_difference: cycle mean of the pressure less that on the piston's other side [Pa].
    amplitude: of the pressure, half of peak to peak [Pa]. phase: by which it peaks before top dead centre [rad].
    drag: of the seal [N]. bore: of the cylinder [m]. stroke: of the piston [m].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1]. frequency: of the crank [Hz].
    Source: Khurmi & Gupta, Theory of Machines, ch. 15: forces in the reciprocating parts of an engine neglecting the
    weight of the connecting rod (Ex. 15.11 seen as data, the formulas from memory).

    >>> force, swing = rod_means(0.0, 5e4, np.pi / 2, 0.0, 0.04, 0.03, 0.0, 10.0)
    >>> round(float(force), 1), round(float(swing), 2)
    (40.0, 20.94)
    """
    area, speeds = disc_area(bore), _speeds(rod_ratio)
    level = as_floats(area * pressure_difference)
    in_phase, ahead = area * amplitude * np.cos(phase), area * amplitude * np.sin(phase)
    force = _mean_size(level, in_phase, as_floats(drag), ahead, 1 / np.sqrt(1 - (rod_ratio * np.sin(ANGLES)) ** 2))
    there, back = level, as_floats(drag)  # what keeps its sign through a turn, and what turns with the speed
    cos, sin, square = np.cos(ANGLES), np.sin(ANGLES), speeds**2
    power = back * speeds.mean() + ahead * (speeds * sin).mean()
    mean_square = (
        square.mean() * (there**2 + back**2)
        + (square * cos).mean() * 2 * there * in_phase
        + (square * sin).mean() * 2 * back * ahead
        + (square * cos**2).mean() * in_phase**2
        + (square * sin**2).mean() * ahead**2
    )
    return force, crank_pin_speed(frequency, stroke) * np.sqrt(np.maximum(mean_square - power**2, 0.0))


def _speeds(rod_ratio: float) -> FloatArray:
    """Of the piston at ANGLES, were the crank pin's one metre a second."""
    return piston_speed(ANGLES, 1 / np.pi, 1.0, rod_ratio)


def _mean_size(
    level: FloatArray, in_phase: FloatArray, turning: FloatArray, ahead: FloatArray, weight: FloatArray
) -> FloatArray:
    """Mean over a turn of weight * |level + in_phase cos(th) +- (turning + ahead sin(th))|.

    The sign is that of the speed, so that an angle and its mirror image make |x + y| + |x - y| = 2 max(|x|, |y|).
    """
    shape = np.broadcast_shapes(*(np.shape(one) for one in (level, in_phase, turning, ahead)))
    total, x, y = np.zeros(shape), np.empty(shape), np.empty(shape)
    for cos, sin, share in zip(np.cos(ANGLES), np.sin(ANGLES), weight / len(ANGLES), strict=True):
        np.abs(np.add(np.multiply(in_phase, cos, out=x), level, out=x), out=x)
        np.abs(np.add(np.multiply(ahead, sin, out=y), turning, out=y), out=y)
        total += np.multiply(np.maximum(x, y, out=x), share, out=x)
    return total
