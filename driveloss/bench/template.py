"""A bench folder to fill in: bench.toml with comments, and one empty sweep file per stage."""

from __future__ import annotations

from pathlib import Path

from driveloss.bench.load import BENCH_FILE
from driveloss.errors import InputError, OutputError

CAUTIONS = """\
# Safety, before anything turns:
# - Rotating and reciprocating parts trap fingers and shed loose clothing and hair: guard them, and
#   isolate the supply before touching the linkage.
# - Cylinders, tubing and plastic pipe can burst: stay inside the rated pressure, prove vessels by a
#   method that local codes accept, relieve before opening.
# - Mains-side power measurement belongs to a competent person under the local electrical code.
# - Hot aftercoolers burn and cold ends freeze skin.
"""

BENCH = f"""\
# What is on the bench. Every value below is an example: replace it by yours.
# A quantity is a number and its unit in quotes: "32 mm", "1.25 in", "2 bar", "0.42 ohm".
# It may carry its limit of error: "0.42 ohm +/- 2 %", "30 mm +/- 0.05 mm".
# Pressures are absolute unless the unit says gauge: "1 bar gauge".
# Lines that start with # are optional: take the mark away to use one.
#
{CAUTIONS}
schema = 1
title = "My bench"
ambient_temperature = "21 degC"
ambient_pressure = "1.013 bar"

[meter]                                 # limits of error from the data sheets; leave out what is not known
power = "0.5 % + 0.1 W"                 # % is of the reading
frequency = "0.02 Hz"
# voltage = "0.2 % + 0.01 V"            # where power is the product of voltage and current
# current = "0.5 % + 0.01 A"
# pressure = "10 mbar"
# temperature = "1.5 K"

[motor]
supply = "terminals"                    # meter on the motor's leads; "controller": before one
# winding_resistance = "0.42 ohm"       # between the leads; else pneumatic work is an upper bound
# winding_temperature = "20 degC"       # at which that was measured
# torque_constant = "0.061 N*m/A"       # needed with "controller", to find the motor's current
# current_form_factor = 1.0             # rms over mean of the motor's current
# incremental_efficiency = 0.8          # output per input at constant speed; replaces a resistance
# peak_torque = "1.2 N*m"               # what the motor can give, at its shaft
# current_limit = "12 A"                # what the motor or its controller can stand

[transmission]
ratio = 1.0                             # motor revolutions per crank revolution
# efficiency = 0.95                     # of the load power that passes through

[crank]                                 # leave rod_length out for a scotch yoke
rod_length = "95 mm"

[cylinders.narrow]                      # any name; one such table for each cylinder or seal that was tried
bore = "30 mm"
stroke = "36 mm"
# seal = "filled PTFE lip"              # free text
# gas = "air"
# back_pressure = "1.013 bar"           # on the seal's other side; ambient unless given
# open_port_diameter = "8 mm"           # the hole it breathes through in the no-load sweep
# discharge_coefficient = 0.62          # of that hole
# pressure_friction = "0.7 N/bar"       # drag per bar across the seal, where not swept at pressure

[aftercooler]
# seal_heat_share = 1.0                 # share of the seal's heat that enters the gas; 1 is safe
# thermal_resistance = "0.35 K/W"       # hot end above coolant, per watt rejected

[cycle]
kind = "none"                           # "pulse-tube", "stirling" or "heat-pump" to have its ceiling quoted

# The tear-down ladder: each stage takes one element away. "standby" and "motor-alone" are optional.

# [[sweeps]]                            # only with supply = "controller"
# stage = "standby"
# file = "standby.csv"

[[sweeps]]
stage = "motor-alone"                   # without it motor and linkage are reported together
file = "motor-alone.csv"

[[sweeps]]
stage = "piston-disconnected"
file = "piston-disconnected.csv"

[[sweeps]]
stage = "no-load"
cylinder = "narrow"
file = "narrow-no-load.csv"
# mean_pressure = "1.013 bar"           # or a column; ambient unless given

[[sweeps]]
stage = "loaded"
cylinder = "narrow"
file = "narrow-loaded.csv"
"""

HOW_TO_READ = """\
# One line for each reading. Let the machine warm up, wait until the reading is steady, go up and down in
# frequency, and take some points twice: repeats show the scatter.
# speed [rpm] of the crank may stand for frequency [Hz]; on direct current, voltage [V] and current [A] may
# stand for power [W].
# Further columns, where recorded: winding [degC], coolant [degC], cold end [degC], hot end [degC], note.
"""

SWEEPS = {
    "standby.csv": ("Controller on, motor stopped.", "power [W],note"),
    "motor-alone.csv": (
        "The motor, uncoupled. Isolate the supply before uncoupling it. The frequency is the crank's: motor\n"
        "# revolutions per second divided by the transmission ratio.",
        "frequency [Hz],power [W],note",
    ),
    "piston-disconnected.csv": (
        "Motor, crank and linkage turn without the piston. Isolate the supply before touching the linkage.",
        "frequency [Hz],power [W],note",
    ),
    "narrow-no-load.csv": (
        "The piston moves with the gas load removed: ports open. Relieve the pressure before opening them.",
        "frequency [Hz],power [W],note",
    ),
    "narrow-loaded.csv": (
        "The whole machine. Stay inside the rated pressure; keep off the hot aftercooler and the cold end.",
        "frequency [Hz],power [W],mean pressure [bar],note",
    ),
}


def template_files() -> dict[str, str]:
    """The files of an empty bench folder: name to text."""
    sweeps = {name: f"# {what}\n{HOW_TO_READ}{header}\n" for name, (what, header) in SWEEPS.items()}
    return {BENCH_FILE: BENCH, **sweeps}


def write_template(folder: Path | str) -> list[Path]:
    """Write a bench folder to fill in; returns the files written.

    InputError: the folder holds something already, or is a file. OutputError: it cannot be written; then
    nothing of it stays behind.
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder}: expected a new or an empty folder, found a file")
    return write_files(folder, {name: text.encode() for name, text in template_files().items()})


def write_demo(folder: Path | str) -> list[Path]:
    """Copy the demo bench, an invented scenario; returns the files written. Errors: see `write_template`."""
    source = _demo_folder()
    names = sorted(p.name for p in source.iterdir() if p.suffix in (".toml", ".csv", ".md"))
    return write_files(Path(folder), {name: (source / name).read_bytes() for name in names})


def _demo_folder() -> Path:
    """calib_data: packed beside this package's modules in a wheel, else in the checkout."""
    package = Path(__file__).parent.parent
    return next(f for f in (package / "calib_data", package.parent / "calib_data") if (f / BENCH_FILE).is_file())


def write_files(folder: Path, files: dict[str, bytes]) -> list[Path]:
    """Write files into a new or empty folder, all of them or none."""
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise InputError(f"{folder}: expected a new or an empty folder, found one with files in it")
        for name, data in files.items():
            written.append(folder / name)
            (folder / name).write_bytes(data)
    except OSError as error:
        for path in written:
            path.unlink(missing_ok=True)
        raise OutputError(f"{folder}: cannot be written: {error.strerror}") from error
    return written
