import pickle
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from tapscan.errors import TapscanError
from tapscan.plan import Zone
from tapscan.plan.text.reading import parse_plan
from tapscan.records.readers import open_volume


@pytest.fixture(scope="module")
def zone() -> Zone:
    text = '[[zone]]\ncode = "BM"\nshape = "tube"\nstations = 4\npositions = 3\n'
    return parse_plan(text + "station_pitch_mm = 10.0\ngirth_mm = 60.0\n").zones[0]


@pytest.fixture
def place(tmp_path: Path):
    (tmp_path / "ascans").mkdir()
    path = tmp_path / "ascans" / "BM.npy"

    def write(content: bytes | np.ndarray) -> Path:
        if isinstance(content, bytes):
            path.write_bytes(content)
        else:
            np.save(path, content, allow_pickle=True)
        return path

    return write


@pytest.mark.parametrize("dtype", ["f2", "<f4", ">f4", "f8", "g", "i1", "u1", "<i2", ">i2", "u2", "i4", "i8"])
def test_every_real_dtype_is_mapped_as_it_is(place, zone, dtype):
    values = np.arange(120).reshape(4, 3, 10).astype(dtype)
    traces = open_volume(place(values), zone)
    assert isinstance(traces, np.memmap)
    assert traces.dtype == np.dtype(dtype)
    assert np.array_equal(traces, values)


def test_fortran_order_reads_the_same(place, zone):
    values = np.random.default_rng(1).standard_normal((4, 3, 10))
    assert np.array_equal(open_volume(place(np.asfortranarray(values)), zone), values)


def test_it_cannot_be_written_to(place, zone):
    traces = open_volume(place(np.zeros((4, 3, 10))), zone)
    with pytest.raises(ValueError, match="read-only"):
        traces[0, 0, 0] = 1


def test_nan_is_kept(place, zone):
    assert np.isnan(open_volume(place(np.full((4, 3, 10), np.nan)), zone)).all()


@settings(max_examples=30, deadline=None)
@given(
    values=hnp.arrays(np.float32, st.tuples(st.just(4), st.just(3), st.integers(2, 40))),
    fortran=st.booleans(),
)
def test_writing_then_reading_is_identity(tmp_path_factory, zone, values, fortran):
    path = tmp_path_factory.mktemp("identity") / "BM.npy"
    np.save(path, np.asfortranarray(values) if fortran else values)
    assert np.array_equal(open_volume(path, zone), values, equal_nan=True)


@pytest.mark.parametrize(
    ("shape", "remedy"),
    [
        ((3, 4, 10), r"stations and positions are swapped: save array\.transpose\(1, 0, 2\)"),
        ((10, 4, 3), r"samples come first: save numpy\.moveaxis\(array, 0, 2\)"),
        ((12, 10), r"save array\.reshape\(4, 3, 10\)"),
        ((4, 3), "correct stations and positions in the plan, or export the zone again"),
        ((5, 3, 10), "correct stations and positions in the plan"),
        ((4, 3, 10, 1), "correct stations and positions in the plan"),
        ((), "correct stations and positions in the plan"),
    ],
)
def test_a_shape_that_does_not_fit_the_plan(place, zone, shape, remedy):
    message = r"ascans/BM\.npy: has shape .*zone BM of the plan needs \(4, 3, samples\) \(" + remedy
    with pytest.raises(TapscanError, match=message):
        open_volume(place(np.zeros(shape)), zone)


@pytest.mark.parametrize("samples", [0, 1])
def test_traces_without_samples(place, zone, samples):
    with pytest.raises(TapscanError, match=f"has {samples} samples per trace"):
        open_volume(place(np.zeros((4, 3, samples))), zone)


@pytest.mark.parametrize(
    ("values", "what"),
    [
        (np.zeros((4, 3, 2), complex), r"complex numbers, not a real signal \(dtype complex128\)"),
        (np.full((4, 3, 2), "x"), "holds text"),
        (np.full((4, 3, 2), b"x"), "holds text"),
        (np.zeros((4, 3, 2), [("a", float)]), "records of several fields"),
        (np.zeros((4, 3, 2), bool), "true/false values"),
        (np.zeros((4, 3, 2), "M8[s]"), "holds dates"),
        (np.zeros((4, 3, 2), "m8[s]"), "holds time spans"),
    ],
)
def test_values_that_are_no_real_numbers(place, zone, values, what):
    with pytest.raises(TapscanError, match=f"{what}.*save it with numpy.save as a plain array of numbers"):
        open_volume(place(values), zone)


