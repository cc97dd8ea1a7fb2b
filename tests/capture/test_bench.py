"""What hands, eyes and ears meet at the bench: keys, the screen, words and cues, and samples counted."""

import dataclasses

import numpy as np
import pytest

from tapscan.capture import engine, events
from tapscan.capture.course import Course
from tapscan.capture.display import GLYPHS, Seen, bench_lines, large
from tapscan.capture.keys import Keys, press
from tapscan.capture.sound.counting import Count, count_block
from tapscan.capture.sound.cues import CUES, cue_of, tone
from tapscan.capture.wording import in_words
from tapscan.plan import Point
from tapscan.signals import find_taps
from tests.capture.sounds import beam_tap, stream

RATE = 48_000
POINT = Point("BM", 7, 5)


def state(count=3):
    return engine.begin(Course(tuple(Point("BM", 1, p + 1) for p in range(count)), 2), RATE)


def typed(text, keys=None, *, is_on=True, every_s=1.0):
    """Press keys one after the other, as the engine would follow them."""
    keys, done = keys or Keys(), []
    for turn, key in enumerate(text):
        keys, actions = press(keys, key, at_s=turn * every_s, is_on=is_on, is_done=False)
        done += actions
        is_on = {"pause": False, "resume": True}.get(actions[-1][0] if actions else "", is_on)
    return keys, done


@pytest.mark.parametrize("big", [" ", "\r", "\n"])
def test_one_big_key_pauses_goes_on_and_ends(big):
    assert typed(big * 2)[1] == [("pause", ""), ("resume", "")]
    assert press(Keys(), big, at_s=0.0, is_on=True, is_done=True)[1] == (("quit", ""),)


@pytest.mark.parametrize("first_s", [0.25, 0.66])
def test_a_pedal_that_is_held_is_one_press_however_long(first_s):
    times_s = [0.0, *(first_s + 0.033 * n for n in range(300))]
    keys, done = Keys(), []
    for at_s in times_s:
        keys, actions = press(keys, " ", at_s=at_s, is_on=True, is_done=False)
        done += actions
    assert done == [("pause", "")]
    # Let go and pressed again it counts again, and no held key ends the capture.
    assert press(keys, " ", at_s=times_s[-1] + 0.8, is_on=False, is_done=False)[1] == (("resume", ""),)
    assert press(keys, " ", at_s=times_s[-1] + 0.03, is_on=True, is_done=True)[1] == ()


def test_only_the_pedal_waits_other_keys_repeat():
    assert typed("uuu", every_s=0.03)[1] == [("undo", "")] * 3


def test_every_key_on_the_screen_does_what_it_says():
    assert typed("ursq")[1] == [("undo", ""), ("repeat", ""), ("skip", ""), ("quit", "")]
    assert typed("x+ö")[1] == []


def test_a_point_is_typed_fixed_and_gone_to_while_the_capture_is_paused():
    assert typed("gbm-7-6\x7f5\n")[1] == [("pause", ""), ("go to", "BM-7-5"), ("resume", "")]
    assert typed("g7\x1b")[1] == [("pause", ""), ("resume", "")]
    assert typed("gq")[1] == [("pause", "")]  # a letter of a name, and no order to quit
    assert typed("g\n")[1] == [("pause", ""), ("resume", "")]
    assert len(typed("g" + "7" * 200)[0].typed) < 30


@pytest.mark.parametrize("columns", [20, 40, 80, 200])
def test_the_screen_fits_and_shows_the_next_point(columns):
    lines = bench_lines(state(), Seen("a microphone with a rather long name", "x" * 300, -12.0), columns)
    assert max(map(len, lines)) <= columns
    text = "\n".join(lines)
    assert "BM-01-01" in text
    assert "0 of 3 points" in text or columns < 80


def test_large_letters_grow_with_the_terminal_and_know_every_name():
    assert [len(large("BM-07-05", columns)) for columns in (40, 120, 200, 400)] == [5, 5, 10, 15]
    assert {len(row) for glyph in GLYPHS.values() for row in glyph.split()} == {5}
    assert set("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789- ") <= set(GLYPHS)


def test_pause_typing_and_the_end_are_reported_in_words():
    begun = state()
    paused, _ = engine.pause(begun)
    assert "paused before BM-01-01" in "\n".join(bench_lines(paused, Seen("mic"), 80))
    assert "type a point" in "\n".join(bench_lines(begun, Seen("mic", keys=Keys("7-5")), 80))
    done = engine.begin(begun.course, RATE, taken=dict.fromkeys(begun.course.points, 2))
    assert "nothing is left to strike" in "\n".join(bench_lines(done, Seen("mic"), 80))
    assert "TOO LOUD" in "\n".join(bench_lines(begun, Seen("mic", is_limited=True), 80))


