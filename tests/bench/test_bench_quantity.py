"""Quantities with units: against exact definitions, and against everything that must be refused."""

import math
import time

import pytest
from bench_folder import KEY_KINDS, KEYS, METER_KINDS
from hypothesis import given, settings
from hypothesis import strategies as st

from driveloss.bench.columns import KINDS
from driveloss.bench.quantity import parse_limits, parse_quantity, read_option
from driveloss.bench.records import Limits, Quantity
from driveloss.bench.units import UNIT, conversion, conversion_to, shown
from driveloss.errors import InputError

WHERE = "bench.toml, line 7, key 'bore'"
AMBIENT = Quantity(101_325.0)


def read(key, text, ambient=AMBIENT):
    return parse_quantity(text, KEY_KINDS[key], WHERE, ambient)


def refusal(key, value):
    with pytest.raises(InputError) as error:
        read(key, value)
    assert str(error.value).startswith(WHERE)
    return str(error.value)


# NIST Special Publication 811 (2008), appendix B.8 and B.9, from memory: exact, but psi and lbf*ft are
# printed to seven digits.
NIST_SP_811 = [
    ("bore", "1 in", 0.0254),
    ("bore", "0.5 ft", 0.1524),
    ("ambient_pressure", "1 atm", 101_325.0),
    ("ambient_pressure", "1 bar", 100_000.0),
    ("ambient_pressure", "760 torr", 101_325.0),
    ("mean_pressure", "1 psi", 6894.757),
    ("mean_pressure", "1 kgf/cm^2", 98_066.5),
    ("ambient_temperature", "0 degC", 273.15),
    ("ambient_temperature", "32 degF", 273.15),
    ("ambient_temperature", "68 degF", 293.15),
    ("ambient_temperature", "300 K", 300.0),
    ("peak_torque", "1 lbf*ft", 1.355818),
]


@pytest.mark.parametrize(("key", "text", "si"), NIST_SP_811)
def test_units_agree_with_their_definitions(key, text, si):
    """NIST SP 811, appendix B."""
    assert read(key, text).value == pytest.approx(si, rel=2e-7)


@pytest.mark.parametrize(
    ("unit", "per_second"),
    [
        ("Hz", 1.0),
        ("1/s", 1.0),
        ("rpm", 1 / 60),
        ("r/min", 1 / 60),
        ("1/min", 1 / 60),
        ("kHz", 1000.0),
        ("rad/s", 0.15915494309189535),  # 1/(2 pi)
        ("deg/s", 1 / 360),
        ("turn/s", 1.0),
    ],
)
def test_a_revolution_counts_one_whatever_the_unit(unit, per_second):
    """By definition; pint alone would set 1 Hz equal to 1 rad/s."""
    assert conversion_to(unit, KINDS["frequency"], WHERE).factor == pytest.approx(per_second, rel=1e-12)


@pytest.mark.parametrize(
    ("key", "text", "value", "limit"),
    [
        ("winding_resistance", "0.42 ohm +/- 2 %", 0.42, 0.0084),
        ("winding_resistance", "420 mohm ± 2%", 0.42, 0.0084),
        ("bore", "30 mm +/- 0.05 mm", 0.030, 5e-5),
        ("bore", "30 +/- 0.05 mm", 0.030, 5e-5),
        ("bore", "30 mm +/- 0.05", 0.030, 5e-5),
        ("bore", "30 mm +/- 50 µm", 0.030, 5e-5),
        ("ambient_temperature", "20 degC +/- 1 degC", 293.15, 1.0),
        ("ambient_temperature", "20 +/- 1 degC", 293.15, 1.0),
        ("ambient_temperature", "20 degC +/- 9 degF", 293.15, 5.0),
        ("ratio", 3, 3.0, 0.0),
        ("ratio", "3 +/- 0.03", 3.0, 0.03),
        ("efficiency", "0.8 +/- 2 %", 0.8, 0.016),
    ],
)
def test_value_and_limit(key, text, value, limit):
    found = read(key, text)
    assert found.value == pytest.approx(value, rel=1e-12)
    assert found.limit == pytest.approx(limit, rel=1e-12)
    assert not found.by_digit


