import os
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from tapscan.errors import TapscanError
from tapscan.records.readers import audio, read_recording


@pytest.fixture
def ring() -> np.ndarray:
    time_s = np.arange(4800) / 48_000
    return 0.5 * np.exp(-time_s / 0.02) * np.sin(2 * np.pi * 3000 * time_s)


def place(tmp_path: Path, content: bytes, name: str = "BM-07-05.wav") -> Path:
    (tmp_path / "taps").mkdir(exist_ok=True)
    path = tmp_path / "taps" / name
    path.write_bytes(content)
    return path


def wav_bytes(samples: np.ndarray, tmp_path: Path, **kind: object) -> bytearray:
    path = tmp_path / "whole.wav"
    soundfile.write(str(path), samples, 48_000, **kind)
    return bytearray(path.read_bytes())


# One step of each depth, as a fraction of full scale; logarithmic laws by their coarsest.
STEPS = {
    "PCM_U8": 2**-7,
    "PCM_16": 2**-15,
    "PCM_24": 2**-23,
    "PCM_32": 2**-24,  # what single precision keeps of it near full scale
    "FLOAT": 2**-24,
    "DOUBLE": 2**-24,
    "ULAW": 2**-5,
    "ALAW": 2**-5,
}


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("subtype", STEPS)
def test_every_depth_and_container_of_wav_is_read_unscaled(tmp_path, ring, subtype, container):
    path = tmp_path / "BM-07-05.wav"
    soundfile.write(str(path), ring, 48_000, subtype=subtype, format=container)
    recording = read_recording(path)
    assert recording.samples.dtype == np.float32
    assert recording.sample_rate_hz == 48_000.0
    assert np.abs(recording.samples - ring).max() <= STEPS[subtype]


@pytest.mark.parametrize(("subtype", "step"), [("PCM_S8", 2**-7), ("PCM_16", 2**-15), ("PCM_24", 2**-23)])
def test_flac_of_every_depth_is_read(tmp_path, ring, subtype, step):
    path = tmp_path / "BM-07-05.flac"
    soundfile.write(str(path), ring, 48_000, subtype=subtype)
    assert np.abs(read_recording(path).samples - ring).max() <= step


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("end", ["wav", "flac"])
def test_the_rate_comes_from_the_file_and_nothing_is_resampled(tmp_path, ring, rate_hz, end):
    path = tmp_path / f"BM-07-05.{end}"
    soundfile.write(str(path), ring, rate_hz)
    recording = read_recording(path)
    assert recording.sample_rate_hz == float(rate_hz)
    assert recording.samples.shape == ring.shape


def test_of_two_channels_the_one_where_most_happens_is_taken_and_never_a_mix(tmp_path, ring):
    quiet = 0.1 * ring[::-1]
    for order, taken in (((ring, quiet), 1), ((quiet, ring), 2)):
        path = tmp_path / "BM-07-05.wav"
        soundfile.write(str(path), np.stack(order, axis=1), 48_000, subtype="FLOAT")
        recording = read_recording(path)
        assert (recording.channels, recording.channel) == (2, taken)
        assert np.array_equal(recording.samples, ring.astype(np.float32))


def test_a_dead_channel_with_an_offset_or_nan_does_not_win(tmp_path, ring):
    dead = np.full_like(ring, 0.9)
    broken = np.full_like(ring, np.nan)
    path = tmp_path / "BM-07-05.wav"
    soundfile.write(str(path), np.stack([dead, broken, ring], axis=1), 48_000, subtype="FLOAT")
    assert read_recording(path).channel == 3


def test_equal_channels_give_the_first(tmp_path, ring):
    path = tmp_path / "BM-07-05.wav"
    soundfile.write(str(path), np.stack([ring, ring], axis=1), 48_000)
    assert read_recording(path).channel == 1


def test_a_long_file_read_in_pieces_gives_the_same_channel_and_samples(tmp_path, ring, monkeypatch):
    path = tmp_path / "BM-07-05.wav"
    soundfile.write(str(path), np.stack([0.2 * ring, ring, 0.5 * ring], axis=1), 48_000, subtype="PCM_24")
    whole = read_recording(path)
    monkeypatch.setattr(audio, "BLOCK_VALUES", 1000)
    pieces = read_recording(path)
    assert pieces.channel == whole.channel == 2
    assert np.array_equal(pieces.samples, whole.samples)


def test_values_beyond_full_scale_and_nan_in_float_files_are_kept(tmp_path):
    path = tmp_path / "BM-07-05.wav"
    soundfile.write(str(path), np.array([0.0, 3.5, np.nan, -2.0]), 48_000, subtype="FLOAT")
    assert np.array_equal(read_recording(path).samples, [0.0, 3.5, np.nan, -2.0], equal_nan=True)


