"""Sweep files: what is read, and what is refused with its place."""

import codecs
import hashlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from driveloss.bench.columns import read_sweep
from driveloss.bench.records import Sweep, SweepSpec
from driveloss.errors import InputError


@pytest.fixture
def sweep_file(tmp_path):
    def write(data):
        path = tmp_path / "sweep.csv"
        path.write_bytes(data if isinstance(data, bytes) else data.encode())
        return path

    return write


def sweep_and_notices(path, stage="motor-alone", ambient_pressure=None, ratio=None, **options):
    spec = SweepSpec(**{"stage": stage, "file": path.name, "where": ""} | options)
    return read_sweep(path, spec, ambient_pressure, ratio)


def read(path, stage="motor-alone", **options):
    return sweep_and_notices(path, stage, **options)[0]


def refusal(path, stage="motor-alone", **options):
    with pytest.raises(InputError) as error:
        read(path, stage, **options)
    message = str(error.value)
    assert message.startswith("sweep.csv")
    assert message.isprintable()
    return message


def test_every_column_in_si(sweep_file):
    text = (
        "Speed [rpm];POWER [kW];Mean Pressure [bar gauge];pressure amplitude [kPa];winding [degC];cold end [degF];"
        "hot end [K];coolant [°C];note;humidity [%]\n"
        "600;0,0125;1,5;40;60;-40;330;15;first;40\n"
    )
    options = {"cylinder": "narrow", "ambient_pressure": 1e5, "file": "in/loaded.csv"}
    sweep, notices = sweep_and_notices(sweep_file(text), "loaded", **options)
    assert sweep.frequency == pytest.approx([10])
    assert sweep.power == pytest.approx([12.5])
    assert sweep.mean_pressure == pytest.approx([2.5e5])
    assert sweep.pressure_amplitude == pytest.approx([40e3])  # a difference: nothing is added to it
    assert sweep.winding == pytest.approx([333.15])
    assert sweep.cold_end == pytest.approx([233.15])  # -40 degF = -40 degC
    assert sweep.hot_end == pytest.approx([330])
    assert sweep.coolant == pytest.approx([288.15])
    assert sweep.note == ("first",)
    assert sweep.current is None
    assert (sweep.file, sweep.stage, sweep.cylinder) == ("in/loaded.csv", "loaded", "narrow")
    assert notices == ("in/loaded.csv, line 1: column 'humidity [%]' is left out",)


def test_lines_checksum_and_read_only_arrays(sweep_file):
    path = sweep_file("# a, comment\r\n\r\nfrequency [Hz],power [W]\r\n1,2\r\n# more\r\n3,4\r\n,\r\n")
    sweep = read(path)
    assert sweep.line.tolist() == [4, 6]
    assert sweep.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert len(sweep) == 2
    with pytest.raises(ValueError, match="read-only"):
        sweep.power[0] = 0


def test_volts_times_amps_and_its_last_digit(sweep_file):
    sweep = read(sweep_file("frequency [Hz],voltage [V],current [A]\n1,12.0,0.50\n2,24.0,1.50\n"))
    assert sweep.from_volts_and_amps
    assert sweep.power == pytest.approx([6, 36])
    assert sweep.voltage == pytest.approx([12, 24])
    assert sweep.current == pytest.approx([0.5, 1.5])
    # 0.1 V at the mean 1 A, 0.01 A at the mean 18 V: hypot(0.1, 0.18)
    assert sweep.power_resolution == pytest.approx(0.20591260281974)


def test_a_power_column_wins_over_the_product(sweep_file):
    sweep = read(sweep_file("frequency [Hz],power [W],voltage [V],current [A]\n1,7,12,0.5\n"))
    assert not sweep.from_volts_and_amps
    assert sweep.power == pytest.approx([7])
    assert sweep.current == pytest.approx([0.5])


@pytest.mark.parametrize(
    ("written", "unit", "step"),
    [
        (["12", "7"], "W", 1),
        (["12.50", "7"], "W", 0.01),
        (["12.5", "7.25"], "kW", 10),
        (["1.25e1", "2e1"], "W", 0.1),
        (["125e-2"], "W", 0.01),
    ],
)
def test_the_last_digit_written(sweep_file, written, unit, step):
    rows = "".join(f"1,{power}\n" for power in written)
    sweep = read(sweep_file(f"frequency [Hz],power [{unit}]\n{rows}"))
    assert sweep.power_resolution == pytest.approx(step)