@pytest.mark.parametrize(
    ("key", "text", "value", "limit"),
    [
        ("winding_resistance", "0.42 ohm", 0.42, 0.005),
        ("winding_resistance", "42 ohm", 42.0, 0.5),
        ("winding_resistance", "420 mohm", 0.42, 5e-4),
        ("winding_resistance", "4.20e-1 ohm", 0.42, 5e-4),
        ("back_pressure", "1e5 Pa", 1e5, 0.5),  # as if written out
        ("back_pressure", "1.013 bar", 101_300.0, 50.0),
        ("ambient_temperature", "20 degC", 293.15, 0.5),
        ("ambient_temperature", "68 degF", 293.15, 5 / 18),
        ("efficiency", "95 %", 0.95, 0.005),
        ("discharge_coefficient", "62 %", 0.62, 0.005),
        ("discharge_coefficient", "0.62", 0.62, 0.005),
        ("discharge_coefficient", 0.62, 0.62, 0.005),
        ("ratio", 3.25, 3.25, 0.005),
        ("thermal_resistance", "0.35 °C/W", 0.35, 0.005),
        ("torque_constant", "61 mN m/A", 0.061, 5e-4),
        ("torque_constant", "0.061 N·m/A", 0.061, 5e-4),
        ("torque_constant", "200 rpm/V", 60 / (2 * math.pi * 200), 0.5 / 200 * 60 / (2 * math.pi * 200)),
        ("pressure_friction", "0.7 N/bar", 7e-6, 5e-7),
        ("bore", ".03m", 0.03, 0.005),
        ("bore", "3e-2 m", 0.03, 0.005),
    ],
)
def test_without_limits_a_quantity_is_known_to_its_last_digit(key, text, value, limit):
    """Half of it (JCGM 100:2008, F.2.2.1)."""
    found = read(key, text)
    assert found.value == pytest.approx(value, rel=1e-12)
    assert found.limit == pytest.approx(limit, rel=1e-9)
    assert found.by_digit


@pytest.mark.parametrize("text", [3, 3.0, 1, "3", "1.0", "3 +/- 0", "0.95 +/- 0"])
def test_a_whole_pure_number_is_a_count_and_zero_limits_are_exact(text):
    found = read("ratio", text)
    assert (found.limit, found.by_digit) == (0.0, False)


@pytest.mark.parametrize(
    ("text", "value", "limit"),
    [
        ("1 bar gauge +/- 0", 200_000, 300),
        ("1.00 bar gauge", 200_000, 800),  # and its last digit
        ("1 bar gauge +/- 2 %", 200_000, 2300),  # percent of the gauge's reading
        ("1 +/- 0.1 bar gauge", 200_000, 10_300),
        ("-0.5 bar gauge +/- 0", 50_000, 300),
        ("2 bar +/- 0", 200_000, 0),
    ],
)
def test_gauge_pressure_stands_on_ambient_and_inherits_its_limit(text, value, limit):
    found = read("back_pressure", text, Quantity(100_000, 300))
    assert (found.value, found.limit) == (pytest.approx(value), pytest.approx(limit))


@pytest.mark.parametrize(
    ("key", "value", "parts"),
    [
        ("bore", "32", ["unit is missing", '"32 mm"', "read '32'"]),
        ("bore", 32, ["unit is missing", "read 32"]),
        ("bore", "32 kg", ["expected a length such as '32 mm'", "read unit 'kg', a mass"]),
        ("bore", "32 m", ["between 0.001 and 1 m", "read '32 m'", "was it in mm?"]),
        ("bore", "32 furlongz", ["unknown unit 'furlongz'"]),
        ("bore", "32,5 mm", ["read '32,5 mm'", "decimal point"]),
        ("bore", "nan mm", ["one number and its unit", "read 'nan mm'"]),
        ("bore", "inf mm", ["one number and its unit", "read 'inf mm'"]),
        ("bore", "1" * 400 + " mm", ["one number and its unit"]),
        ("bore", "", ["one number and its unit", "read ''"]),
        ("bore", "mm", ["one number and its unit", "read 'mm'"]),
        ("bore", "30 mm 20 mm", ["one number and its unit"]),
        ("bore", "30 mm +/- 20 +/- 1 mm", ["one number and its unit"]),
        ("bore", "30 mm +/- -1 mm", ["cannot be negative"]),
        ("bore", "30 mm +/- 1 kg", ["expected a length", "read unit 'kg'"]),
        ("bore", "30 mm +/- 31 mm", ["limit of error is as large as the value"]),
        ("bore", "-30 mm", ["between 0.001 and 1 m"]),
        ("bore", True, ["one number and its unit", "read 'True'"]),
        ("bore", ["30 mm"], ["one number and its unit"]),
        ("bore", "1 mm gauge", ["only a pressure can be gauge"]),
        ("ratio", float("nan"), ["finite", "read 'nan'"]),
        ("ratio", float("inf"), ["finite", "read 'inf'"]),
        ("ratio", "3 mm", ["read unit 'mm', a length"]),
        ("efficiency", 95, ["between 0.05 and 1", "percent?"]),
        ("efficiency", "95 % +/- 1 %", ["percent of what?"]),
        ("ambient_temperature", "20 C", ["write degC"]),
        ("ambient_temperature", "20 degC +/- 1 %", ["percent of what?"]),
        ("winding_temperature", "-273.15 degC", ["absolute zero", "read '-273.15 degC'"]),
        ("winding_temperature", "0 K", ["absolute zero", "read '0 K'"]),
        ("winding_temperature", "-500 degF", ["absolute zero"]),
        ("back_pressure", "0 bar", ["above zero", "read '0 bar'"]),
        ("back_pressure", "-1.02 bar gauge", ["above zero", "read '-1.02 bar gauge'"]),
        ("back_pressure", "14.7 psig", ["unknown unit 'psig'", "psi gauge"]),
        ("back_pressure", "1 bar gauge +/- 0.1 psi gauge", ["a difference, it has no gauge"]),
        ("torque_constant", "11/min", ["one number and its unit", "read '11/min'"]),
    ],
)
def test_refused(key, value, parts):
    message = refusal(key, value)
    for part in parts:
        assert part in message
    assert "\n" not in message


