import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.errors import TapscanError
from tapscan.records.readers import read_trace
from tapscan.records.readers.trace_csv import parse_trace

WHERE = "ascans/BM-07-05.csv"
ROWS = [(round(0.25 + 0.01 * i, 2), (i * 7) % 11 - 5) for i in range(40)]
BODY = "\n".join(f"{time},{value}" for time, value in ROWS) + "\n"


def place(tmp_path, content):
    (tmp_path / "ascans").mkdir(exist_ok=True)
    path = tmp_path / "ascans" / "BM-07-05.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return path


@pytest.mark.parametrize(
    ("header", "unit_s"),
    [
        ("time_us,amplitude", 1e-6),
        ("Time_us,Amplitude", 1e-6),
        ("t[s],amp", 1.0),
        ("t [s],A", 1.0),
        ("Time (ns),amplitude", 1e-9),
        ("time / µs,signal", 1e-6),
        ("Time [μs],signal", 1e-6),
        ("time us,value", 1e-6),
        ("time_seconds,ch1", 1.0),
        ("Time (sec),Channel 1", 1.0),
        ("microseconds,amplitude", 1e-6),
        ("ms,V", 1e-3),
        ("us,mV", 1e-6),
        ("time_ps,amplitude", 1e-12),
        ("Zeit (µs),Spannung (V)", 1e-6),
        ('"time_us","amplitude"', 1e-6),
        (" time_us , amplitude ", 1e-6),
        ("# time_us,amplitude", 1e-6),
        ("% time_us,amplitude", 1e-6),
        ("sep=,\ntime_us,amplitude", 1e-6),
        ("Time,Channel A\n(us),(mV)\n", 1e-6),
        ("Time,Ampl\n[ms],[V]", 1e-3),
        ("Instrument,17\nGain,20 dB\ntime_us,amplitude", 1e-6),
    ],
)
def test_the_usual_spellings_of_time(header, unit_s):
    trace = parse_trace(f"{header}\n{BODY}", WHERE)
    assert trace.sample_rate_hz == pytest.approx(100.0 / unit_s, rel=1e-8)
    assert trace.start_s == pytest.approx(0.25 * unit_s)
    assert trace.samples.dtype == np.float64


@pytest.mark.parametrize(
    ("name", "unit", "scale"),
    [
        ("amplitude", "", 1.0),
        ("amplitude_V", "V", 1.0),
        ("Voltage (mV)", "V", 1e-3),
        ("amp [uV]", "V", 1e-6),
        ("amp [µV]", "V", 1e-6),
        ("signal / %", "%", 1.0),
        ("%", "%", 1.0),
        ("amplitude (percent)", "%", 1.0),
        ("amplitude [counts]", "counts", 1.0),
        ("V", "V", 1.0),
        ("volts", "V", 1.0),
    ],
)
def test_the_usual_spellings_of_amplitude(name, unit, scale):
    trace = parse_trace(f"time_us,{name}\n{BODY}", WHERE)
    assert trace.unit == unit
    assert trace.samples.tolist() == pytest.approx([scale * value for _, value in ROWS])


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_delimiters_line_ends_and_encodings(tmp_path, delimiter, line_end, encoding):
    text = f"time_µs,amplitude\n{BODY}".replace(",", delimiter).replace("\n", line_end)
    trace = read_trace(place(tmp_path, text.encode(encoding)))
    assert trace.samples.tolist() == [value for _, value in ROWS]
    assert trace.sample_rate_hz == 100e6


def test_decimal_commas_and_more_columns_and_blank_and_comment_lines():
    text = (
        "n;time_us;gain;amplitude_V\n\n# begin\n1;0,00;3;-1,5\n2;0,01;3;2e-1\n;;;\n3;0,02;3;−0,25\n// end\n"
    )
    assert parse_trace(text, WHERE).samples.tolist() == [-1.5, 0.2, -0.25]


def test_a_comma_too_many_at_the_end_of_each_line_is_no_column():
    assert parse_trace("time_us,amplitude\n0,1,\n1,2,\n", WHERE).samples.tolist() == [1.0, 2.0]