def test_samples_are_read_only(tmp_path, ring):
    path = tmp_path / "BM-07-05.wav"
    soundfile.write(str(path), ring, 48_000)
    with pytest.raises(ValueError, match="read-only"):
        read_recording(path).samples[0] = 1


@settings(max_examples=40, deadline=None)
@given(
    samples=hnp.arrays(np.int32, st.integers(1, 300), elements=st.integers(-(2**23), 2**23 - 1)),
    rate_hz=st.sampled_from([8_000, 44_100, 192_000]),
    end=st.sampled_from(["wav", "flac"]),
)
def test_writing_then_reading_24_bits_is_identity(tmp_path_factory, samples, rate_hz, end):
    path = tmp_path_factory.mktemp("identity") / f"BM-01-01.{end}"
    soundfile.write(str(path), samples << 8, rate_hz, subtype="PCM_24")
    recording = read_recording(path)
    assert np.array_equal(recording.samples * 2.0**23, samples)
    assert recording.sample_rate_hz == rate_hz


def test_missing_empty_and_not_a_file(tmp_path):
    with pytest.raises(TapscanError, match=r"taps/BM-07-05\.wav: does not exist \(check the name\)"):
        read_recording(tmp_path / "taps" / "BM-07-05.wav")
    with pytest.raises(
        TapscanError, match=r"taps/BM-07-05\.wav: is empty \(0 bytes\) \(record or export it again"
    ):
        read_recording(place(tmp_path, b""))
    with pytest.raises(TapscanError, match=r"taps: is not a file \(name a file, not a folder"):
        read_recording(tmp_path / "taps")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes")
def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "BM-07-05.wav")
    with pytest.raises(TapscanError, match="is not a file"):
        read_recording(tmp_path / "BM-07-05.wav")


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (
            b"time_us,amplitude\n0,1\n",
            r"is a text file, whatever its name says;.*\); it looks like a CSV trace",
        ),
        (b"\x00\x01\x02\x03" * 9, r"begins with neither RIFF…WAVE nor fLaC; phone recording: is no MP4.*\)"),
        (b"\x93NUMPY\x01\x00" + b"\0" * 100, r"nor fLaC;.*\); it looks like a NumPy volume"),
        (b"RIFF\x24\0\0\0AVI LIST", "is a RIFF file that holds no sound"),
        (b"RIFF\x24\0\0\0", "breaks off inside its header"),
    ],
)
def test_other_formats_are_named_with_the_reader_that_declined(tmp_path, content, reason):
    with pytest.raises(
        TapscanError, match=r"no reader of a recording takes it \(WAV/FLAC recording: .*" + reason
    ):
        read_recording(place(tmp_path, content))


def test_lossy_sound_inside_wav_is_refused(tmp_path, ring):
    path = tmp_path / "BM-07-05.wav"
    soundfile.write(str(path), ring, 48_000, subtype="IMA_ADPCM")
    with pytest.raises(TapscanError, match=r"compressed with loss \(IMA_ADPCM\).*record as PCM WAV or FLAC"):
        read_recording(path)


def test_a_header_without_sound(tmp_path):
    path = tmp_path / "BM-07-05.wav"
    soundfile.write(str(path), np.zeros(0), 48_000)
    with pytest.raises(TapscanError, match=r"holds a header and no sound \(record it again\)"):
        read_recording(path)


def test_a_truncated_wav_is_reported_with_both_sizes(tmp_path, ring):
    content = wav_bytes(ring, tmp_path)
    with pytest.raises(
        TapscanError, match=r"cut short: its header claims 9,600 bytes of sound and 956 are there"
    ):
        read_recording(place(tmp_path, bytes(content[:1000])))


@pytest.mark.parametrize("length", [10, 13, 20, 30, 38, 44])
def test_a_wav_cut_inside_its_header(tmp_path, ring, length):
    content = wav_bytes(ring, tmp_path)
    with pytest.raises(TapscanError, match=r"breaks off|cannot be decoded|cut short|no sound"):
        read_recording(place(tmp_path, bytes(content[:length])))


@pytest.mark.parametrize("length", [5, 50, 200, 0.5, 0.9])
def test_a_truncated_flac(tmp_path, length):
    path = tmp_path / "whole.flac"
    noise = 0.1 * np.random.default_rng(1).standard_normal(48_000)
    soundfile.write(str(path), noise, 48_000)
    content = path.read_bytes()
    cut = int(length * len(content)) if isinstance(length, float) else length
    with pytest.raises(TapscanError, match=r"cannot be decoded|cut short"):
        read_recording(place(tmp_path, content[:cut], "BM-07-05.flac"))


