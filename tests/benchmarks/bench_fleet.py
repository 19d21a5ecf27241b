"""The nights of many sites: in this process, and shared out to one and two workers.

Each night is the command's own, with its orchestrator, its files and its pictures; each figure
is a ratio to the same nights in one process, measured in the same run. `make bench` runs this
on 20 sites of 50 tubes; PERCOLOG_FLEET_SITES=200 makes it the 10,000 tubes of docs/fleets.md,
for which half an hour and some GB in the temporary folder are needed.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from pathlib import Path

import big_field
import pytest

pytestmark = pytest.mark.benchmark
TUBES = 50
SITES = int(os.environ.get("PERCOLOG_FLEET_SITES", "20"))
WAYS = {"in one process": (), "1 worker": ("--workers", "1"), "2 workers": ("--workers", "2")}
NIGHT = [sys.executable, "-c", "from pipeline.cli import main; main()", "night"]
_PARTS = re.compile(r"(reading and computing|writing NetCDF|drawing pictures) took ([\d.]+) s")


def lay_out(folder: Path) -> list[str]:
    """Return sites of fifty tubes, each with a day of readings every ten minutes."""
    made = []
    for number in range(SITES):
        site = big_field.describe_field(folder / f"site-{number}", TUBES)
        text = (site / "site.toml").read_text()
        (site / "site.toml").write_text(text.replace('id = "bench"', f'id = "b{number}"'))
        made.append(str(site))
    bring(made, 0)
    return made


def bring(sites: list[str], day: int) -> None:
    for site in sites:
        big_field.write_days(Path(site), TUBES, day, 1)


def one_night(sites: list[str], state: Path, day: int, ways: tuple[str, ...]) -> float:
    """Return the wall seconds of the command for the night after a day."""
    now = f"2023-01-{day + 2:02d}T00:00Z"
    begun = time.perf_counter()
    ran = subprocess.run(
        [*NIGHT, *sites, *ways, "--now", now],
        env={**os.environ, "PERCOLOG_STATE": str(state)},
        capture_output=True,
        text=True,
        check=False,
    )
    seconds = time.perf_counter() - begun
    if ran.returncode not in (0, 3) or "going on without" in ran.stderr:
        raise RuntimeError(f"exit code {ran.returncode}: {ran.stderr[-2000:]}")
    parts = {name: 0.0 for name in ("reading and computing", "writing NetCDF")}
    for name, took in _PARTS.findall(ran.stderr):
        parts[name] = parts.get(name, 0.0) + float(took)
    print(f"  {' '.join(ways) or 'one process'}: {seconds:.1f} s;", parts, flush=True)
    return seconds


def test_nights_of_many_sites_shared_out(tmp_path):
    """No target but that two workers gain: first nights and second ones, each way."""
    print(f"\n{SITES} sites of {TUBES} tubes, {os.cpu_count()} cores, load {os.getloadavg()}")
    one_night(lay_out_small(tmp_path / "warm"), tmp_path / "warm-state", 0, ())
    seconds: dict[str, list[float]] = {}
    for way, options in WAYS.items():
        sites = lay_out(tmp_path / way.replace(" ", "-"))
        state = tmp_path / f"state-{len(seconds)}"
        seconds[way] = [one_night(sites, state, 0, options)]
        bring(sites, 1)
        seconds[way].append(one_night(sites, state, 1, options))
    floor = seconds["in one process"]
    for way, found in seconds.items():
        ratios = [base / mine for base, mine in zip(floor, found, strict=True)]
        print(
            f"{way}: first night {found[0]:.0f} s (times {ratios[0]:.2f}), second "
            f"{found[1]:.0f} s (times {ratios[1]:.2f}), {found[1] / SITES:.2f} s a site"
        )
    print(f"load at the end {os.getloadavg()}")
    assert seconds["2 workers"][1] < seconds["1 worker"][1]


def lay_out_small(folder: Path) -> list[str]:
    """Return one site of five tubes, to have all code compiled."""
    site = big_field.describe_field(folder / "site", 5)
    big_field.write_days(site, 5, 0, 1)
    return [str(site)]
