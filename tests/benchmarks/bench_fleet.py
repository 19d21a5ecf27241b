"""The nights of many sites: in this process, and shared out to one and two workers.

Each night is the command's own, with its orchestrator and its files; each figure is a ratio to
the same night in one process, measured in the same run. `make bench` runs this on 4 sites of
50 tubes with their pictures. PERCOLOG_FLEET_SITES=200 PERCOLOG_FLEET_PICTURES=0 makes it the
10,000 tubes of docs/fleets.md, which take half an hour and some GB in the temporary folder.
"""

from __future__ import annotations

import os
import re
import resource
import shutil
import subprocess
import sys
import time
from pathlib import Path

import big_field
import pytest

pytestmark = pytest.mark.benchmark
TUBES = 50
SITES = int(os.environ.get("PERCOLOG_FLEET_SITES", "4"))
PICTURES = os.environ.get("PERCOLOG_FLEET_PICTURES", "1") != "0"
WAYS = {"one process": (), "2 workers": ("--workers", "2"), "1 worker": ("--workers", "1")}
UNDRAWN = """
from pipeline.nights import parts
def draw(folder, night):
    return {"pictures": []}
parts.draw = draw
"""
START = "from pipeline.cli import main; main()"
_PARTS = re.compile(r": (reading and computing|writing NetCDF|drawing pictures) took ([\d.]+)")


def lay_out(folder: Path, sites: int, tubes: int) -> list[str]:
    """Return sites with a day of readings every ten minutes."""
    made = []
    for number in range(sites):
        site = big_field.describe_field(folder / f"site-{number}", tubes)
        text = (site / "site.toml").read_text()
        (site / "site.toml").write_text(text.replace('id = "bench"', f'id = "b{number}"'))
        big_field.write_days(site, tubes, 0, 1)
        made.append(str(site))
    return made


def processor_s() -> float:
    """Return the processor seconds of all ended processes below this one."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def one_night(sites: list[str], state: Path, options: tuple[str, ...]) -> float:
    """Return the wall seconds of the command for the night after the day."""
    script = START if PICTURES else UNDRAWN + START
    command = [sys.executable, "-c", script, "night", *sites, *options]
    begun, before = time.perf_counter(), processor_s()
    ran = subprocess.run(
        [*command, "--now", "2023-01-02T00:00Z"],
        env={**os.environ, "PERCOLOG_STATE": str(state)},
        capture_output=True,
        text=True,
        check=False,
    )
    seconds, used = time.perf_counter() - begun, processor_s() - before
    if ran.returncode not in (0, 3) or "going on without" in ran.stderr:
        raise RuntimeError(f"exit code {ran.returncode}: {ran.stderr[-2000:]}")
    parts: dict[str, float] = {}
    for name, took in _PARTS.findall(ran.stderr):
        parts[name] = round(parts.get(name, 0.0) + float(took), 1)
    print(
        f"  {seconds:.1f} s, {used:.1f} s of processors; summed over the sites: {parts}",
        flush=True,
    )
    return seconds


def test_nights_of_many_sites_shared_out(tmp_path):
    """No target but that a second worker gains; one process has threads for several sites."""
    one_night(lay_out(tmp_path / "warm", 1, 5), tmp_path / "state", ())  # all code compiled
    print(f"\n{SITES} sites of {TUBES} tubes, pictures: {PICTURES}, {os.cpu_count()} cores")
    seconds: dict[str, float] = {}
    for way, options in WAYS.items():
        folder = tmp_path / way.replace(" ", "-")
        sites = lay_out(folder, SITES, TUBES)
        before = os.getloadavg()[0]
        seconds[way] = one_night(sites, tmp_path / "state", options)
        print(
            f"{way}: {seconds[way]:.0f} s, {seconds[way] / SITES:.2f} s a site, "
            f"{seconds['one process'] / seconds[way]:.2f} times as fast as one process; "
            f"load before {before:.1f}, after {os.getloadavg()[0]:.1f}",
            flush=True,
        )
        shutil.rmtree(folder)
    assert seconds["2 workers"] < seconds["1 worker"]
