"""Makes the demo bench in calib_data/, an invented cold box. In tests/: `python -m simulate.make_demo`."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np

from simulate.bench_toml import NEW_KEYS
from simulate.effects import Effects, Pins
from simulate.log import write_log
from simulate.machine import CylinderTruth, MotorTruth, SealLaw, TorqueLaw, Truth
from simulate.recording import PlannedRecording
from simulate.rig import Answer, Limits, PlannedSweep, Protocol, in_order, perturb, write_bench
from simulate.rundown import PlannedRundown

SEED = 20417
ATMOSPHERE, CHARGED = 1.009e5, 2.38e5  # [Pa]
FREQUENCIES = (4.1, 5.3, 6.2, 7.7, 8.6, 10.2, 11.3)  # [Hz]
MISTYPED = ("wide-no-load-charged.csv", 10)  # file and row whose power gets its first two digits swapped
ROOT = Path(__file__).parents[2]

WIDE = CylinderTruth(
    name="wide",
    bore=0.042,
    stroke=0.028,
    seal=SealLaw(coulomb=14.0, static=18.5, stribeck_speed=0.06, viscous=4.0, energised=4.4e-5),
    seal_text="graphite-filled split ring with expander",
    back_pressure=ATMOSPHERE,
    port_diameter=0.008,
    discharge_coefficient=0.62,
    work_ratio=0.16,
    work_ratio_slope=0.004,
    phase=-0.7,
)
NARROW = CylinderTruth(
    name="narrow",
    bore=0.036,
    stroke=0.028,
    seal=SealLaw(coulomb=7.5, viscous=3.0, energised=6.5e-5),
    seal_text="moulded rubber lip, greased",
    back_pressure=ATMOSPHERE,
    port_diameter=0.007,
    discharge_coefficient=0.62,
    work_ratio=0.16,
    work_ratio_slope=0.006,
    phase=-0.8,
)
STATED = Truth(
    motor=MotorTruth(
        supply="controller",
        resistance=0.19,
        reference_temperature=294.15,
        torque_constant=0.058,
        law=TorqueLaw(coulomb=0.013, rolling=2.0e-4, viscous=3.5e-5),
        standby=3.4,
        heating=1.9,
    ),
    linkage=TorqueLaw(coulomb=0.028, rolling=1.2e-3, windage=2.2e-6),
    cylinders=(WIDE, NARROW),
    ratio=3.2,
    transmission_efficiency=0.96,
    rod_length=0.088,
    ambient_temperature=291.65,
    ambient_pressure=ATMOSPHERE,
    thermal_resistance=0.31,
    cycle="stirling",
    effects=Effects(
        controller_efficiency=0.96,
        full_power=90.0,
        pins=Pins(mu=0.003, crank_pin=0.006, wrist_pin=0.004, main=0.006),
    ),
)
LIMITS = Limits(
    power_gain=0.004,
    power_zero=0.1,
    frequency=0.02,
    resistance=0.03,
    torque_constant=0.03,
    transmission_efficiency=0.01,
    port_diameter=0.01,
    discharge_coefficient=0.05,
    bore=5e-5,
    stroke=5e-5,
    controller_efficiency=0.02,
    torque_gain=0.01,
)
BRAKED = tuple((f, m) for f in (4.5, 7.5, 10.5) for m in (0.15, 0.3, 0.45, 0.6))  # [Hz], [N m] at the crank
KNOWN = {"crank.bearings", "motor.brush_drop", "motor.controller_efficiency"}  # of what grows with load


def sweeps() -> tuple[PlannedSweep, ...]:
    """The tear-down, top rung last; two passes, the second downwards, except in some loaded sweeps."""
    twice, once = in_order(FREQUENCIES, 2, up_and_down=True), FREQUENCIES
    gentle = FREQUENCIES[:-1]
    bottle = ("Cylinder open, through its breathing hole, to a large bottle charged to the mean pressure.",)
    return (
        PlannedSweep("standby", (0.0,) * 3, "standby.csv"),
        PlannedSweep("motor-alone", twice, "motor-alone.csv", remarks=("Belt off. Frequency = motor / 3.2.",)),
        PlannedSweep("piston-disconnected", twice, "piston-disconnected.csv", delimiter=";"),
        PlannedSweep(
            "braked",
            tuple(f for f, _ in BRAKED),
            "braked.csv",
            torques=tuple(m for _, m in BRAKED),
            remarks=("Piston off, a rope brake on the crank's flywheel.",),
        ),
        PlannedSweep("no-load", twice, "wide-no-load.csv", "wide", ATMOSPHERE, remarks=("Open to the room.",)),
        PlannedSweep(
            "no-load",
            twice,
            "wide-no-load-charged.csv",
            "wide",
            CHARGED,
            remarks=bottle,
            notes=((1, "first run of the day"), (9, "belt guard refitted")),
        ),
        PlannedSweep("no-load", twice, "narrow-no-load.csv", "narrow", ATMOSPHERE, delimiter="\t"),
        PlannedSweep("loaded", once, "wide-loaded.csv", "wide", ATMOSPHERE),
        PlannedSweep("loaded", twice, "wide-loaded-charged.csv", "wide", CHARGED),
        PlannedSweep("loaded", once, "narrow-loaded.csv", "narrow", ATMOSPHERE),
        PlannedSweep("loaded", gentle, "narrow-loaded-charged.csv", "narrow", CHARGED),
        PlannedSweep(
            "no-load", once, "wide-no-load-after.csv", "wide", ATMOSPHERE, remarks=("Again, still warm from the runs.",)
        ),
    )


PROTOCOL = Protocol(
    sweeps=sweeps(),
    title="Crank-driven Stirling cold box, two pistons tried (invented demo)",
    remarks=(
        "An invented machine; README.md tells its story.",
        "Any quantity may carry limits of error, as on its data sheet or by guess: value +/- limit.",
        "Pressures are absolute unless the unit says gauge.",
    ),
    limits=LIMITS,
    noise_floor=0.06,
    noise_share=0.004,
    frequency_jitter=0.003,
    set_point_scatter=0.012,
    frequency_digits=2,
    winding_column=True,
    temperature_columns=True,
    thermometer_noise=0.1,
    cold_depth=38.0,
    leaves_out=NEW_KEYS - KNOWN,
    recordings=(
        PlannedRecording("wide", 8.6, CHARGED, "wide-recording.csv", turns=9, samples=48, dead_centre=0.5, lag=1e-4),
    ),
    rundowns=(PlannedRundown("piston-disconnected", "rundown.csv", 11.5, 3.5, 0.006, stated=1.02, limit=0.04),),
)

README = """# Demo bench: an invented Stirling cold box

