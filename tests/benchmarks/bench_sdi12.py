"""Speed and memory of reading a transcript of an SDI-12 bus.

The floor is pyarrow reading a delimited export of as many bytes in the same run, with its
column types given, on all cores.
"""

import io
import itertools
import random
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pc
import pytest

from pipeline.ingest.sdi12 import read_transcript
from pipeline.ingest.sdi12_codes import ADDRESSES
from pipeline.ingest.sdi12_crc import crc_characters
from pipeline.site.layout import Layout, TranscriptForm

SIZE = 100_000_000
REPEATS = 5
TARGET = 3.0  # times the floor, per byte
MEMORY_TARGET = 4.0  # times the file, beside the file
LAYOUT = Layout(id="bus", transcript=TranscriptForm())
EXPORT_COLUMNS = 40
FIRST = datetime(2026, 1, 1)


def make_replies(address: str, random_numbers: random.Random) -> tuple[list[str], list[str]]:
    """Return variants of the D0 reply (five values) and the D1 reply (one) of a sensor."""
    replies: tuple[list[str], list[str]] = ([], [])
    for kind, count in ((0, 5), (1, 1)):
        for _ in range(40):
            values = "".join(f"{random_numbers.uniform(-9, 60):+.3f}" for _ in range(count))
            text = address + values
            replies[kind].append(text + crc_characters(text.encode()).decode())
    return replies


def make_rounds():
    """Yield text: one round of the bus each quarter of an hour, its 62 exchanges interleaved.

    All sensors are started, then all are read, so every data reply is far from its start.
    """
    random_numbers = random.Random(1)
    sensors = [(a, *make_replies(a, random_numbers)) for a in ADDRESSES.decode()]
    for n in itertools.count():
        stamp = FIRST + n * timedelta(minutes=15)
        lines = []
        for k, (address, _, _) in enumerate(sensors):
            at = stamp + timedelta(seconds=k // 4)
            lines.append(f"{at} >{address}MC!\r\n{at} <{address}0056\r\n")
        for k, (address, first, second) in enumerate(sensors):
            at = stamp + timedelta(seconds=30 + k // 4)
            lines.append(
                f"{at} >{address}D0!\r\n{at} <{first[n % 40]}\r\n"
                f"{at} >{address}D1!\r\n{at} <{second[n % 40]}\r\n"
            )
        yield "".join(lines)


def make_transcript(size: int) -> bytes:
    """Return a transcript of about ``size`` bytes, whole rounds only."""
    text = io.BytesIO()
    for part in make_rounds():
        if text.tell() + len(part) > size:
            return text.getvalue()
        text.write(part.encode())
    raise AssertionError


def make_export(size: int) -> bytes:
    """Return a delimited export of about ``size`` bytes: a stamp and 40 columns of numbers."""
    numbers = random.Random(2)
    tails = [
        "".join(f",{numbers.uniform(-9, 60):.3f}" for _ in range(EXPORT_COLUMNS)) + "\n"
        for _ in range(500)
    ]
    rows, length, n = [], 0, 0
    while length < size:
        row = f"{FIRST + n * timedelta(minutes=15)}{tails[n % 500]}"
        rows.append(row)
        length += len(row)
        n += 1
    return "".join(rows).encode()


def read_export(data: bytes) -> pa.Table:
    """Return the export as pyarrow reads it with types given."""
    names = ["stamp", *(f"c{n}" for n in range(EXPORT_COLUMNS))]
    types = {name: pa.float64() for name in names[1:]} | {"stamp": pa.timestamp("s")}
    return pc.read_csv(
        pa.BufferReader(data),
        read_options=pc.ReadOptions(column_names=names),
        convert_options=pc.ConvertOptions(column_types=types),
    )


def times_per_byte(read, data: bytes) -> tuple[float, float]:
    """Return the median time of a reading and of the processors' work for it, per byte [s]."""
    taken = []
    for _ in range(REPEATS):
        begin = time.perf_counter(), time.process_time()
        read(data)
        taken.append((time.perf_counter() - begin[0], time.process_time() - begin[1]))
    passed, worked = np.median(taken, axis=0) / len(data)
    return float(passed), float(worked)


def read_bus(data: bytes):
    return read_transcript(data, LAYOUT, "bus.log")


@pytest.mark.benchmark
def test_a_transcript_against_pyarrow_reading_as_many_bytes():
    transcript, export = make_transcript(SIZE), make_export(SIZE)
    parsed = read_bus(transcript)  # compiles
    assert parsed.rejects == ()
    assert parsed.rows_with_values * 3 == parsed.rows_read
    ours, ours_work = times_per_byte(read_bus, transcript)
    floor, floor_work = times_per_byte(read_export, export)
    print(
        f"\nsdi12: {1e-6 / ours:.0f} MB/s, {parsed.rows_read / len(transcript) / ours:.3g} "
        f"lines/s; pyarrow {1e-6 / floor:.0f} MB/s; per byte {ours / floor:.2f} times its "
        f"time, {ours_work / floor_work:.2f} times its processor time"
    )
    assert ours / floor <= TARGET


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read from Linux's /proc")
@pytest.mark.benchmark
def test_peak_memory_is_a_small_multiple_of_the_file(tmp_path):
    # In a process of its own, whose peak is not that of making the transcript.
    small, large = tmp_path / "small.log", tmp_path / "large.log"
    small.write_bytes(make_transcript(200_000))
    large.write_bytes(make_transcript(SIZE))
    command = [sys.executable, __file__, str(small), str(large)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=600)
    multiple = float(done.stdout)
    print(f"\nsdi12: peak memory beside the file {multiple:.2f} times its size")
    assert 0 < multiple <= MEMORY_TARGET


def peak_memory() -> int:
    """Return the peak memory of this process [bytes]; `resource` would count the parent's."""
    status = Path("/proc/self/status").read_text()
    (line,) = [line for line in status.splitlines() if line.startswith("VmHWM:")]
    return 1024 * int(line.split()[1])


def peak_multiple(small: Path, large: Path) -> float:
    """Return the growth of this process's peak memory by one reading, over the file's size."""
    read_bus(small.read_bytes())
    transcript = large.read_bytes()
    before = peak_memory()
    read_bus(transcript)
    return (peak_memory() - before) / len(transcript)


if __name__ == "__main__":
    print(peak_multiple(*map(Path, sys.argv[1:])))