def test_the_meter_grows_with_the_level():
    bars = [
        next(line for line in bench_lines(state(), Seen("mic", peak_db=level_db), 80) if "level" in line)
        for level_db in (-90.0, -30.0, 0.0)
    ]
    assert [bar.count("█") for bar in bars] == [0, 29, 58]


def each_event():
    """One of every event, with made-up fields."""
    values = {"Point": POINT, "Point | None": POINT, "int": 2, "float": 1.0, "bool": True, "str": "words"}
    for kind in vars(events).values():
        if isinstance(kind, type) and issubclass(kind, events.Event) and kind is not events.Event:
            names = {
                one.name: getattr(one.type, "__name__", str(one.type)) for one in dataclasses.fields(kind)
            }
            silence = np.zeros(4, dtype=np.float32)
            fields = {name: values.get(text.strip("\"'"), silence) for name, text in names.items()}
            yield kind(**fields)


def test_every_event_has_words_but_what_goes_by_itself():
    reported = {event.name: in_words(event) for event in each_event()}
    assert len(reported) >= 11
    assert [name for name, words in reported.items() if not words] == ["level", "lengthened"]


def test_of_several_events_the_weightiest_is_sounded():
    by_name = {event.name: event for event in each_event()}
    both = (by_name["accepted"], by_name["point complete"], by_name["moved"])
    assert cue_of(both) == "point complete"
    assert cue_of((by_name["level"],)) is None
    own = {"paused", "resumed", "double strike"}  # cues of events that share a name with others
    assert set(CUES) - own <= set(by_name)
    assert cue_of((events.Listening(is_on=False),)) == "paused"
    assert cue_of((events.Listening(is_on=True),)) == "resumed"
    double = dataclasses.replace(by_name["rejected"], reason="double strike")
    assert cue_of((by_name["accepted"], double)) == "double strike"


@pytest.mark.parametrize("name", CUES)
def test_a_cue_that_the_microphone_hears_is_not_taken_for_a_tap(name):
    # A loudspeaker on the bench: as loud as a quarter of the taps.
    sound = stream(RATE, [(0.6, 0.4, beam_tap(RATE)), (1.6, 0.4, beam_tap(RATE))], 2.2, noise_rms=1e-4)
    cue = 0.4 * tone(name, RATE)
    sound[RATE : RATE + cue.size] += cue
    assert len(find_taps(sound, RATE).start) == 2


@pytest.mark.parametrize("noise_rms", [1e-3, 1e-4, 1e-5])
@pytest.mark.parametrize("down_db", [0, 12, 24])
@pytest.mark.parametrize("name", CUES)
def test_in_a_very_quiet_room_too_a_cue_is_no_tap(name, down_db, noise_rms):
    """There the gate hears a cue's very beginning, which goes on growing. The page's are 12 dB down."""
    course = Course(tuple(Point("BM", 1, position) for position in range(1, 5)), taps_per_point=1)
    for after_s in (0.08, 0.1, 0.15):
        sound = stream(RATE, [(0.6, 0.3, beam_tap(RATE)), (1.6, 0.3, beam_tap(RATE))], 2.2, noise_rms)
        cue = 10 ** (-down_db / 20) * tone(name, RATE)
        begin = round((0.6 + after_s) * RATE)
        sound[begin : begin + cue.size] += cue
        _, events = engine.advance(engine.begin(course, RATE), sound.astype(np.float32))
        taps = [event.time_s for event in events if event.name in {"accepted", "rejected"}]
        np.testing.assert_allclose(taps, [0.6, 1.6], atol=1e-3)


def test_a_late_block_is_no_lost_one_and_a_lost_one_is_reported():
    def lost(given):
        count, shares = Count(1000.0, began_s=0.0), []
        for second, samples in enumerate(given, 1):
            count, share = count_block(count, samples, float(second))
            shares.append(share)
        return max(shares)

    steady = [1000] * 40
    late = [*steady[:10], 0, 2000, *steady[12:]]
    assert lost(steady) == 0
    assert lost(late) == 0
    assert 0.1 < lost([*steady[:20], *[800] * 20]) < 0.25
