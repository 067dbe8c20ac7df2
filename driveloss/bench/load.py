"""A bench folder to a Bench: bench.toml, the files it names, and whether they make a ladder."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path, PureWindowsPath

import numpy as np

from driveloss.bench.columns import read_sweep
from driveloss.bench.recordings import read_recording
from driveloss.bench.records import Bench, RecordingSpec, Rig, RundownSpec, Sweep, SweepSpec
from driveloss.bench.repeats import averaged
from driveloss.bench.rundowns import check_inertias, read_rundown
from driveloss.bench.toml import Config, read_config
from driveloss.bench.units import did_you_mean, shown
from driveloss.errors import InputError

BENCH_FILE = "bench.toml"
FEWEST_READINGS = 3  # below that no loss curve can be told from another
LONGEST_NAME = 200  # characters of a path in a message
MANY_READINGS = 1000  # of the ladder: every one takes part in every draw, so of more the repeats are averaged
MOST_READINGS = 3000  # after that
MOST_RUNS = 200_000
FITTED_STAGES = ("motor-alone", "piston-disconnected", "no-load")


def load_bench(path: Path | str) -> Bench:
    """Read a bench folder, or its bench.toml, with every file of readings that it names.

    InputError: a file that is missing, outside the folder, named twice or cannot be read without a guess;
    sweeps that do not make a tear-down ladder. The message names file, line, column or key.
    """
    toml = config_path(Path(path))
    config, folder = read_config(toml), toml.parent
    files = _files(folder, config)
    read = [_read(spec, file, config.rig) for spec, file in zip(config.sweeps, files, strict=True)]
    sweeps, averages = _without_repeats([sweep for sweep, _ in read])
    _check_ladder(sweeps, config)
    _check_brake(sweeps, config.rig)
    _check_blanked(sweeps, config.rig)
    notices = (*config.notices, *(notice for _, notices in read for notice in notices), *averages)
    recordings = tuple(
        read_recording(_inside(folder, spec), spec, config.rig.ambient_pressure.value) for spec in config.recordings
    )
    rundowns = tuple(read_rundown(_inside(folder, spec), spec, config.rig) for spec in config.rundowns)
    check_inertias(rundowns, config.rundowns)
    return Bench(folder, _in_order(config.rig, sweeps), sweeps, config.sha256, notices, recordings, rundowns)


def _without_repeats(sweeps: Sequence[Sweep]) -> tuple[tuple[Sweep, ...], list[str]]:
    """Sweeps whose ladder holds no more readings than every draw can go through, if need be by their means."""
    many = [sweep for sweep in sweeps if sweep.stage != "loaded"]
    count = sum(map(len, many))
    if count <= MANY_READINGS:
        return tuple(sweeps), []
    found = tuple(averaged(sweep) if sweep.stage != "loaded" else sweep for sweep in sweeps)
    left = sum(len(sweep) for sweep in found if sweep.stage != "loaded")
    return found, [
        f"the ladder's {count} readings are taken as {left}: repeats at a setting by their means and how those scatter"
    ]


def _in_order(rig: Rig, sweeps: Sequence[Sweep]) -> Rig:
    """The rig, its cylinders knowing whether they were swept without load again behind their last loaded sweep."""
    last = {(sweep.stage, sweep.cylinder): place for place, sweep in enumerate(sweeps)}
    cylinders = {
        name: replace(cylinder, swept_after=last.get(("no-load", name), -1) > last.get(("loaded", name), len(sweeps)))
        for name, cylinder in rig.cylinders.items()
    }
    return replace(rig, cylinders=cylinders)


def config_path(path: Path) -> Path:
    """The bench.toml of a bench folder, or as named. InputError: there is none."""
    try:
        return _config_path(path)
    except OSError as error:  # a name too long, a folder that is closed
        raise InputError(f"{shown(str(path), LONGEST_NAME)}: cannot be read: {error.strerror}") from error


def _config_path(path: Path) -> Path:
    if path.is_dir():
        if path.name == BENCH_FILE and not (path / BENCH_FILE).exists():
            raise InputError(f"{path}: expected a file, found a folder named {BENCH_FILE}")
        path = path / BENCH_FILE
    if path.is_dir():
        raise InputError(f"{path}: expected a file, found a folder")
    if not path.exists():
        raise InputError(f"{path}: there is no such file; expected a bench folder or its {BENCH_FILE}")
    if path.suffix != ".toml":
        raise InputError(f"{path}: expected a bench folder or its {BENCH_FILE}")
    return path


def _files(folder: Path, config: Config) -> list[Path]:
    """The files of the sweeps, each inside the folder and named once."""
    named: dict[Path, str] = {}
    for spec in config.sweeps:
        file = _inside(folder, spec)
        if file in named:
            raise InputError(f"{spec.where}: '{shown(spec.file)}' was named before ({named[file]})")
        named[file] = spec.where
    return list(named)


def _inside(folder: Path, spec: SweepSpec | RecordingSpec | RundownSpec) -> Path:
    written = spec.file
    if not written.strip() or not written.isprintable():
        raise InputError(f"{spec.where}: expected a file name, read '{shown(written)}'")
    parts = PureWindowsPath(written)  # also splits at /
    if parts.drive or parts.root or ".." in parts.parts:
        raise InputError(f"{spec.where}: expected a file inside the bench folder, read '{shown(written)}'")
    try:
        root, file = folder.resolve(), (folder / written).resolve()
        exists = file.is_file()
    except (OSError, RuntimeError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise InputError(f"{spec.where}: '{shown(written)}' cannot be opened: {reason}") from error
    if not file.is_relative_to(root):
        raise InputError(f"{spec.where}: '{shown(written)}' leads outside the bench folder, to {file}")
    if not exists:
        raise InputError(_missing(folder, spec, file))
    return file


def _missing(folder: Path, spec: SweepSpec | RecordingSpec | RundownSpec, file: Path) -> str:
    if file.exists():
        return f"{spec.where}: expected a file of readings, '{shown(spec.file)}' is none"
    try:
        hint = did_you_mean(spec.file, [entry.name for entry in folder.iterdir()])
    except OSError as error:
        hint = f", which cannot be listed: {error.strerror}"
    return f"{spec.where}: there is no file '{shown(spec.file)}' in the bench folder{hint}"


def _read(spec: SweepSpec, file: Path, rig: Rig) -> tuple[Sweep, tuple[str, ...]]:
    ratio = rig.transmission.ratio
    sweep, notices = read_sweep(file, spec, rig.ambient_pressure.value, None if ratio is None else ratio.value)
    if rig.motor.supply == "controller" and sweep.current is not None and not sweep.from_volts_and_amps:
        notice = f"{spec.file}: column 'current' is left out: before a controller it is not the motor's current"
        return sweep.replace(current=None), (*notices, notice)
    return sweep, notices


def _check_brake(sweeps: Sequence[Sweep], rig: Rig) -> None:
    """A brake's force needs its arm, and no brake takes more than goes in."""
    for sweep in (sweep for sweep in sweeps if sweep.stage == "braked"):
        if sweep.brake_force is not None and rig.brake_arm is None:
            raise InputError(
                f"{BENCH_FILE}, [brake]: '{sweep.file}' holds a brake force, expected the key arm = "
                '"120 mm +/- 1 mm", from the crank\'s axis to where the force is read'
            )
        torque = sweep.torque
        if sweep.brake_force is not None and rig.brake_arm is not None:
            torque = sweep.brake_force * rig.brake_arm.value
        braked = np.zeros(len(sweep)) if torque is None else 2 * np.pi * sweep.frequency * torque
        wrong = np.flatnonzero(braked > sweep.power)
        if len(wrong):
            i = wrong[0]
            raise InputError(
                f"{sweep.file}, line {sweep.line[i]}: the brake would take {braked[i]:.3g} W of an input of "
                f"{sweep.power[i]:g} W, expected less: check the torque's unit, the arm, and that the frequency is the "
                "crank's"
            )


