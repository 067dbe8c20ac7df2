"""Simulated benches with two cylinders whose seals differ and whose net power does not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from copies import open_copy
from simulate import CylinderTruth, Limits, MotorTruth, Protocol, SealLaw, TorqueLaw, Truth, ladder, write_bench

from driveloss.bench.load import load_bench

AMBIENT = 101325.0  # [Pa]
FREQUENCIES = (4.0, 5.5, 7.0, 8.5, 10.0, 11.5)  # [Hz]
DRAGGING = CylinderTruth("dragging", 0.036, 0.030, SealLaw(coulomb=12.0, viscous=2.0), port_diameter=0.012)
EASY = replace(DRAGGING, name="easy", seal=SealLaw(coulomb=10.5, viscous=2.0))
TRUTH = Truth(
    motor=MotorTruth(resistance=0.42, torque_constant=0.061, law=TorqueLaw(coulomb=0.012, viscous=3e-5)),
    linkage=TorqueLaw(coulomb=0.03),
    cylinders=(DRAGGING, EASY),
    ratio=3.0,
    rod_length=0.095,
    thermal_resistance=0.3,
    cycle="pulse-tube",
)
QUIET = Limits()
SHARED_GAIN = Limits(power_gain=0.03)


def drive_alone(whole: Path, folder: Path) -> Path:
    """A copy of a bench with the sweeps that have no cylinder."""
    open_copy(whole, folder)
    head, *sweeps = (folder / "bench.toml").read_text().split("[[sweeps]]")
    kept = [sweep for sweep in sweeps if "cylinder =" not in sweep]
    assert 0 < len(kept) < len(sweeps)
    (folder / "bench.toml").write_text("[[sweeps]]".join([head, *kept]))
    return folder


def bench(folder: Path, truth: Truth = TRUTH, seed: int = 1, limits: Limits = QUIET, **choices):
    """The true answer and the loaded bench."""
    options = {"noise_floor": 0.03, "noise_share": 0.002, "temperature_columns": True, "thermometer_noise": 0.1}
    protocol = Protocol(
        sweeps=choices.pop("sweeps", ladder(truth, FREQUENCIES, repeats=2)), limits=limits, **(options | choices)
    )
    answer = write_bench(folder, truth, protocol, np.random.default_rng(seed))
    return answer, load_bench(folder)


def refitted(folder: Path, seed: int, scatter: float = 0.05, fits: int = 2):
    """Two cylinders with one and the same seal, swept without load `fits` times, each time fitted again.

    A fit's drag is off by a normal share of its own, which all readings of its file have in common.
    """
    rng = np.random.default_rng([seed, 5])
    names = {f"{name}-{fit}": name for name in ("tube", "ring") for fit in range(fits)}
    cylinders = tuple(
        replace(DRAGGING, name=fit, seal=SealLaw(coulomb=12.0 * share, viscous=2.0 * share))
        for fit, share in zip(names, 1 + scatter * rng.standard_normal(len(names)), strict=True)
    )
    truth = replace(TRUTH, cylinders=cylinders)
    sweeps = tuple(s for s in ladder(truth, FREQUENCIES, repeats=2) if s.stage != "loaded")
    bench(folder, truth, seed, SHARED_GAIN, sweeps=sweeps)
    tables = (folder / "bench.toml").read_text().split("\n\n")
    again = tuple(f"[cylinders.{fit}]" for fit in names if not fit.endswith("-0"))
    (folder / "bench.toml").write_text("\n\n".join(table for table in tables if not table.startswith(again)))
    return loaded_again(folder, names)


def loaded_again(folder: Path, names: dict[str, str]):
    """A bench that was written, its cylinders renamed in bench.toml."""
    text = (folder / "bench.toml").read_text()
    for old, new in names.items():
        text = text.replace(f"[cylinders.{old}]", f'[cylinders."{new}"]')
        text = text.replace(f'cylinder = "{old}"', f'cylinder = "{new}"')
    (folder / "bench.toml").write_text(text)
    return load_bench(folder)
