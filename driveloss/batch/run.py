"""One bench of many, wherever it is done: content in, one row of plain data out."""

from __future__ import annotations

import hashlib
import traceback
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from tempfile import gettempdir
from time import perf_counter
from typing import TYPE_CHECKING, Any

from driveloss.batch.find import Content
from driveloss.errors import InputError
from driveloss.fit import DRAWS, FAMILIES, SEED
from driveloss.say.rooms import NEW, hidden_room

if TYPE_CHECKING:
    from driveloss.bench.records import Bench
    from driveloss.fit.calibration import Calibration

SCHEMA = "driveloss.batch/1"
BEST = ("input", "pneumatic", "efficiency_ceiling", "aftercooler_heat")  # told of the run with the highest net power
MADE_BY = ("folder", "sha256", "program", "family", "draws", "seed", "keep_all")  # what a row follows from
EMPTY = dict.fromkeys(
    (
        *("schema", "path", "title", "cylinders", "runs", "file", "row", "cylinder", "frequency_Hz"),
        *("mean_pressure_Pa", "input_W", "pneumatic_W", "efficiency_ceiling", "aftercooler_heat_W"),
        *("seals", "doubt", "findings", "flags", "error", "seconds", *MADE_BY),
    )
)
Row = dict[str, Any]


@dataclass(frozen=True)
class Settings:
    """How benches are calibrated, as in `calibrate`."""

    family: str = FAMILIES[0]
    draws: int = DRAWS
    seed: int = SEED
    keep_all: bool = False


@dataclass(frozen=True)
class Task:
    """A bench to be done, its path as given."""

    path: str
    content: Content
    settings: Settings
    program: str

    @property
    def seed(self) -> int:
        """The bench's own seed, from its content: the same in any order, on any machine, in any folder."""
        text = f"{self.settings.seed} {self.content.sha256}"
        return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4])

    @property
    def made_by(self) -> Row:
        """All that its row follows from."""
        made = {"folder": self.content.folder, "sha256": self.content.sha256, "program": self.program}
        return made | asdict(self.settings) | {"seed": self.seed}


def task(path: Path, content: Content, settings: Settings) -> Task:
    """A bench to be done by this version of the program."""
    return Task(str(path), content, settings, version("driveloss"))


def failed(path: str, error: str) -> Row:
    """The row of a bench that could not be done."""
    return EMPTY | {"schema": SCHEMA, "path": path, "error": error}


def work(task: Task) -> Row:
    """Do one bench. What is wrong with it, or a fault of the program, is told in its row; other benches go on."""
    start = perf_counter()
    try:
        found = _reckoned(task)
    except InputError as error:
        found = {"error": str(error)}
    except Exception as fault:
        last = traceback.extract_tb(fault.__traceback__)[-1]
        place = f"{Path(last.filename).name}, line {last.lineno}"
        found = {"error": f"a fault of the program, please report it: {type(fault).__name__}: {fault} ({place})"}
    seconds = round(perf_counter() - start, 3)
    return EMPTY | {"schema": SCHEMA, "path": task.path} | task.made_by | found | {"seconds": seconds}


def _reckoned(task: Task) -> Row:
    from driveloss.bench.load import load_bench
    from driveloss.fit.calibrate import calibrate

    if version("driveloss") != task.program:
        raise InputError(f"a worker runs driveloss {version('driveloss')}, expected {task.program} as here")
    with hidden_room(Path(gettempdir())) as room:
        bench = load_bench(task.content.write(room / NEW))
    how = task.settings
    calibration = calibrate(bench, how.family, draws=how.draws, seed=task.seed, keep_all=how.keep_all, compare=False)
    found = {
        "title": calibration.title,
        "cylinders": list(calibration.rig.cylinders),
        "runs": 0,
        "seals": [_seal(calibration, name) for name in calibration.ranges],
        "findings": len(calibration.findings),
        "flags": [],
    }
    return found | (_loaded(calibration, bench) if any(s.stage == "loaded" for s in bench.sweeps) else {})


def _loaded(calibration: Calibration, bench: Bench) -> Row:
    """The run with the highest net power, what leaves most of it open, and the flags of all runs."""
    from driveloss.breakdown.ask import breakdown
    from driveloss.breakdown.budget import source_name

    answer = breakdown(calibration, bench.sweeps, bench.recordings, bench.rundowns)
    best = answer.best_run
    run, shares = answer.runs[best], {name: float(widths[best]) for name, widths in answer.shares.items()}
    main = max((name for name in shares if shares[name] == shares[name]), key=shares.__getitem__, default=None)
    doubt = None if main is None else {"source": source_name(answer, main), "half_width_W": shares[main]}
    place = {key: run.place()[key] for key in ("file", "row", "cylinder", "frequency_Hz", "mean_pressure_Pa")}
    told = {key: value for key, value in run.data().items() if key in EMPTY}
    return {
        "runs": len(answer.runs),
        **place,
        **told,
        "doubt": doubt,
        "flags": _flags(run.flags for run in answer.runs),
    }


def _flags(each: Iterable[tuple[str, ...]]) -> list[str]:
    from driveloss.say.flags import FLAGS

    held = {flag for flags in each for flag in flags}
    return [flag for flag in FLAGS if flag in held]


def _seal(calibration: Calibration, name: str) -> Row:
    """Friction force per metre of lip in the middle of a cylinder's no-load sweeps, at their lowest pressure."""
    import numpy as np

    from driveloss.fit.estimate import estimate
    from driveloss.losses.no_load import no_load_draws
    from driveloss.physics.seal import friction_per_lip_length
    from driveloss.say.json_form import quantity

    span = calibration.ranges[name]
    frequency, pressure = (span.low + span.high) / 2, span.pressures[0]
    force = no_load_draws(calibration, np.array([frequency]), name, pressure)["seal_force"][0]
    lip = quantity(estimate(friction_per_lip_length(force, calibration.meters.cylinders[name].bore)))
    return {"cylinder": name, "frequency_Hz": frequency, "mean_pressure_Pa": pressure, "lip_force_N_per_m": lip}