def _check_blanked(sweeps: Sequence[Sweep], rig: Rig) -> None:
    """How far the pressure swings in a closed cylinder must be read, or follow from its volume."""
    for sweep in (sweep for sweep in sweeps if sweep.stage == "blanked"):
        name = str(sweep.cylinder)
        if sweep.pressure_amplitude is None and rig.cylinders[name].closed_volume is None:
            raise InputError(
                f"{sweep.file}: nothing tells how far the pressure swings in this blanked sweep: expected a column "
                f"'pressure amplitude [bar]', half of peak to peak, or in {BENCH_FILE}, [cylinders.{shown(name)}], "
                'closed_volume = "30 cm^3", the gas left at top dead centre'
            )


def _check_ladder(sweeps: Sequence[Sweep], config: Config) -> None:
    rungs = Counter[tuple[str, str | None]]()
    for sweep in sweeps:
        rungs[sweep.stage, sweep.cylinder] += len(sweep)
    if not rungs["piston-disconnected", None]:
        raise InputError(
            f"{BENCH_FILE}: expected at least one sweep of stage 'piston-disconnected', "
            f"read {', '.join(sorted({sweep.stage for sweep in sweeps}))}"
        )
    runs = sum(count for (stage, _), count in rungs.items() if stage == "loaded")
    ladder = sum(rungs.values()) - runs
    for count, most, what in ((ladder, MOST_READINGS, "ladder"), (runs, MOST_RUNS, "loaded sweeps")):
        if count > most:
            raise InputError(f"{BENCH_FILE}: its {what} hold {count} readings, expected at most {most} settings")
    for sweep in sweeps:
        if sweep.stage in FITTED_STAGES and not sweep.power.any():
            raise InputError(f"{sweep.file}, column 'power': every reading is 0 W, expected readings above zero")
    for (stage, cylinder), count in rungs.items():
        if stage in ("blanked", "loaded") and ("no-load", cylinder) not in rungs:
            _refuse_rung(stage, cylinder, config, "expected a no-load sweep of the same cylinder too, read none")
        if stage in (*FITTED_STAGES, "blanked") and count < FEWEST_READINGS:
            reason = f"too few points for any curve: expected {FEWEST_READINGS} readings or more, read {count}"
            _refuse_rung(stage, cylinder, config, reason)


def _refuse_rung(stage: str, cylinder: str | None, config: Config, reason: str) -> None:
    spec = next(spec for spec in config.sweeps if (spec.stage, spec.cylinder) == (stage, cylinder))
    of = f" of cylinder '{cylinder}'" if cylinder else ""
    raise InputError(f"{spec.where}, file '{shown(spec.file)}': stage '{stage}'{of}: {reason}")
