"""Files as an enemy or a bad disk would leave them: valid ones with bits turned, cut off, spliced or stuffed.

``python -m benchmarks.hostile --minutes 10 [--reader NAME]`` feeds them to every reader until the time is up and prints
what none should do: raise anything but an error for the user, say it in more than one line, take more than ten
seconds or 2 GB of memory, or write, rename or remove a file anywhere but in the folder of the case.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import io
import json
import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from core.errors import ToelineError

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "sample_images"
SLOWEST_S = 10.0
MOST_BYTES = 2 << 30
PIECES = (
    b"NaN",
    b"Infinity",
    b"-1e999",
    b"1e308",
    b"99999999999999999999",
    b"\xff\xfe\x00",
    b"\x00" * 64,
    b"[" * 3000,
    b"{" * 3000,
    b'"',
    b"\xef\xbb\xbf",
    b"../../../etc/passwd",
    b"\n" * 500,
    b",;\t" * 200,
    b"=cmd()",
    "𝟘½°".encode(),
    b"null",
    b"-0",
)
"""What is put into files where it does not belong."""


@dataclass(frozen=True, slots=True)
class Reader:
    """A reader, and a valid file of its kind to start from."""

    name: str
    suffix: str
    seed: Callable[[], bytes]
    read: Callable[[Path], object]


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """Return data with one to four changes of random kinds."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 5))):
        at = int(rng.integers(0, len(out) + 1))
        length = int(rng.integers(1, 200))
        kind = int(rng.integers(0, 6))
        if kind == 0:
            for place in rng.integers(0, max(len(out), 1), 8):
                if out:
                    out[int(place) % len(out)] ^= 1 << int(rng.integers(0, 8))
        elif kind == 1:
            del out[at:]
        elif kind == 2:
            del out[at : at + length]
        elif kind == 3:
            out[at:at] = out[max(0, at - length) : at] * int(rng.integers(1, 6))
        elif kind == 4:
            out[at:at] = PIECES[int(rng.integers(0, len(PIECES)))]
        else:
            out[at : at + length] = rng.integers(0, 256, length, dtype=np.uint8).tobytes()
    return bytes(out[: 4 << 20])


class Watch:
    """Tells of every file that Python code writes, makes, renames or removes outside a folder (PEP 578)."""

    CHANGES = frozenset({"os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.link", "os.symlink", "os.truncate"})

    def __init__(self) -> None:
        self.inside: str | None = None
        self.outside: list[str] = []
        sys.addaudithook(self._heard)

    def _heard(self, event: str, arguments: tuple[Any, ...]) -> None:
        if self.inside is None:
            return
        if event == "open":
            path, mode, flags = arguments
            writes = bool(flags & (os.O_WRONLY | os.O_RDWR)) if mode is None else bool(set(mode) & set("wxa+"))
            paths = [path] if writes else []
        else:
            paths = [part for part in arguments[:2] if isinstance(part, (str, bytes))] if event in self.CHANGES else []
        for path in paths:
            if isinstance(path, int):  # a file that is open already
                continue
            name = os.path.abspath(os.fsdecode(path))
            if not name.startswith(self.inside) and not name.endswith((".pyc", os.devnull)) and ".pyc." not in name:
                self.outside.append(f"{event} {name}")


@functools.cache
def watch() -> Watch:
    """Return the one watch of this process: an audit hook cannot be taken away again."""
    return Watch()


