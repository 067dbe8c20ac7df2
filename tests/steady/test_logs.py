"""Recorders' logs as files: what is read, what is cut out and said so, what is refused and why."""

import numpy as np
import pytest
from simulate.log import log_text

from driveloss.bench import logs
from driveloss.bench.logs import read_log
from driveloss.errors import InputError

HEAD = "time [s],frequency [Hz],power [W]"


@pytest.fixture
def write(tmp_path):
    """A log of these lines, or of this text."""

    def written(*lines, name="log.csv", end="\n"):
        path = tmp_path / name
        path.write_text("\n".join(lines) + end, encoding="utf-8")
        return path

    return written


def rows(count=50, step=1.0, start=0.0, power="10.0"):
    return [f"{start + step * i:.3f},5.0,{power}" for i in range(count)]


def test_bins_hold_every_reading_in_si(write):
    """Compared with NumPy's own sums over the same numbers."""
    rng = np.random.default_rng(1)
    table = np.column_stack([0.5 * np.arange(5000) / 60, rng.normal(300, 1, 5000), rng.normal(20, 1, 5000)])
    lines = [f"{t:.6f};{n:.3f};{p:.4f}".replace(".", ",") for t, n, p in table]
    log = read_log(write("time [min];speed [rpm];cold end [degC];power [W]", *(f"{line};7" for line in lines)))
    assert (log.readings, log.interval) == (5000, pytest.approx(0.5, rel=1e-4))
    weights = log.count / log.count.sum()
    assert weights @ log.means["frequency"] * 60 == pytest.approx(table[:, 1].mean(), rel=1e-6)
    assert weights @ log.means["cold_end"] - 273.15 == pytest.approx(table[:, 2].mean(), rel=1e-5)


def test_a_long_log_is_kept_in_few_bins(write, monkeypatch):
    """Neighbours are joined, pieces do not show, and sums of squares stay right."""
    monkeypatch.setattr(logs, "MOST_BINS", 50)
    monkeypatch.setattr(logs, "PIECE", 1000)
    rng = np.random.default_rng(2)
    power = 1000 + rng.normal(0, 0.1, 4000)
    log = read_log(write(HEAD, *(f"{i},5,{p:.6f}" for i, p in enumerate(power))))
    assert len(log) <= 100
    assert log.readings == 4000
    size = int(log.count[0])
    assert log.count[:-1].tolist() == [size] * (len(log) - 1)
    assert log.variances["power"][0] == pytest.approx(np.var(power[:size], ddof=1), rel=1e-3)
    assert log.means["power"][1] == pytest.approx(power[size : 2 * size].mean(), abs=1e-6)


def test_volts_and_amperes_are_multiplied_reading_by_reading(write):
    """Both swing together by 10 %: half of the product of the swings, 0.5 %, is lost to a product of means."""
    turn = 2 * np.pi * np.arange(4000) / 20
    log = read_log(
        write("time [s],frequency [Hz],voltage [V],current [A]",
              *(f"{0.01 * i:.2f},5,{12 * (1 + 0.1 * np.sin(a)):.6f},{2 * (1 + 0.1 * np.sin(a)):.6f}"
                for i, a in enumerate(turn)))
    )  # fmt: skip
    mean = {name: log.count @ values / log.readings for name, values in log.means.items()}
    assert mean["power"] / (mean["voltage"] * mean["current"]) - 1 == pytest.approx(0.005, rel=1e-3)


CLOCKS = {
    "clock": ("time", ["23:59:58", "23:59:59", "00:00:00", "00:00:01"], ": midnight"),
    "fractions": ("time [hh:mm:ss]", ["9:00:00.0", "9:00:01.0", "9:00:02,0", "9:00:03"], ""),
    "date": ("time", ["2024-02-28 23:59:58", "2024-02-28 23:59:59", "2024-02-29 00:00:00", "2024-02-29 00:00:01"], ""),
    "winter time": (
        "time",
        ["2024-10-27T02:59:58", "2024-10-27T02:59:59", "2024-10-27T02:00:00", "2024-10-27T02:00:01"],
        ": the clock was set back by an hour; it is read on without a break",
    ),
    "zones": (
        "time",
        ["2024-10-27T02:59:58+02:00", "2024-10-27T02:59:59+02:00", "2024-10-27T02:00:00+01:00", "2024-10-27T01:00:01Z"],
        "",
    ),
    "minutes": ("time [min]", ["0", "0.0166666667", "0.0333333333", "0.05"], ""),
}


@pytest.mark.parametrize("kind", CLOCKS)
def test_every_kind_of_clock_tells_the_same(write, kind):
    heading, stamps, said = CLOCKS[kind]
    lines = [f"{stamp.replace(',', '.')};5;10" for stamp in stamps]
    log = read_log(write(f"{heading};frequency [Hz];power [W]", *lines))
    assert log.start.tolist() == pytest.approx([0, 1, 2, 3], abs=1e-6)
    assert [notice.partition("'time'")[2] for notice in log.notices] == ([said] if said else [])


def test_gaps_part_the_log_and_are_told(write):
    log = read_log(write(HEAD, *rows(50), *rows(50, start=500.0)))
    assert log.segment.tolist() == [0] * 50 + [1] * 50
    assert log.notices == (
        "log.csv, line 52, column 'time [s]': a gap of 451 s: no reading reaches across it",
    )  # fmt: skip


