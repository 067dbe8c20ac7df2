"""What a loaded cycle does to the crank mechanism: force in the rod, pressure on the seal's lip, swing of the power.

The crank angle runs from top dead centre. The gas pressure is taken as a sine wave that peaks `phase` before top
dead centre, the seal's drag as one force both ways; inertia of the moving parts is left out.
"""

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, as_floats
from driveloss.physics.crank import crank_pin_speed, piston_speed
from driveloss.physics.cylinder import disc_area

ANGLES = (np.arange(40) + 0.5) * 2 * np.pi / 40  # [rad] between the dead centres' kinks; means good to 0.5 %


def cycle_means(
    pressure_difference: Values,
    amplitude: Values,
    phase: Values,
    drag: Values,
    bore: Values,
    stroke: Values,
    rod_ratio: float,
    frequency: Values,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean force in the rod [N], mean pressure across the lip [Pa], and the standard deviation of the power [W].

    The rod gives |F sign(v) - (dp + A cos(th + phi)) pi B^2/4| over the cosine of its lean, averaged over the angle.
    The lip feels |dp + A cos(th + phi)|, weighted by |v|, as its drag's power is. The power that the crank gives is
    that force times v; it swings about its mean. Raises ValueError unless 0 <= rod_ratio < 1.
    pressure_difference: cycle mean of the pressure less that on the piston's other side [Pa].
    amplitude: of the pressure, half of peak to peak [Pa]. phase: by which it peaks before top dead centre [rad].
    drag: of the seal [N]. bore: of the cylinder [m]. stroke: of the piston [m].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1]. frequency: of the crank [Hz].
    Source: Khurmi & Gupta, Theory of Machines, ch. 15: forces in the reciprocating parts of an engine neglecting the
    weight of the connecting rod (Ex. 15.11 seen as data, the formulas from memory).

    >>> force, lip, swing = cycle_means(0.0, 5e4, np.pi / 2, 0.0, 0.04, 0.03, 0.0, 10.0)
    >>> round(float(force), 1), round(float(lip)), round(float(swing), 2)
    (40.0, 39230, 20.94)
    """
    area, speed = disc_area(bore), crank_pin_speed(frequency, stroke)
    force = lip = power = square = as_floats(0.0)
    in_phase, ahead = amplitude * np.cos(phase), amplitude * np.sin(phase)
    shapes = piston_speed(ANGLES, 1 / np.pi, 1.0, rod_ratio)  # of a crank pin at one metre a second
    for angle, shape in zip(ANGLES, shapes, strict=True):
        over = pressure_difference + in_phase * np.cos(angle) - ahead * np.sin(angle)
        axial = drag * np.sign(shape) - over * area
        force = force + np.abs(axial) / np.sqrt(1 - (rod_ratio * np.sin(angle)) ** 2)
        lip = lip + np.abs(over) * abs(shape)
        given = axial * shape
        power, square = power + given, square + given**2
    count = len(ANGLES)
    swing = speed * np.sqrt(np.maximum(square / count - (power / count) ** 2, 0.0))
    return force / count, lip / np.abs(shapes).sum(), swing
