"""The fuzzer finds what is there to be found, and a short run over all formats finds nothing.

``PERCOLOG_FUZZ_SECONDS`` says how long; by default 40 s on an integration machine (where
CI is set), else five seconds.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

FUZZ = Path(__file__).parent / "fuzz.py"
SECONDS = os.environ.get("PERCOLOG_FUZZ_SECONDS", "40" if os.environ.get("CI") else "5")
PROBE = """
import sys, time
from pathlib import Path
from fuzz import Fuzzer
from seeds import BrokenPromise, Seed

def read(data):
    if b"!" in data:
        raise KeyError("not one of the project's errors")
    if not data.startswith(b"s"):
        bytearray(24 * 1024**2)  # more than a short input may take
    return str(len(data) % 7)

fuzzer = Fuzzer([Seed("probe", 0, b"sound 0 data", read)], Path(sys.argv[1]), 1)
fuzzer.run(300, executions=2000)
print(fuzzer.report())
sys.exit(bool(fuzzer.findings))
"""


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    folders = [str(FUZZ.parent), str(FUZZ.parents[1] / "support")]
    path = os.pathsep.join([*folders, str(FUZZ.parents[2])])
    return subprocess.run(
        [sys.executable, *arguments],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": path},
        timeout=900,
    )


def test_a_wrong_error_and_too_much_memory_are_found_and_saved(tmp_path):
    done = run("-c", PROBE, str(tmp_path))
    assert done.returncode == 1, done.stderr
    saved = [path.read_bytes() for path in tmp_path.glob("probe-0-*.bin")]
    assert any(b"!" in data for data in saved)
    assert any(not data.startswith(b"s") for data in saved)
    assert "KeyError" in done.stdout
    assert "bytes, at most" in done.stdout


@pytest.mark.slow
def test_no_bytes_break_a_parser(tmp_path):
    done = run(str(FUZZ), "--seconds", SECONDS, "--out", str(tmp_path))
    print(done.stdout)
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr}"
    for name in ("archive", "rounds", "sdi12", "site", "sniff", "table"):
        assert f"\n{name} " in done.stdout
