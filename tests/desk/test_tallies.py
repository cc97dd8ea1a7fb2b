"""What the recordings of a zone hold, before anybody begins to tap."""

import numpy as np
import soundfile

from tests.capture.sounds import beam_tap, stream

RATE = 48_000


def test_every_recording_is_counted_and_what_is_wrong_is_named(desk):
    tap = beam_tap(RATE)
    good = stream(RATE, [(0.5, 0.4, tap)], 1.0)
    sounds = {
        "CS-01-01": good,
        "CS-01-02": np.clip(8 * good, -1, 1),
        "CS-01-03": np.zeros(RATE),
    }
    for name, sound in sounds.items():
        soundfile.write(desk.folder / f"taps/{name}.wav", sound, RATE)
    (desk.folder / "taps/CS-01-04.wav").write_bytes(b"RIFF")
    shown = desk.get("/api/taps/CS")
    assert (shown["wanted"], shown["planned"]) == (1, 24)
    assert [(one["point"], one["taken"], one["fault"]) for one in shown["points"]] == [
        ("CS-01-01", 1, ""),
        ("CS-01-02", 0, "clipped"),
        ("CS-01-03", 0, "silent"),
        ("CS-01-04", 0, "unreadable"),
    ]


def test_a_point_with_fewer_taps_than_the_plan_wants_is_not_complete(desk):
    plan = desk.folder / "inspection.toml"
    plan.write_text(plan.read_text().replace("taps_per_point = 1", "taps_per_point = 2"))
    sound = stream(RATE, [(0.5, 0.4, beam_tap(RATE))], 1.0)
    soundfile.write(desk.folder / "taps/CS-01-01.wav", sound, RATE)
    (one,) = desk.get("/api/taps/CS")["points"]
    assert (one["taken"], one["fault"]) == (1, "too few taps")
    soundfile.write(desk.folder / "taps/CS-01-01_2.wav", sound, RATE)
    (one,) = desk.get("/api/taps/CS")["points"]
    assert (one["taken"], one["fault"]) == (2, "")


def test_an_unknown_zone_is_refused(desk):
    assert "has no zone XX" in desk.get("/api/taps/XX", status=400)["fault"]
