"""A cylinder may be called what it is called: no table tears its name where it looks like the table's own words."""

import pytest
from compare.machines import bench, loaded_again

from driveloss import calibrate, compare, plan, recheck
from driveloss.say.sheet import Sheet

NAMES = {"dragging": "lip at 45 deg", "easy": "a: piston-b (c)"}


@pytest.fixture(scope="module")
def renamed(tmp_path_factory):
    """A bench of two cylinders with such names."""
    folder = tmp_path_factory.mktemp("bench")
    bench(folder)
    return loaded_again(folder, NAMES)


def column(answer, place=0, head="Cylinder"):
    """The cells below one head of the tables that have it, each as its lines; place: which of those tables."""
    sheet = [item for item in answer.tables(everything=True) if isinstance(item, Sheet) and head in item.heads][place]
    return {tuple(row[sheet.heads.index(head)].split("\n")) for row in sheet.rows}


def test_compare(renamed):
    answer = compare([renamed], frequencies=[7.0])
    assert column(answer) == {(name, "1.013 bar") for name in NAMES.values()}
    assert {row["entry"] for row in answer.to_dict()["losses"]} == {f"{name} at 1.013 bar" for name in NAMES.values()}


def test_compare_of_a_cylinder_loaded_twice(renamed):
    """Equal labels get the file on a line of its own."""
    twice = renamed.sweeps + tuple(s.replace(file=f"again-{s.file}") for s in renamed.sweeps if s.stage == "loaded")
    answer = compare([type(renamed)(renamed.folder, renamed.rig, twice, renamed.sha256)], frequencies=[7.0])
    loaded = column(answer, 1)
    assert {cell[:2] for cell in loaded} == {(name, "1.013 bar") for name in NAMES.values()}
    assert sum(cell[2].startswith("(again-") for cell in loaded) == len(loaded) / 2


def test_plan(renamed):
    found = column(plan(renamed, [7.0], readings=60), head="Rung")
    assert ("no-load 'lip at 45 deg'", "1.013 bar") in found
    assert ("loaded 'a: piston-b (c)'", "1.013 bar") in found
    assert ("piston-disconnected",) in found


def test_recheck(renamed):
    calibration = calibrate(renamed, draws=200, compare=False)
    again = [s for s in renamed.sweeps if s.stage in ("no-load", "piston-disconnected")]
    found = column(recheck(calibration, again), head="Rung")
    assert found == {
        ("piston-disconnected",),
        ("no-load 'lip at 45 deg'", "1.013 bar"),
        ("no-load 'a: piston-b (c)'", "1.013 bar"),
    }
