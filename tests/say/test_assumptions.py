"""What was assumed, as people read it: short, by key, with the cheapest cure; flags in one vocabulary."""

import io
import re

import pytest
from fit.benches import Sheet, write_bench

import driveloss
from driveloss.breakdown.tell import KEYS, assumption_items
from driveloss.fit.assumptions import ASSUMPTIONS
from driveloss.say.flags import FLAGS, flag_lines
from driveloss.say.sheet import Sheet as Table
from driveloss.say.terminal import Screen, print_all

HEADER = "frequency [Hz],power [W]"
AT = 'mean_pressure = "1 bar"\n'
POWERS = {"piston-disconnected": 0.9, "no-load": 1.5, "loaded": 3.4}  # [W/Hz], about, without a source


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Three sweeps of somebody who knows a bore and a stroke."""
    sheets = [
        Sheet(stage, HEADER, [(f, slope * f + 0.02 * f**2) for f in (4.0, 6.0, 8.0, 10.0)], AT * (stage == "loaded"))
        for stage, slope in POWERS.items()
    ]
    return write_bench(tmp_path_factory.mktemp("bench"), '[motor]\nsupply = "terminals"\n', sheets, exactly=False)


@pytest.fixture(scope="module")
def calibration(bench):
    return driveloss.calibrate(bench, draws=400, compare=False)


@pytest.fixture(scope="module")
def answer(bench, calibration):
    return driveloss.breakdown(calibration, bench.sweeps)


def printed(items, width: int) -> list[str]:
    out = io.StringIO()
    print_all(Screen(out, width), items)
    return [line.rstrip() for line in out.getvalue().splitlines()]


@pytest.mark.parametrize("width", [80, 100, 200])
def test_keys_are_never_broken_inside(width):
    keys = ("cylinders.narrow.discharge_coefficient", "cylinders.wide.seal_change", "column pressure amplitude")
    heads = ("Assumed", "Limits", "± net [W]", KEYS)
    row = ("heat of the gas behind the open port", "0 to 25 % of the no-load step", "0.12", "\n".join(keys))
    lines = printed([Table("Assumed", heads, (row,), (*heads[:2], KEYS), (KEYS,))], width)
    assert max(map(len, lines)) <= width
    ends = {word.rpartition(".")[2] for line in lines for word in line.split()}
    assert {"discharge_coefficient", "seal_change", "amplitude"} <= ends
    assert width < 200 or {*keys[:2]} <= {word for line in lines for word in line.split()}


@pytest.mark.parametrize("width", [80, 100])
def test_the_table_is_short_and_names_everything(answer, width):
    lines = printed(assumption_items(answer.assumptions), width)
    assert len(lines) <= 2.5 * len(answer.assumptions) + 12 and max(map(len, lines)) <= width
    text = " ".join(" ".join(lines).split())
    light = text.partition("less than 1 % of the largest effect: ")[2]
    for one in answer.assumptions:
        if one.half_width <= 0.01 * answer.assumptions[0].half_width:
            assert one.row.name in light
    assert len([line for line in lines if line.startswith("- ")]) == 3


def test_the_cheapest_of_the_three_largest_comes_first(answer):
    *_, points = assumption_items(answer.assumptions)
    largest = sorted(answer.assumptions[:3], key=lambda one: one.row.effort)
    assert [point.partition(":")[0] for point in points] == [" and ".join(one.keys) for one in largest]


def test_where_all_is_stated_nothing_is_said():
    assert assumption_items(()) == []


def test_limits_are_in_units_of_the_workshop():
    """By hand from the numbers: shares in per cent, pascals in mbar."""
    said = {row.name: row.range for rows in ASSUMPTIONS.values() for row in rows}
    assert said["pressure meter"] == "1.6 % + 10 mbar"
    assert said["controller efficiency"] == "90 to 99 %"
    assert said["current ripple"].startswith("0 to 100 %")
    assert not any("times (" in text or "0.9" in text for text in said.values())


def test_the_plain_subtraction_stands_beside_an_assumed_net(answer):
    table = next(item for item in answer.tables(everything=True) if isinstance(item, Table))
    at = table.heads.index("At most")
    assert table.heads[at - 1] == "Net"
    assert [row[at] for row in table.rows] == [run.cells(["subtraction"])[0] for run in answer.runs]


def test_losses_carry_the_flag_and_what_was_assumed(calibration):
    found = driveloss.losses(calibration, [6.0])
    assert all("load-loss-assumed" in row.flags for row in found)
    data = found.to_dict()
    assert {"key", "limits", "source"} <= set(data["assumptions"][0])
    names = {one["name"] for one in data["assumptions"]}
    assert {"load loss of the motor", "pins and guides", "open port"} <= names
    assert "seal between ladder and run" not in names  # of loaded runs alone
    *tables, _, line = found.tables()
    assert all(table.heads[-1] == "Flags" for table in tables) and "pins and guides" in line


def test_flags_say_bias_and_cure_in_one_vocabulary():
    for code, flag in FLAGS.items():
        assert re.search(r"within the interval|beyond the interval|^None\.|something is wrong", flag.bias), code
        assert flag.cure.endswith(".") and flag.cure[0].islower(), code
        assert f"Bias: {flag.bias} Cure: {flag.cure}" in flag_lines([code])[0]


def test_what_flags_say_of_limits_is_what_is_assumed():
    assert "0 to 40 K above the room" in FLAGS["winding-temperature-assumed"].meaning
    assert "0 to 25 % of the no-load step" in FLAGS["port-loss-unknown"].meaning
    assert "65 to 95 % of further input" in FLAGS["load-loss-assumed"].meaning