class Bomb:
    """Leaves a file behind when it is unpickled."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[object, ...]:
        return Path.touch, (self.path,)


def test_pickled_objects_are_refused_without_being_opened(tmp_path, place, zone):
    mark = tmp_path / "it-ran"
    values = np.full((4, 3, 2), Bomb(mark), dtype=object)
    with pytest.raises(TapscanError, match="pickled Python objects, which can run any program when opened"):
        open_volume(place(values), zone)
    assert not mark.exists()
    with pytest.raises(TapscanError, match=r"does not begin with the \.npy mark"):
        open_volume(place(pickle.dumps(Bomb(mark))), zone)
    assert not mark.exists()


def npy(zone_shape: bytes = b"(4, 3, 10)", keep: int | None = None) -> bytes:
    import io

    stream = io.BytesIO()
    np.save(stream, np.zeros((4, 3, 10)))
    return stream.getvalue()[:keep].replace(b"(4, 3, 10)", zone_shape)


def test_a_truncated_volume_is_reported_with_both_sizes(place, zone):
    with pytest.raises(
        TapscanError, match="is cut short: its header claims 960 bytes of traces and 872 are there"
    ):
        open_volume(place(npy(keep=1000)), zone)


@pytest.mark.parametrize("keep", [6, 7, 9, 50])
def test_a_volume_cut_inside_its_header(place, zone, keep):
    with pytest.raises(TapscanError, match=r"has a damaged \.npy header: .*\(copy or export it again\)"):
        open_volume(place(npy(keep=keep)), zone)


@pytest.mark.parametrize("samples", [b"99999999", b"9" * 25])
def test_a_header_that_claims_a_huge_shape_takes_no_memory(place, zone, samples):
    with pytest.raises(TapscanError, match=r"is cut short: its header claims [0-9,]{13,} bytes"):
        open_volume(place(npy(b"(4, 3, " + samples + b")")), zone)


@pytest.mark.parametrize(
    "shape", [b"(4, 3, -1)", b"(4,3,True)", b"(4,3,10.0)", b"(4, 3, 1e)", b"((((((((((", b"[4,3,10]"]
)
def test_a_header_that_is_damaged(place, zone, shape):
    with pytest.raises(TapscanError, match=r"has a damaged \.npy header"):
        open_volume(place(npy(shape)), zone)


@pytest.mark.parametrize("version", [(0, 0), (3, 0), (9, 9)])
def test_versions_of_the_format_that_hold_no_plain_arrays(place, zone, version):
    content = bytearray(npy())
    content[6:8] = bytes(version)
    with pytest.raises(
        TapscanError, match=rf"is \.npy version {version[0]}\.{version[1]}|damaged \.npy header"
    ):
        open_volume(place(bytes(content)), zone)


def test_other_files_under_that_name(tmp_path, place, zone):
    np.savez(tmp_path / "BM.npz", a=np.zeros(3))
    with pytest.raises(
        TapscanError, match=r"NumPy volume: is a zip archive such as \.npz, not a single \.npy array"
    ):
        open_volume(place((tmp_path / "BM.npz").read_bytes()), zone)
    with pytest.raises(TapscanError, match="it looks like a CSV trace"):
        open_volume(place(b"time_us,amplitude\n"), zone)
    with pytest.raises(TapscanError, match=r"ascans/BM\.npy: is empty \(0 bytes\)"):
        open_volume(place(b""), zone)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_no_damage_to_the_header_does_worse_than_a_sentence(tmp_path_factory, zone, data):
    content = bytearray(npy())
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, 127))] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.mktemp("damage") / "BM.npy"
    path.write_bytes(bytes(content))
    try:
        traces = open_volume(path, zone)
    except TapscanError as error:
        assert "BM.npy: " in str(error)  # noqa: PT017 - both ways out are right
    else:
        assert traces.shape[:2] == (4, 3)
