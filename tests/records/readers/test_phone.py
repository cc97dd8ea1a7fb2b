"""Recordings as phones write them, and what pretends to be one."""

import subprocess
import sys
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile
from scipy.signal import correlate

from tapscan.errors import TapscanError
from tapscan.records.readers import phone, read_recording

RATE = 48_000
# Ending, container, encoder and its bit rate.
KINDS = [
    ("m4a", "mp4", "aac", 96_000),
    ("mp4", "mp4", "aac", 96_000),
    ("mov", "mov", "aac", 96_000),
    ("3gp", "3gp", "aac", 96_000),
    ("aac", "adts", "aac", 96_000),
    ("mp3", "mp3", "libmp3lame", 128_000),
    ("ogg", "ogg", "libvorbis", 96_000),
    ("opus", "ogg", "libopus", 96_000),
]
NAMES = {"aac": "AAC", "libmp3lame": "MP3", "libvorbis": "Vorbis", "libopus": "Opus"}


def knock(duration_s: float = 1.5) -> np.ndarray:
    """Strikes that ring at 3 kHz, in a quiet room."""
    time_s = np.arange(round(duration_s * RATE)) / RATE
    ring = np.zeros(time_s.size)
    for strike_s in np.cumsum(np.linspace(0.1, 0.6, 8)):  # no two gaps alike, so that one place fits
        since = time_s - strike_s
        ring += np.where(since > 0, 0.5 * np.exp(-since / 0.01) * np.sin(2 * np.pi * 3000 * since), 0.0)
    return ring + np.random.default_rng(7).normal(0, 1e-3, time_s.size)


def write(path: Path, sound: np.ndarray, container: str, codec: str, bit_rate: int, **options: str) -> Path:
    """Write sound, (channels, samples) or (samples,), as a phone would."""
    path.parent.mkdir(exist_ok=True)
    if codec == "libvorbis":  # not in the library's wheel: written by another one
        soundfile.write(path, sound, RATE, format="OGG", subtype="VORBIS")
        return path
    channels = np.atleast_2d(sound).astype(np.float32)
    layout = "mono" if len(channels) == 1 else "stereo"
    with av.open(str(path), "w", format=container, options=options) as out:
        stream = out.add_stream(codec, rate=RATE, layout=layout)
        stream.bit_rate = bit_rate
        plane = av.AudioFrame.from_ndarray(channels, format="fltp", layout=layout)
        plane.sample_rate = RATE
        resampler = av.AudioResampler(
            format=stream.codec_context.format,
            layout=layout,
            rate=RATE,
            frame_size=stream.codec_context.frame_size or 1024,
        )
        for frame in (*resampler.resample(plane), *resampler.resample(None)):
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
    return path


@pytest.mark.parametrize(("end", "container", "codec", "bit_rate"), KINDS)
def test_what_phones_write_is_read_with_its_sound_in_place(tmp_path, end, container, codec, bit_rate):
    sound = knock()
    recording = read_recording(
        write(tmp_path / "taps" / f"BM-07-05.{end}", sound, container, codec, bit_rate)
    )
    assert recording.sample_rate_hz == RATE
    assert recording.codec == NAMES[codec]
    assert not recording.samples.flags.writeable
    # An encoder may put up to some frames before the sound: find it, then compare.
    match = correlate(recording.samples.astype(float), sound[:RATE], "valid", method="fft")
    begin = int(np.argmax(match))
    there = recording.samples[begin : begin + RATE].astype(float)
    wanted = sound[: there.size]
    assert begin < 0.15 * RATE
    assert np.corrcoef(there, wanted)[0, 1] > 0.97
    assert 20 * np.log10(there.std() / wanted.std()) == pytest.approx(0, abs=0.5)


