"""``python -m tests.independent.compressed``: what a phone's compression costs the tap screening.

Arena recordings go through an AAC encoder at several bit rates and back, and the same parts are analysed
again. The encoder is that of PyAV's libraries; phones have their own, most of which are better.
"""

import argparse
import shutil
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import soundfile

from tests.independent.arena.families import make_parts
from tests.independent.arena.judging import FamilyRow, judge_part, row_of

LOSSLESS = 0


def compress(source: Path, target: Path, kbit_s: int) -> None:
    """Write a recording as AAC in an MP4 file."""
    import av

    samples, rate_hz = soundfile.read(source, dtype="float32")
    with av.open(str(target), "w", format="mp4") as container:
        stream = container.add_stream("aac", rate=rate_hz, layout="mono")
        stream.bit_rate = kbit_s * 1000
        frame = av.AudioFrame.from_ndarray(samples[None], format="fltp", layout="mono")
        frame.sample_rate = rate_hz
        for packet in (*stream.encode(frame), *stream.encode(None)):
            container.mux(packet)


def compressed_part(part: Path, target: Path, kbit_s: int) -> Path:
    """Write a part's folder with all its recordings compressed."""
    (target / "taps").mkdir(parents=True)
    for name in ("inspection.toml", "truth.npz"):
        shutil.copy(part / name, target / name)
    for recording in sorted((part / "taps").iterdir()):
        compress(recording, target / "taps" / f"{recording.stem}.m4a", kbit_s)
    return target


def judge(family: str, parts: Sequence[Path], kbit_s: int) -> FamilyRow:
    """Judge the parts of one family at one bit rate, in kbit/s; 0 is as recorded."""
    verdicts = []
    for part in parts:
        with TemporaryDirectory() as nook:
            folder = part if kbit_s == LOSSLESS else compressed_part(part, Path(nook) / part.name, kbit_s)
            verdicts.append(judge_part(folder, is_tapscan_only=True))
    return row_of(family, verdicts)


def line(row: FamilyRow, kbit_s: int) -> str:
    """Write one row of the table."""
    asked = next(calls for calls in row.false_calls if calls.asked == 0.01)
    low, high = asked.interval
    what = "lossless" if kbit_s == LOSSLESS else f"{kbit_s} kbit/s"
    return (
        f"{row.name:<16}{what:<12}ROC area {row.tapscan.area:.3f}  found {row.found:>3} of {row.damages:<3} "
        f"false indications {row.false_indications:>2}  false calls over requested, 0.01: {asked.ratio:.2f} "
        f"({low:.2f} to {high:.2f})  unread damage {row.damaged_unread}"
    )


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.independent.compressed", description=__doc__)
    parser.add_argument("--cache", type=Path, default=Path("build/arena"), help="folder that keeps the parts")
    parser.add_argument("--families", nargs="+", default=["clean", "messy", "panels", "plates"])
    parser.add_argument("--parts", type=int, default=3, help="of each family")
    parser.add_argument("--kbit", type=int, nargs="+", default=[LOSSLESS, 128, 96, 64])
    arguments = parser.parse_args()
    for family in arguments.families:
        parts = list(make_parts(arguments.cache, [family], arguments.parts, 1))
        for kbit_s in arguments.kbit:
            print(line(judge(family, parts, kbit_s), kbit_s), flush=True)


if __name__ == "__main__":
    main()