@pytest.mark.parametrize(
    "text",
    [
        "9**9**9 m",
        "9**9**9",
        "1 m**9**9**9",
        "1 m^99999999",
        "1 (m)",
        "1 m; import os",
        "1 1e9**1e9",
        "__import__",
    ],
)
def test_what_a_calculator_would_choke_on_is_refused_at_once(text):
    conversion("m")  # pint itself takes its time to start
    start = time.perf_counter()
    assert "expected" in refusal("bore", text)
    assert time.perf_counter() - start < 0.5


def test_ambient_pressure_itself_cannot_be_gauge():
    with pytest.raises(InputError, match="expected an absolute pressure, read a gauge pressure"):
        read("ambient_pressure", "0 bar gauge", ambient=None)


@pytest.mark.parametrize(
    ("key", "text", "limits"),
    [
        ("power", "0.5 % + 0.1 W", Limits(0.005, 0.1)),
        ("power", "100 mW + 0.5%", Limits(0.005, 0.1)),
        ("power", "0.5 %", Limits(0.005, 0.0)),
        ("power", "1e-1 W", Limits(0.0, 0.1)),
        ("power", "+/- 0.5 %", Limits(0.005, 0.0)),
        ("power", "± 1e+0 W", Limits(0.0, 1.0)),
        ("frequency", "6 rpm", Limits(0.0, 0.1)),
        ("temperature", "1.8 degF", Limits(0.0, 1.0)),
        ("pressure", "1 % + 10 mbar", Limits(0.01, 1000.0)),
    ],
)
def test_limits_of_a_meter(key, text, limits):
    found = parse_limits(text, METER_KINDS[key], WHERE)
    assert (found.gain, found.zero) == (pytest.approx(limits.gain), pytest.approx(limits.zero))


@pytest.mark.parametrize(
    ("key", "value", "part"),
    [
        ("power", "0.5", "expected limits such as '0.5 % + 0.1 W', read '0.5'"),
        ("power", 0.5, "unit is missing"),
        ("power", "1 % + 2 %", "expected limits such as"),
        ("power", "1 W + 2 W", "expected limits such as"),
        ("power", "-1 W", "cannot be negative"),
        ("power", "60 %", "expected limits such as"),
        ("power", "0,5 %", "decimal point"),
        ("power", "1 V", "expected a power such as '0.5 % + 0.1 W', read unit 'V', a voltage"),
        ("power", "", "expected limits such as"),
        ("temperature", "1 %", "expected limits such as '1.5 K'"),
        ("pressure", "1 bar gauge", "expected an absolute pressure"),
    ],
)
def test_refused_limits(key, value, part):
    with pytest.raises(InputError) as error:
        parse_limits(value, METER_KINDS[key], WHERE)
    assert str(error.value).startswith(WHERE)
    assert part in str(error.value)