def test_the_frequency_above_which_a_file_is_empty_is_measured(tmp_path):
    noise = np.random.default_rng(3).normal(0, 0.1, RATE)
    cut = write(tmp_path / "cut.mp3", noise, "mp3", "libmp3lame", 64_000)
    whole = write(tmp_path / "whole.ogg", noise, "ogg", "libvorbis", 256_000)
    # LAME's own documentation: at 64 kbit/s of one channel its low pass is at 11 to 17 kHz, by version.
    assert 10_000 < read_recording(cut).empty_above_hz < 18_000
    assert read_recording(whole).empty_above_hz > 18_000
    narrow = np.fft.irfft(np.where(np.arange(RATE // 2 + 1) < 9000, np.fft.rfft(noise), 0), RATE)
    assert phone.empty_above_hz(narrow, RATE) == pytest.approx(9000, abs=300)
    assert phone.empty_above_hz(np.zeros(100), RATE) == 0.0


def test_lossless_sound_in_a_phone_s_file_counts_as_lossless(tmp_path):
    recording = read_recording(write(tmp_path / "BM-07-05.m4a", knock(), "mp4", "alac", 0))
    assert (recording.codec, recording.empty_above_hz) == ("", np.inf)
    assert np.abs(recording.samples[:RATE] - knock()[:RATE]).max() <= 2**-15


def test_of_two_channels_the_one_in_which_most_happens_is_taken(tmp_path):
    both = np.stack([0.1 * knock(), knock()])
    recording = read_recording(write(tmp_path / "BM-07-05.m4a", both, "mp4", "aac", 128_000))
    assert (recording.channels, recording.channel) == (2, 2)


def test_a_file_that_was_cut_short_is_refused(tmp_path):
    for name, options in (("late", {}), ("early", {"movflags": "faststart"})):
        path = write(tmp_path / "taps" / f"{name}.m4a", knock(4.0), "mp4", "aac", 96_000, **options)
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
        with pytest.raises(
            TapscanError, match=rf"taps/{name}\.m4a: is cut short.*\(copy it from the phone again"
        ):
            read_recording(path)


def test_a_video_without_sound_is_refused(tmp_path):
    path = tmp_path / "BM-07-05.mp4"
    with av.open(str(path), "w", format="mp4") as out:
        stream = out.add_stream("mpeg4", rate=25)
        stream.width = stream.height = 64
        stream.pix_fmt = "yuv420p"
        for packet in (*stream.encode(av.VideoFrame(64, 64, "yuv420p")), *stream.encode(None)):
            out.mux(packet)
    with pytest.raises(TapscanError, match=r"holds no sound \(record it again with the microphone on\)"):
        read_recording(path)


def test_pictures_and_playlists_are_no_recordings(tmp_path):
    for head in (b"\x89PNG\r\n\x1a\n", b"#EXTM3U\nhttp://127.0.0.1/", b"GIF89a", b"\x1aE\xdf\xa3"):
        (tmp_path / "BM-07-05.m4a").write_bytes(head + b"\0" * 64)
        with pytest.raises(TapscanError, match="no reader of a recording takes it"):
            read_recording(tmp_path / "BM-07-05.m4a")


@pytest.mark.parametrize(("end", "container", "codec", "bit_rate"), [KINDS[0], *KINDS[4:]])
def test_damaged_bytes_give_one_sentence_or_a_recording(tmp_path, end, container, codec, bit_rate):
    path = write(tmp_path / f"BM-07-05.{end}", knock(), container, codec, bit_rate)
    whole = np.frombuffer(path.read_bytes(), np.uint8)
    rng = np.random.default_rng(11)
    outcomes = set()
    for trial in range(25):
        content = whole.copy()
        # Half of the trials damage the header, where sizes and tables are.
        reach = 600 if trial % 2 else content.size
        content[rng.integers(16, reach, 1 + trial)] = rng.integers(0, 256, 1 + trial)
        path.write_bytes(content.tobytes())
        try:
            outcomes.add(type(read_recording(path)).__name__)
        except TapscanError as error:
            outcomes.add("sentence" if "\n" not in str(error) else str(error))
    assert outcomes <= {"Recording", "sentence"}


# A child's ru_maxrss begins with what its parent had; the peak of its own address space does not.
TEN_HOURS = """
import re, sys
from pathlib import Path
from tapscan.errors import TapscanError
from tapscan.records.readers import read_recording
try:
    read_recording(Path(sys.argv[1]))
except TapscanError as error:
    print(error)
print(int(re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1]) // 1024)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the peak is read as Linux gives it")
@pytest.mark.parametrize(("end", "container", "codec"), [("m4a", "mp4", "aac"), ("mp3", "mp3", "libmp3lame")])
def test_ten_hours_are_refused_in_bounded_memory(tmp_path, end, container, codec):
    path = write(tmp_path / f"BM-07-05.{end}", knock(), container, codec, 32_000)
    if end == "mp3":  # frames follow frames, and no header says how many
        path.write_bytes(path.read_bytes() * (36_000 * 2 // 3))
    else:
        with av.open(str(path), "w", format=container) as out:
            stream = out.add_stream(codec, rate=RATE, layout="mono")
            sound = av.AudioFrame.from_ndarray(np.zeros((1, 8 * 1024), np.float32), "fltp", "mono")
            sound.sample_rate = RATE
            for number, packet in enumerate(stream.encode(sound)):
                packet.pts = packet.dts = number * 36_000 * RATE // 4
                out.mux(packet)
    answer = subprocess.run(
        [sys.executable, "-c", TEN_HOURS, path], capture_output=True, text=True, check=True, timeout=120
    )
    sentence, most_mb = answer.stdout.splitlines()
    assert "minutes or more, longer than 10 (cut it to its point, or bring a walked recording in" in sentence
    assert answer.stderr == ""
    assert int(most_mb) < 400


def test_without_the_library_the_command_that_installs_it_is_named(tmp_path, monkeypatch):
    path = write(tmp_path / "taps" / "BM-07-05.m4a", knock(), "mp4", "aac", 96_000)
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(
        TapscanError, match=r"needs PyAV, which is not installed \(run: pip install 'tapscan\[phone\]'"
    ):
        read_recording(path)