def test_units_in_a_line_of_their_own_count_for_both_columns():
    trace = parse_trace("Time,Channel A\n(ns),(mV)\n\n0,500\n10,-250\n", WHERE)
    assert (trace.sample_rate_hz, trace.unit) == (100e6, "V")
    assert trace.samples.tolist() == [0.5, -0.25]


def test_quoted_decimal_commas():
    text = 'time_us,amplitude\n"0,00","1,5"\n"0,01","-2,5"\n'
    assert parse_trace(text, WHERE).samples.tolist() == [1.5, -2.5]


def test_nan_and_infinity_are_kept_for_the_point_to_be_unread():
    trace = parse_trace("time_us,amplitude\n0,nan\n1,inf\n2,1\n", WHERE)
    assert np.array_equal(trace.samples, [np.nan, np.inf, 1.0], equal_nan=True)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "time_us,height\n0,1\n",
            r"line 1: has no amplitude column among time_us, height \(name the columns",
        ),
        ("depth,amplitude\n0,1\n", "line 1: has no time column among depth, amplitude"),
        ("time_us\n0\n1\n", "line 1: has no amplitude column among time_us"),
        ("0,1\n1,2\n", "line 1: has numbers where the header line belongs"),
        ("0,5;1\n1,5;2\n", "line 1: has numbers where the header line belongs"),
        ("\n\n", "holds no header line"),
        ("# only words\n", "holds no header line"),
        (
            "t,amplitude\n0,1\n1,2\n",
            r"line 1: the time column 't' has no unit \(name it time_s, time_ms, time_us",
        ),
        ("time (h),amp\n0,1\n1,2\n", "line 1: the time unit 'h' is not known"),
        (
            "time_us,ch1,amp\n0,1,1\n",
            r"line 1: ch1 and amp could both be the amplitude \(leave one of them out\)",
        ),
        ("time_us,t_s,amp\n0,1,1\n", "line 1: time_us and t_s could both be the time"),
        ("time_us,amplitude\n", "has 0 rows of numbers, too few for a trace"),
        ("time_us,amplitude\n0,1\n", "has 1 rows of numbers, too few for a trace"),
        ("time_us,amplitude\n0,1\n1,high\n", "line 3: amplitude 'high' is not a number"),
        ("time_us,amplitude\n0,1\nlate,2\n", "line 3: time 'late' is not a number"),
        ("time_us,amplitude\n0,1\n1,\n", "line 3: amplitude is empty"),
        ("time_us,amplitude\n0,1\n1,1_000\n", "line 3: amplitude '1_000' is not a number"),
        ("time_us,amplitude\n0,1\n1\n", "line 3: has 1 cells, and the header names 2"),
        (
            "time_us,amplitude\n0,00,1,5\n",
            r"line 2: has 4 cells.*\(with decimal commas, put semicolons between",
        ),
        ("time_us;amp\n1.000,5;1\n1.001,5;2\n", "line 2: mixes decimal commas and points in the time column"),
        ("time_us;amp\n0;1,5\n1;2.5\n", "line 3: mixes decimal commas and points in the amplitude column"),
        ("time_us,amplitude\n0,1\nnan,2\n2,1\n", "line 3: the time is nan"),
        ("time_us,amplitude\n0,1\n\n1,2\n1,3\n", "line 5: the time repeats"),
        ("time_us,amplitude\n0,1\n1,2\n0.5,3\n", "line 4: the time goes back"),
    ],
)
def test_what_is_wrong_is_reported_with_its_line(tmp_path, text, message):
    with pytest.raises(TapscanError, match=r"^ascans/BM-07-05\.csv: " + message):
        read_trace(place(tmp_path, text))


def times_text(times, form="{:.10g}", unit="us"):
    return f"time_{unit},amplitude\n" + "".join(f"{form.format(time)},1\n" for time in times)


@pytest.mark.parametrize("step", [0.008, 0.01, 0.016, 1 / 62.5, 1 / 3])
@pytest.mark.parametrize("decimals", [3, 4, 6])
def test_rounding_of_the_printed_times_is_tolerated(step, decimals):
    text = times_text(5.1 + step * np.arange(500), f"{{:.{decimals}f}}")
    assert parse_trace(text, WHERE).sample_rate_hz == pytest.approx(1e6 / step, rel=2e-4)