@pytest.mark.parametrize("key", [key for key in KEYS if key.kind.name != "text"], ids=lambda key: key.field)
def test_every_example_is_what_it_says(key):
    """The messages and the template quote these examples, so they must be accepted themselves."""
    if key.form is Limits:
        assert parse_limits(key.kind.example, key.kind, WHERE) != Limits()
    else:
        assert key.kind.low <= parse_quantity(key.kind.example, key.kind, WHERE).value <= key.kind.high


def test_an_option_is_read_as_the_key_of_its_name_is():
    assert read_option("30 mm +/- 0.05 mm", "bore", "--bore") == read("bore", "30 mm +/- 0.05 mm")
    assert read_option("1 bar gauge", "mean_pressure", "--mean-pressure", Quantity(1e5)).value == pytest.approx(2e5)
    assert read_option("500 mW", "power", "--worth").value == 0.5
    with pytest.raises(InputError, match=r"^--worth: expected a value between 1e-06 and 1e\+06 W"):
        read_option("0 W", "power", "--worth")
    names = [key.field for key in KEYS]
    assert len(set(names)) == len(names), "a name that stands twice would not tell the option its rule"


@given(st.text(max_size=40))
def test_any_text_is_a_quantity_or_a_refusal(text):
    for key in ("bore", "back_pressure", "ratio"):
        try:
            found = read(key, text)
        except InputError as error:
            assert str(error).isprintable()
        else:
            assert found.limit >= 0


@pytest.mark.parametrize("examples", [80, pytest.param(1000, marks=pytest.mark.long)])
def test_any_unit_like_text_is_a_unit_or_none(examples):
    @settings(max_examples=examples)
    @given(st.from_regex(UNIT, fullmatch=True))
    def looked_at(unit):
        found = conversion(unit)
        assert found is None or isinstance(found.factor, float)

    looked_at()


def test_foreign_text_stays_on_one_line():
    assert shown("a\nb\x1b[2J") == "a\\nb\\x1b[2J"
    assert shown("x" * 100).endswith("...")
    assert len(shown("x" * 100)) == 60


@pytest.mark.parametrize(
    ("text", "value", "limit"),
    [
        ("0.061 N*m/A +/- 0", 0.061, 0.0),
        ("0.052 V/(rad/s) +/- 0.001", 0.052, 0.001),
        ("0.052 V*s/rad +/- 2 %", 0.052, 0.02 * 0.052),
        ("183 rpm/V +/- 0", 60 / (2 * math.pi * 183), 0.0),
        ("183 rpm/V +/- 1 %", 60 / (2 * math.pi * 183), 0.01 * 60 / (2 * math.pi * 183)),
        ("5.46 V/krpm +/- 0.1 V/krpm", 5.46 * 60 / (2000 * math.pi), 0.1 * 60 / (2000 * math.pi)),
        ("5.46 mV/rpm +/- 0", 5.46 * 60 / (2000 * math.pi), 0.0),
        ("0.183 krpm/V +/- 0", 60 / (2 * math.pi * 183), 0.0),
    ],
)
def test_torque_constant_as_data_sheets_give_it(text, value, limit):
    """Newton metres per ampere are volts per radian per second (SI); a speed constant is its inverse."""
    found = read_option(text, "torque_constant", "--kt")
    assert found.value == pytest.approx(value, rel=1e-12)
    assert found.limit == pytest.approx(limit, rel=1e-9)


@pytest.mark.parametrize("speed", [12.5, 183, 4400])
def test_speed_constant_and_voltage_per_speed_are_one_constant(speed):
    """K_t = 1/k_v, with k_v in radians per second per volt: power in equals power out without losses."""
    by_speed, by_volts = f"{speed} rpm/V +/- 0", f"{1000 / speed:.12g} V/krpm +/- 0"
    k_v = speed * 2 * math.pi / 60
    for text in (by_speed, by_volts):
        assert read_option(text, "torque_constant", "--kt").value == pytest.approx(1 / k_v, rel=1e-10)


@pytest.mark.parametrize("text", ["\u221240 degC", "\u221240\u00a0degC", "-40\u202fdegC"])
def test_minus_signs_and_spaces_as_word_processors_set_them(text):
    assert parse_quantity(text, KEY_KINDS["winding_temperature"], "here").value == pytest.approx(233.15)


def test_only_a_torque_constant_may_be_given_as_its_inverse():
    with pytest.raises(InputError, match="expected a resistance"):
        read_option("0.4 1/ohm", "winding_resistance", "--r")