**This machine does not exist.** Every reading here was made by a seeded script,
`tests/simulate/make_demo.py`, which computes a machine with known losses and looks at it through imperfect
instruments. The files show what a finished bench folder looks like and give the commands something to do:

    driveloss calibrate calib_data
    driveloss breakdown calib_data

## What it depicts

A small cold box cooled by a Stirling machine. A brushless motor on a controller turns the crank through a
toothed belt, 3.2 motor turns to one of the crank. Two pistons were tried on the same crank: `wide`, 42 mm
with a graphite-filled split ring, and `narrow`, 36 mm with a greased rubber lip. The power meter sits before
the controller, so no motor current was read.

| file | what turns | readings |
|---|---|---|
| standby.csv | nothing, controller on | 3 |
| motor-alone.csv | motor, belt off; frequency is the crank's that it stands for | 14 |
| piston-disconnected.csv | motor, belt and crank | 14 |
| braked.csv | motor, belt and crank against a rope brake; torque at the crank | 12 |
| wide-no-load.csv | + wide piston, cylinder open to the room | 14 |
| wide-no-load-charged.csv | the same, cylinder open to a large bottle at 2.38 bar | 14 |
| narrow-no-load.csv | + narrow piston, cylinder open to the room | 14 |
| wide-no-load-after.csv | wide piston again, after its loaded runs, still warm | 7 |
| wide-loaded.csv, wide-loaded-charged.csv | whole machine, 1.009 and 2.38 bar mean | 7, 14 |
| narrow-loaded.csv, narrow-loaded-charged.csv | whole machine, 1.009 and 2.38 bar mean | 7, 6 |
| wide-recording.csv | pressure through nine turns of the wide piston at 8.6 Hz, 2.38 bar | 432 samples |
| log.csv | a recorder's log of another afternoon, not in bench.toml: for `driveloss steady` | 767 lines |
| rundown.csv | motor, belt and crank left to coast, supply cut | 60 samples |