def test_a_standby_sweep_needs_no_frequency_and_may_stand_still(sweep_file):
    assert read(sweep_file("power [W]\n2,5\n2,6\n"), "standby").frequency.tolist() == [0, 0]
    assert read(sweep_file("power [W]\n2,5\n2,6\n"), "standby").power == pytest.approx([2.5, 2.6])
    assert read(sweep_file("frequency [Hz],power [W]\n0,2.5\n"), "standby").frequency.tolist() == [0]


def test_mean_pressure_column_then_key_then_ambient(sweep_file):
    plain = "frequency [Hz],power [W]\n1,2\n"
    column = "frequency [Hz],power [W],mean pressure [bar]\n1,2,3\n"
    options = {"cylinder": "narrow", "ambient_pressure": 1e5}
    assert read(sweep_file(plain), "no-load", **options).mean_pressure.tolist() == [1e5]
    assert read(sweep_file(plain), "no-load", mean_pressure=2e5, **options).mean_pressure.tolist() == [2e5]
    sweep, notices = sweep_and_notices(sweep_file(column), "loaded", mean_pressure=2e5, **options)
    assert sweep.mean_pressure == pytest.approx([3e5])
    assert "column 'mean pressure' is used" in notices[0]
    assert read(sweep_file(plain)).mean_pressure is None
    message = refusal(sweep_file(plain), "loaded", **options)
    assert "a loaded sweep needs its mean pressure" in message


@pytest.mark.parametrize(
    "text",
    [
        "sep=;\nfrequency [Hz];power [W]\n1,5;2,5\n",
        "frequency [Hz]\tpower [W]\n1,5\t2,5\n",
        "frequency [Hz],power [W],,\n1.5,2.5,,\n,,,\n",
        '"# a comment, quoted by a spreadsheet",\n"frequency [Hz]","power [W]"\n"1.5","2.5"\n',
        "frequency [Hz];power [W]\r1.5;2.5\r",
        "frequency [ Hz ] , power [W]\n 1.5 , 2.5 \n",
        "frequency[Hz],power[W]\n1.5,2.5",
    ],
)
def test_what_spreadsheets_write(sweep_file, text):
    sweep = read(sweep_file(text))
    assert (sweep.frequency.tolist(), sweep.power.tolist()) == ([1.5], [2.5])


@pytest.mark.parametrize("row", ["180,4,5,21,,", "180,4,5,,,"])
def test_a_decimal_comma_among_the_delimiters_is_not_swallowed_by_empty_cells(sweep_file, row):
    message = refusal(sweep_file(f"speed [rpm],power [W],winding [degC],note,\n{row}\n"))
    assert "line 2" in message and "decimal comma" in message


def test_a_misspelt_optional_column_is_pointed_out(sweep_file):
    _, notices = sweep_and_notices(sweep_file("frequency [Hz],power [W],hot-end [degC]\n1,2,3\n"))
    assert notices == ("sweep.csv, line 1: column 'hot-end [degC]' is left out; did you mean 'hot end'?",)


@pytest.mark.parametrize(
    "header",
    [
        "frequency (Hz);power (W)",
        "frequency, Hz;power, W",
        "frequency / Hz;power / W",  # quantity over unit: ISO 80000-1, 7.1.4 (from memory)
        "Frequency/(1/s);Power (watt)",
        "frequency\u00a0[Hz];power\u202f[W]",
    ],
)
def test_other_ways_to_write_a_unit(sweep_file, header):
    sweep = read(sweep_file(f"{header}\n1,5;2,5\n"))
    assert (sweep.frequency.tolist(), sweep.power.tolist()) == ([1.5], [2.5])


def test_round_brackets_round_no_unit_leave_an_optional_column_out(sweep_file):
    _, notices = sweep_and_notices(sweep_file("frequency [Hz],power [W],current (rms)\n1,2,3\n"))
    assert notices == ("sweep.csv, line 1: column 'current (rms)' is left out; did you mean 'current'?",)