def test_rounding_in_powers_of_ten_is_tolerated():
    text = times_text(
        9.9e-6 + 1.6e-8 * np.arange(200), "{:.3e}", "s"
    )  # the last digit grows tenfold on the way
    assert parse_trace(text, WHERE).sample_rate_hz == pytest.approx(62.5e6, rel=2e-3)


@pytest.mark.parametrize("missing", [1, 50, 98])
@pytest.mark.parametrize("form", ["{:.10g}", "{:.2f}"])
def test_a_sample_left_out_is_found_at_its_line(missing, form):
    times = np.delete(0.02 * np.arange(100), missing)
    message = (
        rf"line {missing + 2}: uneven time base: a step of 0\.04 where 0\.02 is usual \(export it evenly"
    )
    with pytest.raises(TapscanError, match=message):
        parse_trace(times_text(times, form), WHERE)


def test_a_drifting_time_base_is_refused():
    with pytest.raises(TapscanError, match="uneven time base"):
        parse_trace(times_text(0.01 * np.arange(300.0) ** 1.02), WHERE)


def test_times_printed_too_coarsely_are_refused():
    with pytest.raises(TapscanError, match=r"uneven time base|the time repeats"):
        parse_trace(times_text(0.6 * np.arange(100), "{:.0f}"), WHERE)


def test_two_samples_make_a_trace():
    assert parse_trace("time_us,amplitude\n3,1\n5,2\n", WHERE).sample_rate_hz == 500_000.0


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", r"is empty \(0 bytes\)"),
        (
            b"RIFF\0\0\0\0WAVE\0",
            r"no reader of a trace takes it \(CSV trace: holds bytes that no text has\); it looks ",
        ),
        (b"\x93NUMPY\x01\0", "it looks like a NumPy volume"),
        (b"PK\x03\x04xlsx", "holds bytes that no text has"),
        (b"%PDF-1.7\n", "holds bytes that no text has"),
        (b"\xff\xfet\0i\0m", "is broken UTF-16 text"),
    ],
)
def test_what_is_no_table(tmp_path, content, message):
    with pytest.raises(TapscanError, match=message):
        read_trace(place(tmp_path, content))


def test_a_text_far_too_large_for_a_trace(tmp_path, monkeypatch):
    monkeypatch.setattr("tapscan.records.readers.trace_csv.MAX_BYTES", 100)
    with pytest.raises(
        TapscanError, match=r"too large for one trace \(give a whole zone as one \.npy array\)"
    ):
        read_trace(place(tmp_path, "time_us,amplitude\n" + BODY))


@settings(max_examples=60, deadline=None)
@given(
    values=st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=80),
    rate_mhz=st.sampled_from([1, 2.5, 25, 62.5, 100, 125, 400]),
    comma=st.booleans(),
)
def test_writing_then_reading_is_identity(values, rate_mhz, comma):
    rows = "".join(f"{i / rate_mhz!r};{value!r}\n" for i, value in enumerate(values))
    trace = parse_trace("time_us;amplitude\n" + (rows.replace(".", ",") if comma else rows), WHERE)
    assert trace.samples.tolist() == values
    assert trace.sample_rate_hz == pytest.approx(rate_mhz * 1e6, rel=1e-8)


@settings(max_examples=200, deadline=None)
@given(
    text=st.text(max_size=80), cells=st.lists(st.text("0123456789.,;-e\n\"' naif", max_size=6), max_size=20)
)
def test_no_text_does_worse_than_a_sentence(text, cells):
    for attempt in (text, "time_us,amplitude\n" + ",".join(cells), "t[s];V\n" + "\n".join(cells)):
        try:
            trace = parse_trace(attempt, WHERE)
        except TapscanError as error:
            assert str(error).startswith(WHERE)  # noqa: PT017 - both ways out are right
        else:
            assert trace.sample_rate_hz > 0
