"""A recording of pressure through the turns of a loaded run, as an imperfect sensor and a late mark show it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulate.machine import FloatArray, Truth, blanked_pressure, pressure_wave
from simulate.turn import middles

LIKENESS = 0.9  # of a turn's deviation to the next one's


@dataclass(frozen=True, slots=True)
class PlannedRecording:
    """What is recorded, and what its owner says of dead centre and sensor."""

    cylinder: str
    frequency: float  # [Hz]
    pressure: float  # [Pa]
    file: str
    turns: int = 20
    samples: int = 72  # a turn
    dead_centre: float = 1.0  # [deg] limit of error, as stated
    lag: float = 0.2e-3  # [s] of the sensor, as stated
    lag_limit: float = 0.1e-3
    pressure_gain: float = 0.01  # limit of error
    noise: float = 0.003  # of the amplitude, a sample
    stage: str = "loaded"  # or "blanked"
    wander: float = 0.01  # of the amplitude, from turn to turn


def recording_text(truth: Truth, plan: PlannedRecording, frequency: float, rng: np.random.Generator) -> str:
    """The file: crank angle from top dead centre, as its mark says, and gauge pressure."""
    cylinder = truth.cylinder(plan.cylinder)
    followed = blanked_pressure if plan.stage == "blanked" else pressure_wave
    wave = followed(truth, cylinder, np.array([frequency]), np.array([plan.pressure]))[0]
    late = np.radians(plan.dead_centre * rng.uniform(-1, 1))
    lag = plan.lag + plan.lag_limit * rng.uniform(-1, 1)
    gain = 1 + plan.pressure_gain * rng.uniform(-1, 1)
    angle = (np.arange(plan.turns * plan.samples) + 0.5) * 2 * np.pi / plan.samples  # as the file has it
    over = shown_wave(wave, lag, frequency)(angle - late + np.pi)  # simulated turns begin at the other dead centre
    factor = np.repeat(deviations(plan, rng), plan.samples)
    swing = np.ptp(wave) / 2
    pressure = gain * (over * factor + plan.noise * swing * rng.standard_normal(angle.size)) + 3e3
    rows = (f"{np.degrees(a) % 360:.2f},{p / 1e3:.4f}" for a, p in zip(angle, pressure, strict=True))
    return "\n".join(["crank angle [deg],pressure [kPa]", *rows, ""])


def shown_wave(wave: FloatArray, lag: float, frequency: float):
    """The wave (steps,) about its mean behind a first-order lag, as a function of the crank angle."""
    spectrum = np.fft.rfft(wave - wave.mean()) / len(wave)
    orders = np.arange(len(spectrum))
    spectrum = spectrum / (1 + 2j * np.pi * orders * frequency * lag)
    start = middles()[0]
    kept = orders[1:20]
    return lambda angle: 2 * np.real(np.exp(1j * np.outer(angle - start, kept)) @ spectrum[kept])


def deviations(plan: PlannedRecording, rng: np.random.Generator) -> FloatArray:
    """Factor on each turn's amplitude: neighbours are alike."""
    off, found = 0.0, []
    for _ in range(plan.turns):
        off = LIKENESS * off + np.sqrt(1 - LIKENESS**2) * plan.wander * rng.standard_normal()
        found.append(1 + off)
    return np.array(found)


def table(plan: PlannedRecording) -> list[str]:
    """Its [[recordings]] table."""
    return [
        "[[recordings]]",
        f'file = "{plan.file}"',
        f'cylinder = "{plan.cylinder}"',
        *([f'stage = "{plan.stage}"'] if plan.stage != "loaded" else []),
        f'frequency = "{plan.frequency:.6g} Hz"',
        f'mean_pressure = "{plan.pressure / 1e5:.7g} bar"',
        f'dead_centre = "0 deg +/- {plan.dead_centre:g} deg"',
        f'sensor_lag = "{plan.lag * 1e3:g} ms +/- {plan.lag_limit * 1e3:g} ms"',
    ]