The crankcase stays at room pressure throughout, so the charge of 2.38 bar presses the seal against the wall.

## What to look out for

- One reading was **typed wrongly on purpose**: row {row} of {file} has its first two digits
  swapped ({wrong} W instead of {right} W). Nothing in its note column says so; the fit should point at it.
- The narrow piston was never turned without load at 2.38 bar. Its drag there is unknown, so its charged
  loaded runs must come out flagged.
- The wide piston was turned without load once more after its loaded runs, the narrow one was not: so less is
  known of how much its seal drags in the runs, and its intervals are wider.
- bench.toml says that pins and main bearings are rolling, that the motor has no brushes, and what its controller
  passes. It says nothing of the current's form factor, or of the meter's linearity: those are assumed.
- Files need not look alike: piston-disconnected.csv has semicolons and decimal commas, narrow-no-load.csv
  tabs.
- The winding warms up with load; its temperature was recorded.
"""


def swap_digits(text: str, row: int) -> tuple[str, str, str]:
    """The file's text with the first two digits of a row's power swapped, and that power before and after."""
    lines = text.split("\n")
    header = next(number for number, line in enumerate(lines) if not line.startswith("#"))
    cells, column = lines[header + row].split(","), lines[header].split(",").index("power [W]")
    right = cells[column]
    cells[column] = wrong = right[1] + right[0] + right[2:]
    lines[header + row] = ",".join(cells)
    return "\n".join(lines), right, wrong


def rounded(value):
    """Six significant digits: the same text on every machine."""
    if isinstance(value, dict):
        return {key: rounded(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(one) for one in value]
    return float(f"{value:.6g}") if isinstance(value, float) else value


def no_load_truth(answer: Answer) -> list[dict]:
    """True no-load losses at round frequencies, drive alone and each cylinder at each pressure."""
    rows = []
    for name, pressure in (
        (None, None),
        *((c.name, p) for c in (WIDE, NARROW) for p in (ATMOSPHERE, CHARGED)),
    ):
        for frequency in (5.0, 8.0, 11.0):
            losses = {key: float(value[0]) for key, value in answer.no_load(name, frequency, pressure).items()}
            rows.append({"cylinder": name, "mean_pressure_Pa": pressure, "frequency_Hz": frequency, **losses})
    return rows


def answers(answer: Answer, right: str, wrong: str) -> dict:
    """Everything a test may want to compare the demo's results with."""
    file, row = MISTYPED
    return rounded(
        {
            "about": "True answers of the invented demo bench in calib_data/, made by simulate/make_demo.py",
            "mistyped": {"file": file, "row": row, "written_W": float(wrong), "read_W": float(right)},
            "errors": asdict(answer.errors),
            "machine": {key: value for key, value in asdict(answer.truth).items() if key != "effects"},
            "no_load": no_load_truth(answer),
            "runs": list(answer.runs),
        }
    )


def make_demo(folder: Path, truth_file: Path) -> Answer:
    """Write the demo bench into `folder` and its true answers into `truth_file`."""
    rng = np.random.default_rng(SEED)
    answer = write_bench(folder, perturb(STATED, LIMITS, rng), PROTOCOL, rng, stated=STATED)
    file, row = MISTYPED
    text, right, wrong = swap_digits((folder / file).read_text(encoding="utf-8"), row)
    (folder / file).write_text(text, encoding="utf-8", newline="\n")
    readme = README.format(file=file, row=row, right=right, wrong=wrong)
    (folder / "README.md").write_text(readme, encoding="utf-8", newline="\n")
    write_log(folder / "log.csv")
    truth = json.dumps(answers(answer, right, wrong), indent=1) + "\n"
    truth_file.write_text(truth, encoding="utf-8", newline="\n")
    return answer


if __name__ == "__main__":
    make_demo(ROOT / "calib_data", Path(__file__).with_name("demo_truth.json"))