@pytest.mark.parametrize("claimed", [2**32 - 1, 4_000_000_000, 2**31])
def test_a_header_that_claims_gigabytes_takes_no_memory(tmp_path, ring, claimed):
    content = wav_bytes(ring, tmp_path)
    at = content.index(b"data") + 4
    content[at : at + 4] = struct.pack("<I", claimed)
    with pytest.raises(
        TapscanError, match=f"its header claims {claimed:,} bytes of sound and 9,600 are there"
    ):
        read_recording(place(tmp_path, bytes(content)))


def test_a_long_wave_file_that_claims_terabytes(tmp_path, ring):
    content = wav_bytes(ring, tmp_path, format="RF64")
    if content[:4] != b"RF64":
        pytest.skip("this decoder writes short files as plain WAV")
    at = content.index(b"ds64") + 16
    content[at : at + 8] = struct.pack("<Q", 2**42)
    with pytest.raises(TapscanError, match="cut short: its header claims 4,398,046,511,104 bytes"):
        read_recording(place(tmp_path, bytes(content)))


def test_a_flac_header_that_claims_days(tmp_path, ring):
    path = tmp_path / "whole.flac"
    soundfile.write(str(path), ring, 48_000)
    content = bytearray(path.read_bytes())
    # The stream's length: 36 bits in the 22nd to 26th byte (RFC 9639, section 8.2; from memory).
    content[21] |= 0x0F
    content[22:26] = b"\xff" * 4
    with pytest.raises(
        TapscanError, match=r"minutes by its header, longer than 10 \(cut it to its point, or bring"
    ):
        read_recording(place(tmp_path, bytes(content), "BM-07-05.flac"))
    content[21] &= 0xF0
    content[22:26] = b"\0" * 4
    with pytest.raises(TapscanError, match="its header does not say how long it is"):
        read_recording(place(tmp_path, bytes(content), "BM-07-05.flac"))


@pytest.mark.parametrize("block_values", [2**20, 1000])
def test_a_flac_that_holds_less_than_it_claims(tmp_path, ring, monkeypatch, block_values):
    monkeypatch.setattr(audio, "BLOCK_VALUES", block_values)
    path = tmp_path / "whole.flac"
    soundfile.write(str(path), ring, 48_000)
    content = bytearray(path.read_bytes())
    content[22:26] = struct.pack(">I", 50_000)
    with pytest.raises(
        TapscanError, match=r"cut short: it claims 50,000 samples and holds 4,800|cannot be decoded"
    ):
        read_recording(place(tmp_path, bytes(content), "BM-07-05.flac"))


def test_an_unfinished_header_is_reported(tmp_path, ring):
    content = wav_bytes(ring, tmp_path)
    at = content.index(b"data") + 4
    content[at : at + 4] = b"\0" * 4
    with pytest.raises(TapscanError, match="unfinished header: no sound claimed, and 9,600 bytes are there"):
        read_recording(place(tmp_path, bytes(content)))


@pytest.mark.parametrize("rate_hz", [0, 1, 100, 2**31 - 1])
def test_an_impossible_rate(tmp_path, ring, rate_hz):
    content = wav_bytes(ring, tmp_path)
    content[24:28] = struct.pack("<I", rate_hz)
    with pytest.raises(
        TapscanError, match=r"samples a second, which no recorder of taps makes|cannot be decoded"
    ):
        read_recording(place(tmp_path, bytes(content)))


@pytest.mark.parametrize("channels", [0, 9999])
def test_an_impossible_channel_count(tmp_path, ring, channels):
    content = wav_bytes(ring, tmp_path)
    content[22:24] = struct.pack("<H", channels)
    with pytest.raises(TapscanError, match="cannot be decoded"):
        read_recording(place(tmp_path, bytes(content)))


def test_a_recording_far_too_long_for_a_point(tmp_path):
    path = tmp_path / "BM-07-05.wav"
    soundfile.write(str(path), np.zeros(8000 * 601, dtype=np.int16), 8000, subtype="PCM_U8")
    with pytest.raises(TapscanError, match="lasts 10 minutes by its header, longer than 10"):
        read_recording(path)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_no_damage_to_a_wav_does_worse_than_a_sentence(tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("damage")
    content = wav_bytes(np.linspace(-0.5, 0.5, 64), folder)
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    try:
        recording = read_recording(place(folder, bytes(content)))
    except TapscanError as error:
        assert "taps/BM-07-05.wav: " in str(error)  # noqa: PT017 - both ways out are right
    else:
        assert recording.samples.size <= len(content)