@pytest.mark.parametrize("cell", ["\u221212,5", "-12,5", "\u201312,5"])
def test_minus_signs_as_word_processors_set_them(sweep_file, cell):
    sweep = read(sweep_file(f"frequency [Hz];power [W];cold end [degC]\n1;2;{cell}\n"))
    assert sweep.cold_end == pytest.approx([273.15 - 12.5])


@pytest.mark.parametrize("space", ["\u00a0", "\u202f", "\u2009"])
def test_digits_grouped_by_a_space_that_does_not_break(sweep_file, space):
    """As ISO 80000-1, 7.3.1 groups them (from memory)."""
    sweep = read(sweep_file(f"frequency [Hz];power [W]\n1;12{space}500,5\n"))
    assert sweep.power.tolist() == [12500.5]
    assert sweep.power_resolution == pytest.approx(0.1)
    assert "expected a number" in refusal(sweep_file(f"frequency [Hz];power [W]\n1;1{space}25\n"))


@pytest.mark.parametrize("cell", ["", "-", "\u2013", "n.a.", "N/A", "#N/A", "nan"])
def test_gaps_in_the_temperature_of_an_end(sweep_file, cell):
    text = f"frequency [Hz],power [W],cold end [degC],hot end [K],note\n1,2,-20,{cell},x\n2,3,{cell},{cell},\n"
    sweep, notices = sweep_and_notices(sweep_file(text))
    assert sweep.cold_end == pytest.approx([253.15, np.nan], nan_ok=True)
    assert sweep.hot_end is None  # a column of nothing but gaps was not recorded
    assert notices == (
        "sweep.csv, line 1, column 'cold end [degC]': 1 of 2 cells are empty: there it counts as not recorded",
        "sweep.csv, line 1, column 'hot end [K]': 2 of 2 cells are empty: there it counts as not recorded",
    )


def motor_speed_file(cells, header="motor speed [rpm],power [W]"):
    return "".join(f"{line}\n" for line in (header, *cells))


def test_motor_speed_over_the_ratio_is_the_crank_s(sweep_file):
    sweep = read(sweep_file(motor_speed_file(["1350,2", "1500,3"])), ratio=3.0)
    assert sweep.frequency == pytest.approx([1350 / 60 / 3, 1500 / 60 / 3])
    assert read(sweep_file(motor_speed_file(["22.5,2"], "motor speed [Hz],power [W]")), ratio=3.0).frequency == [7.5]
    assert read(sweep_file(motor_speed_file(["0,2"])), "standby").frequency.tolist() == [0]


def test_motor_speed_beside_the_crank_s_is_compared(sweep_file):
    header = "speed [rpm],motor speed [rpm],power [W]"
    sweep = read(sweep_file(motor_speed_file(["450,1350,2", "500,1520,3"], header)), ratio=3.0)  # slips 1.3 %
    assert sweep.frequency.tolist() == [7.5, 500 / 60]
    message = refusal(sweep_file(motor_speed_file(["450,1350,2", "500,1600,3"], header)), ratio=3.0)
    assert "line 3, column 'motor speed [rpm]'" in message
    assert "'1600' at the ratio of 3 is 1.067 times the crank's speed, read '500' in column 'speed [rpm]'" in message
    _, notices = sweep_and_notices(sweep_file(motor_speed_file(["450,1600,2"], header)))
    assert "not compared" in notices[0] and "[transmission] ratio" in notices[0]


def test_a_speed_in_rpm_becomes_the_nearest_hertz(sweep_file):
    """450 rpm is 7.5 Hz to the last bit, and so is every other whole or broken number: correctly rounded division."""
    typed = ["450", "515.7", "500", "601.3", "7.1"]
    sweep = read(sweep_file("speed [rpm],power [W]\n" + "".join(f"{n},2\n" for n in typed)))
    assert sweep.frequency.tolist() == [float(n) / 60 for n in typed]
    assert sweep.typed == tuple(f"{n} rpm" for n in typed)
    assert read(sweep_file(motor_speed_file(["1350,2"])), ratio=3.0).typed == ("1350 rpm of the motor",)
    assert read(sweep_file("power [W]\n2.5\n"), "standby").typed == ()