@contextlib.contextmanager
def bounded_memory(more_bytes: int = MOST_BYTES) -> Iterator[None]:
    """Let this process take so much more address space and no more; what asks for it gets a MemoryError."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + more_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def fault(reader: Reader, data: bytes, folder: Path) -> str | None:
    """Return what a reader does wrong with a file, None when it reads it or refuses it in one sentence."""
    path = folder / f"case{reader.suffix}"
    path.write_bytes(data)
    eye = watch()
    eye.inside, eye.outside = os.path.abspath(folder), []
    try:
        with bounded_memory():
            wrong = _fault(reader, path)
    finally:
        eye.inside = None
    return f"outside its folder: {', '.join(eye.outside[:3])}" if wrong is None and eye.outside else wrong


def _fault(reader: Reader, path: Path) -> str | None:
    start = time.perf_counter()
    try:
        reader.read(path)
    except ToelineError as error:
        if len(str(error).splitlines()) != 1 or not str(error).strip():
            return f"not one line: {str(error)[:200]!r}"
    except Exception as error:
        return f"{type(error).__name__}: {str(error)[:200]}"
    spent = time.perf_counter() - start
    return f"took {spent:.1f} s" if spent > SLOWEST_S else None


def cases(reader: Reader, number: int, seed: int) -> Iterator[bytes]:
    """Yield hostile files of one kind: empty, foreign, and mutated ones; the same seed gives the same files."""
    valid = reader.seed()
    yield from (b"", b"\x00", PIECES[7], valid[: len(valid) // 2], valid + valid)
    rng = np.random.default_rng([seed, len(reader.name)])
    for _ in range(number):
        yield mutated(valid, rng)


def readers() -> list[Reader]:
    """Return every reader of files, each with a small valid file."""
    from calibration.file import read_calibration
    from cli.config import read as read_config
    from criteria.sets import read_set
    from inspection.readings import read_readings, read_study
    from inspection.schema import read_result
    from records.identification import read_template
    from vision.cloud_file import read_cloud
    from vision.marks import read_marks
    from vision.picture import read_picture
    from vision.profile_file import read_profile

    pictures = [Reader(f"picture{s}", s, _picture(s), read_picture) for s in (".jpg", ".png", ".tif", ".bmp")]
    clouds = [
        Reader("cloud.xyz", ".xyz", _points, read_cloud),
        Reader("cloud.csv", ".csv", lambda: b"x_mm,y_mm,z_mm\n" + _points().replace(b" ", b","), read_cloud),
        Reader("cloud.ply", ".ply", _ply, read_cloud),
        Reader("cloud.pcd", ".pcd", _pcd, read_cloud),
        Reader("cloud.x3p", ".x3p", lambda: _zip(b"<x3p/>"), read_cloud),
    ]
    marks = json.dumps(
        {"welds": [{"joint": "tee", "toe_left": [10.5, 20], "plate_right": [[1, 2], [30, 40]]}]}
    ).encode()
    template = b'job = "Footbridge"\nweld_number = "W-1"\netchant = "free text"\n'
    criteria = (
        b'title = "Bracket"\nrequire = ["a5", "leg >= 6 mm"]\n[given]\nthickness = "10 mm"\n[[limit]]\nid = "gap"\n'
        b'quantity = "root_gap"\njoints = ["tee"]\ndirection = "upper"\n[[limit.case]]\nwhen = "t > 3"\n'
        b'limit = "min(2, 0.2*t)"\n'
    )
    study = b"part,operator,trial,reading\n" + b"".join(
        f"{part},{who},{trial},{part + 0.1 * trial}\n".encode()
        for part in range(3)
        for who in "AB"
        for trial in range(2)
    )
    return [
        *pictures,
        *clouds,
        Reader("profile.csv", ".csv", lambda: b"x_mm,z_mm\n0,0\n1,0.1\n2,0\n3,nan\n4,0\n", read_profile),
        Reader("profile.npy", ".npy", _npy, read_profile),
        Reader("calibration", ".json", _calibration, read_calibration),
        Reader("result", ".json", _result, read_result),
        Reader("marks", ".json", lambda: marks, read_marks),
        Reader("template", ".toml", lambda: template, read_template),
        Reader("criteria", ".toml", lambda: criteria, read_set),
        Reader("configuration", ".toml", lambda: b'units = "inch"\n[measure]\njoint = "tee"\n', read_config),
        Reader("readings", ".csv", (SAMPLES / "readings.csv").read_bytes, read_readings),
        Reader("study", ".csv", lambda: study, lambda path: read_study(path, unit="mm")),
        Reader("requirement", ".txt", lambda: b"root_gap 1/16..3/32 in", _requirement),
        Reader("records", ".sqlite", _store, _open_store),
    ]


def _picture(suffix: str) -> Callable[[], bytes]:
    def made() -> bytes:
        picture = np.random.default_rng(1).integers(0, 255, (40, 60, 3), np.uint8)
        return np.asarray(cv2.imencode(suffix, picture)[1]).tobytes()

    return made


def _points() -> bytes:
    points = np.random.default_rng(2).normal(0, 5, (60, 3))
    return "\n".join(" ".join(f"{value:.3f}" for value in row) for row in points).encode() + b"\n"


def _ply() -> bytes:
    head = (
        "ply\nformat ascii 1.0\nelement vertex 60\nproperty float x\nproperty float y\nproperty float z\nend_header\n"
    )
    return head.encode() + _points()


def _pcd() -> bytes:
    head = (
        "VERSION 0.7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\nWIDTH 60\nHEIGHT 1\nVIEWPOINT 0 0 0 1 0 0 0\n"
        "POINTS 60\nDATA ascii\n"
    )
    return head.encode() + _points()


def _zip(xml: bytes) -> bytes:
    import zipfile

    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as file:
        file.writestr("main.xml", xml)
        file.writestr("bindata/data.bin", b"\0" * 64)
    return buffer.getvalue()


def _npy() -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, np.column_stack([np.linspace(0, 20, 60), np.zeros(60)]))
    return buffer.getvalue()


def _calibration() -> bytes:
    from cli.main import run

    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "cal.json"
        words = [
            "calibrate",
            "points",
            str(SAMPLES / "tee.jpg"),
            "--length",
            "50 mm",
            "--from",
            "299,1887",
            "--to",
            "2078,1732",
        ]
        stdout, sys.stdout = sys.stdout, io.StringIO()
        try:
            status = run([*words, "--out", str(out)])
        finally:
            sys.stdout = stdout
        if status != 0:
            raise RuntimeError("the sample could not be calibrated")
        return out.read_bytes()


def _result() -> bytes:
    from inspection.document import as_text, document
    from inspection.picture import measure_file
    from inspection.settings import Settings

    return as_text(document([measure_file(SAMPLES / "tee.jpg", Settings(scale_mm_per_px=0.028))])).encode()


def _requirement(path: Path) -> object:
    from criteria.requirement import parse_requirement

    return parse_requirement(path.read_bytes().decode("utf-8", "replace")[:5000])


def _store() -> bytes:
    from records.store import open_store

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.sqlite"
        with open_store(path) as store:
            body = {"source": {"path": "a.jpg"}, "weld": {"id": "1", "joint": "tee"}, "identification": {"job": "J"}}
            record = store.add(None, "measured", body, who="A").record
            store.add(record, "confirmed", {}, who="B")
        return path.read_bytes()


def _open_store(path: Path) -> object:
    from records.store import open_store

    with open_store(path, tell=lambda _: None) as store:
        store.verify()
        return [store.record(line.id) for line in store.records()]


def main(arguments: Sequence[str] | None = None) -> int:
    """Feed hostile files until the time is up; the exit status tells whether a fault was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--reader")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args(arguments)
    wanted = [reader for reader in readers() if chosen.reader in (None, reader.name)]
    until, number, faults, seed = time.monotonic() + 60 * chosen.minutes, 0, 0, chosen.seed
    with tempfile.TemporaryDirectory() as folder:
        while time.monotonic() < until:
            for reader in wanted:
                for data in cases(reader, 40, seed):
                    number += 1
                    found = fault(reader, data, Path(folder))
                    if found is not None:
                        faults += 1
                        print(f"{reader.name}, seed {seed}: {found}", flush=True)
            seed += 1
    print(f"{number} files, {faults} faults")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
