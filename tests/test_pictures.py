"""Photos as cameras, scanners and accidents leave them: the right picture, or one sentence."""

import struct
import zlib
from contextlib import suppress

import numpy as np
import pytest
from PIL import Image

from tapscan.errors import TapscanError
from tapscan.pictures import read_grey

SIZE = (40, 30)  # width, height


def graded():
    """Dark at the top left, bright to the right and below; no two turns of it are alike."""
    rows, columns = np.mgrid[: SIZE[1], : SIZE[0]]
    return (2 * columns + 4 * rows).astype(np.uint8)


@pytest.mark.parametrize("suffix", [".png", ".tif", ".jpg"])
def test_the_usual_kinds(tmp_path, suffix):
    path = tmp_path / f"cut{suffix}"
    Image.fromarray(graded()).save(path, quality=95)
    before = path.read_bytes()
    found = read_grey(path)
    assert found.dtype == np.uint8
    assert np.abs(found.astype(int) - graded()).max() <= 6
    assert path.read_bytes() == before


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_photo_is_turned_as_its_camera_was_held(tmp_path, orientation):
    upright = graded()
    stored = {
        1: upright,
        2: upright[:, ::-1],
        3: upright[::-1, ::-1],
        4: upright[::-1],
        5: upright.T,
        6: np.rot90(upright),
        7: upright[::-1, ::-1].T,
        8: np.rot90(upright, -1),
    }[orientation]
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "cut.png"
    Image.fromarray(np.ascontiguousarray(stored)).save(path, exif=exif)
    assert np.array_equal(read_grey(path), upright)


@pytest.mark.parametrize("suffix", [".png", ".tif"])
def test_16_bits_are_stretched_to_the_whole_range(tmp_path, suffix):
    deep = 1000 + 10 * graded().astype(np.uint16)
    path = tmp_path / f"cut{suffix}"
    Image.fromarray(deep).save(path)
    found = read_grey(path)
    assert (found.min(), found.max()) == (0, 255)
    expected = 255.0 * (deep - deep.min()) / (deep.max() - deep.min())
    assert np.abs(found - expected).max() <= 0.5


def chunk(name, data):
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def bomb(width, height):
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    data = chunk(b"IDAT", zlib.compress(b"\0" * 99))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + data + chunk(b"IEND", b"")


@pytest.mark.parametrize("size", [(12_000, 10_001), (60_000, 60_000), (2**31 - 1, 2**31 - 1)])
def test_a_file_that_claims_too_many_pixels_takes_no_memory(tmp_path, size):
    import tracemalloc

    path = tmp_path / "cut.png"
    path.write_bytes(bomb(*size))
    tracemalloc.start()
    with pytest.raises(TapscanError, match=r"^cut\.png: .* more than the 100 megapixels that are read"):
        read_grey(path)
    assert tracemalloc.get_traced_memory()[1] < 5e6
    tracemalloc.stop()


def test_broken_files_are_one_sentence_each(tmp_path):
    path = tmp_path / "cut.jpg"
    Image.fromarray(np.random.default_rng(0).integers(0, 255, (64, 64), dtype=np.uint8)).save(path)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(TapscanError, match=r"^cut\.jpg: is broken: .* \(copy it from the camera again\)$"):
        read_grey(path)
    for content in (b"", b"no photo", b"\xff\xd8\xff", whole[:20]):
        path.write_bytes(content)
        with pytest.raises(TapscanError, match=r"^cut\.jpg: is (no JPEG, PNG, TIFF or WEBP picture|broken)"):
            read_grey(path)
    with pytest.raises(TapscanError, match=r"^away\.png: is missing"):
        read_grey(tmp_path / "away.png")


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF"])
def test_no_byte_changed_at_random_makes_more_than_a_sentence(tmp_path, kind):
    rng = np.random.default_rng(1)
    path = tmp_path / "cut.img"
    Image.fromarray(graded()).save(path, kind)
    whole = np.frombuffer(path.read_bytes(), dtype=np.uint8)
    for _ in range(60):
        spoilt = whole.copy()
        spoilt[rng.integers(0, whole.size, 6)] = rng.integers(0, 256, 6)
        path.write_bytes(spoilt.tobytes())
        with suppress(TapscanError):  # anything else is a traceback
            read_grey(path)