HEADER = "frequency [Hz],power [W]\n"
REFUSED = {
    "empty file": ("", ["the file is empty", "header line"]),
    "comments only": ("# nothing\n\n", ["the file is empty", "header line"]),
    "no header": ("1,2\n3,4\n", ["line 1", "expected a header line", "read '1,2'"]),
    "no rows": (HEADER, ["at least one line of readings", "read none"]),
    "no rows but comments": (HEADER + "# none yet\n", ["at least one line of readings"]),
    "no unit": (
        "frequency,power [W]\n1,2\n",
        ["line 1, column 'frequency'", "unit is missing", "'frequency [Hz]'"],
    ),
    "empty unit": ("frequency [],power [W]\n1,2\n", ["line 1, column 'frequency []'", "unit is missing"]),
    "round brackets round no unit": (
        "frequency (crank),power [W]\n1,2\n",
        ["expected a column 'frequency [Hz]'", "did you mean 'frequency'"],
    ),
    "a unit of something else after a slash": (
        "frequency / W,power [W]\n1,2\n",
        ["column 'frequency / W'", "expected a frequency such as 'Hz'", "read unit 'W', a power"],
    ),
    "a title": (
        "Bench test, third day\n\n" + HEADER + "1,2\n",
        ["line 1: looks like a title", "header row name [unit], as in line 3", "# or delete it", "third day"],
    ),
    "a title with brackets, and a date": (
        "Test (run 3)\n2024-05-17\n" + HEADER + "1,2\n",
        ["line 1: looks like a title", "as in line 3"],
    ),
    "n.a. in a column that must be whole": (
        HEADER + "1,2\n2,n.a.\n",
        ["line 3, column 'power [W]'", "read 'n.a.'", "fill it in or delete the line: only 'cold end' or 'hot end'"],
    ),
    "a gap in an optional column that must be whole": (
        "frequency [Hz],power [W],coolant [degC]\n1,2,20\n1,2,-\n",
        ["line 3, column 'coolant [degC]'", "read '-'", "or the column"],
    ),
    "digits grouped by an ordinary space": (
        "frequency [Hz];power [W]\n1;1 234\n",
        ["line 2, column 'power [W]'", "expected a number, read '1 234'"],
    ),
    "motor speed without a ratio": (
        "motor speed [rpm],power [W]\n450,2\n",
        ["line 1, column 'motor speed [rpm]'", "the key ratio = 3.0 in [transmission]", "column 'frequency [Hz]'"],
    ),
    "wrong dimension": (
        "frequency [Hz],power [V]\n1,2\n",
        ["line 1, column 'power [V]'", "expected a power", "read unit 'V', a voltage"],
    ),
    "unknown unit": (
        "frequency [Hz],power [wat]\n1,2\n",
        ["line 1, column 'power [wat]'", "unknown unit 'wat'"],
    ),
    "unit as a sum": ("frequency [Hz],power [9**9**9]\n1,2\n", ["column 'power [9**9**9]'", "unknown unit"]),
    "missing frequency": (
        "power [W],note\n1,2\n",
        ["line 1", "'frequency [Hz]' or 'speed [rpm]'", "read 'power [W]'"],
    ),
    "missing power": (
        "frequency [Hz],voltage [V]\n1,2\n",
        ["line 1", "'power [W]'", "read 'frequency [Hz]'"],
    ),
    "misspelt": ("frequncy [Hz],power [W]\n1,2\n", ["'frequncy [Hz]'", "did you mean 'frequency'"]),
    "duplicate": (
        "frequency [Hz],power [W],Power [kW]\n1,2,3\n",
        ["line 1, column 'Power [kW]'", "duplicate column", "'power [W]'"],
    ),
    "frequency and speed": (
        "frequency [Hz],speed [rpm],power [W]\n1,60,3\n",
        ["line 1", "either", "'speed'"],
    ),
    "two headers": (HEADER + HEADER + "1,2\n", ["line 2", "second header line", "frequency [Hz] power [W]"]),
    "a line of units": (HEADER + "[Hz],[W]\n1,2\n", ["line 2", "second header line '[Hz] [W]'"]),
    "bare units": (HEADER + "1,2\nHz,W\n", ["line 3", "second header line 'Hz W'"]),
    "ragged short": (HEADER + "1,2\n3\n", ["line 3", "expected 2 cells", "read 1 in '3'"]),
    "ragged long": (HEADER + "1,2,3\n", ["line 2", "expected 2 cells", "read 3 in '1,2,3'", "comma"]),
    "decimal comma": (HEADER + "1,5,2,5\n", ["line 2", "expected 2 cells", "read 4"]),
    "empty cell": (HEADER + "1,2\n3,\n", ["line 3, column 'power [W]'", "a number", "read an empty cell"]),
    "not a number": (
        HEADER + "1,2\n3,high\n",
        ["line 3, column 'power [W]'", "expected a number, read 'high'"],
    ),
    "nan": (HEADER + "1,NaN\n", ["line 2, column 'power [W]'", "finite number, read 'NaN'"]),
    "inf": (HEADER + "1,-inf\n", ["line 2, column 'power [W]'", "finite number, read '-inf'"]),
    "overflow": (HEADER + f"1,{'9' * 400}\n", ["line 2, column 'power [W]'", "finite number"]),
    "huge exponent": (
        HEADER + "1,1e999\n",
        ["line 2, column 'power [W]'", "expected a number, read '1e999'"],
    ),
    "number with unit": (HEADER + "1,2 W\n", ["line 2, column 'power [W]'", "read '2 W'"]),
    "other digits": (HEADER + "1,٣\n", ["line 2, column 'power [W]'", "expected a number"]),
    "underscore": (HEADER + "1,1_000\n", ["line 2, column 'power [W]'", "expected a number, read '1_000'"]),
    "negative power": (
        HEADER + "1,-0.5\n",
        ["line 2, column 'power [W]'", "cannot be negative", "read '-0.5'"],
    ),
    "zero frequency": (HEADER + "0,1\n", ["line 2, column 'frequency [Hz]'", "above zero", "read '0'"]),
    "negative frequency": (
        HEADER + "-1,1\n",
        ["line 2, column 'frequency [Hz]'", "cannot be negative", "'-1'"],
    ),
    "rpm headed Hz": (
        HEADER + "1500,1\n",
        ["line 2, column 'frequency [Hz]'", "between 0 and 1000 Hz", "in rpm?"],
    ),
    "absolute zero": (
        "frequency [Hz],power [W],cold end [degC]\n1,2,-273.15\n",
        ["line 2, column 'cold end [degC]'", "absolute zero", "read '-273.15'"],
    ),
    "vacuum": (
        "frequency [Hz],power [W],mean pressure [bar]\n1,2,0\n",
        ["line 2, column 'mean pressure [bar]'", "above zero", "read '0'"],
    ),
    "gauge of a difference": (
        "frequency [Hz],power [W],pressure amplitude [bar gauge]\n1,2,0.5\n",
        ["column 'pressure amplitude [bar gauge]'", "expected an absolute pressure"],
    ),
    "gauge of nothing": (
        "frequency [Hz],power [W],mean pressure [bar gauge]\n1,2,0\n",
        ["column 'mean pressure [bar gauge]'", "expected an absolute pressure"],
    ),
    "two marks": (
        "frequency [Hz];power [W]\n1;1,234\n2;5.6\n",
        ["line 3, column 'power [W]'", "one decimal mark", "'1,234' (line 2)", "'5.6' (line 3)"],
    ),
    "thousands": (
        "frequency [Hz];power [W]\n1;1.234,5\n",
        ["line 2, column 'power [W]'", "one decimal mark"],
    ),
    "two points": (
        HEADER + "1,1.234.5\n",
        ["line 2, column 'power [W]'", "expected a number, read '1.234.5'"],
    ),
    "open quote": (HEADER + '1,"2\n', ["line 2", "quoted cell"]),
    "binary": (b"\x7fELF\x00\x00", ["line 1", "expected a text file", "binary"]),
    "a spreadsheet": (b"PK\x03\x04\x00\x00", ["expected a text file (CSV)", ".xlsx and .ods", "save as CSV"]),
    "an old spreadsheet": (bytes.fromhex("d0cf11e0a1b11ae1") + b"\0", ["expected a text file (CSV)", ".xls:", "CSV"]),
    "utf-16 without its mark": (HEADER.encode("utf-16-le"), ["expected UTF-8", "UTF-16", "'CSV UTF-8'"]),
    "binary below": (b"frequency [Hz],power [W]\n1,\x00\n", ["line 2", "binary"]),
    "latin 1": (b"frequency [Hz],power [W],winding [\xb0C]\n", ["line 1", "UTF-8", "byte 0xb0"]),
    "utf-16": (codecs.BOM_UTF16_LE + HEADER.encode("utf-16-le"), ["UTF-8", "UTF-16"]),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refused_with_its_place(sweep_file, case):
    data, parts = REFUSED[case]
    message = refusal(sweep_file(data))
    for part in parts:
        assert part in message


def test_zero_speed_is_named_as_read(sweep_file):
    assert "expected a speed above zero" in refusal(sweep_file("speed [rpm],power [W]\n0,1\n"))


def test_missing_file_and_folder(tmp_path):
    assert "there is no such file" in refusal(tmp_path / "sweep.csv")
    (tmp_path / "sweep.csv").mkdir()
    assert "found a folder" in refusal(tmp_path / "sweep.csv")


LAYOUTS = st.fixed_dictionaries(
    {
        "delimiter": st.sampled_from(",;\t"),
        "comma": st.booleans(),
        "bom": st.booleans(),
        "end": st.sampled_from(["\n", "\r\n", "\r"]),
        "final": st.booleans(),
        "comments": st.lists(st.integers(0, 8), max_size=4),
    }
)
ROWS = st.lists(
    st.tuples(
        st.decimals(min_value="0.01", max_value=900, places=2),
        st.decimals(min_value=0, max_value=90_000, places=3),
        st.decimals(min_value=-200, max_value=900, places=1),
    ),
    min_size=1,
    max_size=8,
)


def written(rows, layout):
    """One table of numbers in any of the layouts that the format allows."""
    mark = "," if layout["comma"] and layout["delimiter"] != "," else "."
    lines = [layout["delimiter"].join(["frequency [Hz]", "power [W]", "hot end [degC]"])]
    lines += [layout["delimiter"].join(str(number).replace(".", mark) for number in row) for row in rows]
    for place in layout["comments"]:
        lines.insert(min(place, len(lines)), "# a remark; with, all\tdelimiters" if place % 2 else "")
    text = layout["end"].join(lines) + (layout["end"] if layout["final"] else "")
    return (codecs.BOM_UTF8 if layout["bom"] else b"") + text.encode()


@given(rows=ROWS, layout=LAYOUTS)
def test_the_layout_changes_nothing(tmp_path_factory, rows, layout):
    path = tmp_path_factory.mktemp("layout") / "sweep.csv"
    path.write_bytes(written(rows, layout))
    sweep = read(path)
    frequency, power, hot_end = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    assert sweep.frequency.tolist() == frequency.tolist()
    assert sweep.power.tolist() == power.tolist()
    assert sweep.hot_end == pytest.approx(hot_end + 273.15, rel=1e-14)
    assert sweep.power_resolution == pytest.approx(1e-3)


PIECES = st.sampled_from(
    [
        b"frequency [Hz]",
        b"power [W]",
        b"note",
        b",",
        b";",
        b"\t",
        b"\n",
        b"\r",
        b'"',
        b"#",
        b"1",
        b"2.5",
        b"-",
        b"e9",
    ]
)
HEAPS = st.binary(max_size=60) | st.lists(PIECES | st.binary(max_size=3), max_size=30).map(b"".join)


@given(HEAPS | HEAPS.map(b"frequency [Hz],power [W]\n1,2\n".__add__))
def test_random_bytes_are_a_sweep_or_a_refusal(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("heap") / "sweep.csv"
    path.write_bytes(data)
    try:
        sweep = read(path)
    except InputError as error:
        assert str(error).startswith("sweep.csv")
    else:
        assert isinstance(sweep, Sweep)
        assert (sweep.frequency > 0).all()
        assert (sweep.power >= 0).all()
