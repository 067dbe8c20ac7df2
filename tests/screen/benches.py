"""Simulated benches with repeats, and slips of the pen written into their files."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from simulate import Answer, Protocol, Truth, ladder, random_bench, write_bench

from driveloss.bench.load import load_bench
from driveloss.bench.records import Bench
from driveloss.fit.ladder import build_ladder
from driveloss.fit.meters import Sampler
from driveloss.fit.outliers import Screened, screen

SEED = 11
RUNGS = ("motor-alone", "piston-disconnected", "no-load")


@dataclass(frozen=True)
class Slip:
    """One corrupted cell: file, line (1 = first), and what was meant and written. [W]"""

    file: str
    line: int
    meant: float
    written: float


def random_case(index: int, seed: int = SEED) -> tuple[Truth, Protocol, np.random.Generator]:
    """A random bench that reads watts, its motor constants and ports stated."""
    rng = np.random.default_rng([seed, index])
    truth, protocol = random_bench(rng)
    return truth, replace(protocol, states_motor="constants", states_port=True, electric_columns="power"), rng


def with_repeats(truth: Truth, protocol: Protocol, repeats: int = 2, points: int = 7) -> Protocol:
    """The same instruments; each rung up and down over `points` frequencies."""
    top = truth.top_frequency
    frequencies = [round(float(f), 2) for f in np.linspace(max(top / 4, 2.0), top, points)]
    pressures = tuple(dict.fromkeys(s.pressure for s in protocol.sweeps if s.stage == "no-load"))
    standby = sum(len(s.frequencies) for s in protocol.sweeps if s.stage == "standby")
    motor_alone = any(s.stage == "motor-alone" for s in protocol.sweeps)
    sweeps = ladder(truth, frequencies, pressures, repeats=repeats, motor_alone=motor_alone, standby=standby)
    return replace(protocol, sweeps=sweeps)


def repeated_bench(folder: Path, index: int, seed: int = SEED) -> tuple[Answer, np.random.Generator]:
    """Write a random bench with repeats."""
    truth, protocol, rng = random_case(index, seed)
    return write_bench(folder, truth, with_repeats(truth, protocol), rng), rng


def read_lines(file: Path) -> list[str]:
    return file.read_text(encoding="utf-8").split("\n")


def power_column(lines: list[str]) -> int:
    return lines[0].split(",").index("power [W]")


def overwrite(file: Path, line: int, change: Callable[[str], str]) -> Slip:
    """Change the text of one power reading."""
    lines = read_lines(file)
    column, cells = power_column(lines), lines[line - 1].split(",")
    before = cells[column]
    cells[column] = change(before)
    lines[line - 1] = ",".join(cells)
    file.write_text("\n".join(lines), encoding="utf-8")
    return Slip(file.name, line, float(before), float(cells[column]))


def scale_file(file: Path, change: Callable[[np.ndarray], np.ndarray]) -> None:
    """Change the whole power column, (rows,) [W]; as many decimals as before."""
    lines = read_lines(file)
    column, last = power_column(lines), len(lines) - 1  # a newline ends the file
    rows = [line.split(",") for line in lines[1:last]]
    powers = change(np.array([float(row[column]) for row in rows]))
    for row, power in zip(rows, powers, strict=True):
        row[column] = f"{power:.{len(row[column].partition('.')[2])}f}"
    file.write_text("\n".join([lines[0], *(",".join(row) for row in rows), ""]), encoding="utf-8")


def rung_files(bench: Bench, *stages: str) -> list[str]:
    return [sweep.file for sweep in bench.sweeps if sweep.stage in (stages or RUNGS)]


def tenfold(text: str) -> str:
    """The decimal point one place to the right."""
    whole, _, decimals = text.partition(".")
    return f"{whole}{decimals[0]}.{decimals[1:]}"


def tenth(text: str) -> str:
    """The decimal point one place to the left."""
    whole, _, decimals = text.partition(".")
    return f"{whole[:-1] or '0'}.{whole[-1]}{decimals}"


def transposed(text: str) -> str | None:
    """The first two unlike digits of the whole watts in each other's place; None where that leaves a leading zero."""
    whole, _, decimals = text.partition(".")
    for i in range(len(whole) - 1):
        if whole[i] != whole[i + 1] and whole[i + 1] != "0":
            return f"{whole[:i]}{whole[i + 1]}{whole[i]}{whole[i + 2 :]}.{decimals}"
    return None


def a_fifth_more(text: str) -> str:
    return f"{1.2 * float(text):.2f}"


def a_fifth_less(text: str) -> str:
    return f"{0.8 * float(text):.2f}"


def load(folder: Path) -> Bench:
    return load_bench(folder)


def screened(bench: Bench, keep_all: bool = False) -> Screened:
    """The screening alone, with the inputs as stated: what `calibrate` does first."""
    whole = build_ladder(bench)
    stated = Sampler(1, SEED).meters(whole.rig).as_stated()
    readings = whole.standby.power
    standby = np.array([readings.mean() if len(readings) else 0.0])
    return screen(whole, stated, standby, keep_all=keep_all)


def written_powers(file: Path) -> list[tuple[int, str]]:
    """Line number (1 = first) and text of every power reading."""
    lines = read_lines(file)
    column = power_column(lines)
    return [(number, line.split(",")[column]) for number, line in enumerate(lines[1:-1], start=2)]