def test_what_is_cut_out_is_counted(write):
    """Missing readings become a gap, lines written twice count once, a header again is passed over."""
    lines = rows(60)
    lines[20:40] = [line.replace("10.0", "NaN" if i % 2 else "") for i, line in enumerate(lines[20:40])]
    log = read_log(write(HEAD, *lines[:10], lines[9], *lines[10:50], HEAD, *lines[50:], "60.0,5.0,1", end=""))
    assert log.readings == 40
    assert log.segment[-1] == 1
    told = " ".join(log.notices)
    assert "line 64: this last line has no end, so it may be cut short: it is left out" in told
    assert "readings without time, speed or power: 20" in told
    assert "repeat time and readings of the line before: 1" in told
    assert "header lines between the readings: 1" in told


REFUSED = {
    "backwards": ([*rows(5), "2.0,5,10"], "log.csv, line 7, column 'time [s]': expected a time after", "2 s earlier"),
    "word": ([*rows(5), "5.0,5,much"], "log.csv, line 7, column 'power [W]': expected a number, read 'much'", ""),
    "ragged": ([*rows(50), "50.0,5,10,3"], "log.csv, line 52: expected 3 cells as in the header line, read 4", ""),
    "units": (
        [*rows(50), HEAD.replace("[W]", "[kW]")],
        "log.csv, line 52: expected readings in the units of line 1",
        "",
    ),
    "range": ([*rows(5), "5.0,5000,10"], "log.csv, line 7, column 'frequency [Hz]': expected a value between", "rpm?"),
    "infinite": (
        [*rows(5), "5.0,inf,10"],
        "log.csv, line 7, column 'frequency [Hz]': expected a number, read 'inf'",
        "",
    ),
}


@pytest.mark.parametrize("kind", REFUSED)
def test_what_cannot_be_read_without_a_guess_is_refused_by_its_place(write, kind):
    lines, *words = REFUSED[kind]
    with pytest.raises(InputError) as refusal:
        read_log(write(HEAD, *lines))
    assert all(word in str(refusal.value) for word in words), str(refusal.value)


@pytest.mark.parametrize(
    ("head", "expected"),
    [
        ("frequency [Hz],power [W]", "expected a column 'time [s]'"),
        ("time [s],power [W]", "expected a column 'frequency [Hz]' or 'speed [rpm]'"),
        ("time [s],frequency [Hz],voltage [V]", "expected a column 'power [W]', or 'voltage [V]' and 'current [A]'"),
        ("time,frequency [Hz],power [W]", "expected a time such as 13:05:20"),
        ("time [W],frequency [Hz],power [W]", "column 'time [W]': expected a time such as 's'"),
    ],
)
def test_columns_that_a_log_needs(write, head, expected):
    with pytest.raises(InputError, match=r"line 1|line 2") as refusal:
        read_log(write(head, *("1,2,3"[: 2 * head.count(",") + 1] for _ in range(3))))
    assert expected in str(refusal.value)


def test_a_broken_byte_far_down_is_placed(tmp_path, monkeypatch):
    monkeypatch.setattr(logs, "PIECE", 200)
    path = tmp_path / "log.csv"
    path.write_bytes("\n".join([HEAD, *rows(80), ""]).encode() + b"# caf\xe9\n")
    with pytest.raises(InputError, match="line 82: expected UTF-8 text, read byte 0xe9"):
        read_log(path)


def test_a_log_can_be_read_while_it_is_written(tmp_path):
    """Cut anywhere, it gives the whole lines."""
    text = log_text()
    whole = text.count("\n") - 2
    for place in (len(text) // 2, len(text) - 3, len(text) - 40):
        path = tmp_path / f"{place}.csv"
        path.write_text(text[:place], encoding="utf-8")
        assert read_log(path).readings == text[:place].count("\n") - 2 < whole


def test_the_motors_speed_makes_the_cranks_by_the_ratio(write):
    lines = [row.replace(",5.0,", ",960,") for row in rows(20)]
    path = write("time [s],motor speed [rpm],power [W]", *lines)
    assert read_log(path, ratio=3.2).means["frequency"] == pytest.approx(np.full(20, 5.0))
    with pytest.raises(InputError, match=r"column 'motor speed \[rpm\]': how fast the crank turns is not known"):
        read_log(path)


def test_the_cranks_own_speed_comes_before_the_motors(write):
    log = read_log(write("time [s],frequency [Hz],motor speed [rpm],power [W]", *("1,5,960,10", "2,5,960,10")))
    assert log.means["frequency"].tolist() == [5.0, 5.0]
    assert log.notices == ("log.csv, line 1: column 'motor speed [rpm]' is left out: the crank's own is read",)


@pytest.mark.parametrize(
    ("cell", "told"),
    [
        ("tomorrow", "expected a date and time such as 2024-05-17 13:05:20, read 'tomorrow'"),
        ("2024-02-31 13:05:21", "expected a date and time, read '2024-02-31 13:05:21'"),
    ],
)
def test_what_is_no_date_is_refused_by_its_place(write, cell, told):
    with pytest.raises(InputError) as refusal:
        read_log(write("time,frequency [Hz],power [W]", "2024-05-17 13:05:20,5,10", f"{cell},5,10"))
    assert str(refusal.value) == f"log.csv, line 3, column 'time': {told}"
