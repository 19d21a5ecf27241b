"""Kills nights at random instants and looks at what is left.

``python tests/kills/kill.py ROUNDS [SEED] [--draw]`` runs it by hand; every fourth round kills
a delivery instead, see `kill_delivery`. A round copies a site
that has had its first night, starts the second, kills it without warning, and then asks:

- does the store open, with either the state before or the whole state after in it;
- does a night that is simply started again end with the same arrays, tables and delivered
  values as one that was never killed, with accounts that close and nothing damaged;
- is no temporary file left.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from abc import ABC, abstractmethod
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import netCDF4
import numpy as np

from pipeline.accounts.verify import verify_site
from pipeline.nights import night
from pipeline.store.cubes import SPECS

HERE = Path(__file__).parent
SITE = HERE.parent / "site" / "field"
HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"
ROUND = "time;tube;direction;10;30;50\n2023-03-11 09:00;T1;1;20.1;25.2;28.0\n"
# By which the time is changed in which the signal comes: about one in ten comes too late.
SHORTER, LONGER = 0.9, 1.012
# Of a state and its files: what names the instant, and so differs between two nights alike.
_OF_THE_INSTANT = {"modified_ns"}
_NIGHT_TABLES = {"day_nights"}


def export(day: int) -> str:
    return HEADER + "".join(
        f"{day:02d}.03.2023 {h:02d}:{m:02d};{300 + 3 * h + day},5;{400 + m};0,2\n"
        for h in range(24)
        for m in (0, 15, 30, 45)
    )


class Nursery:
    """A process that forks nights."""

    def __init__(self, site: Path, kind: str = "plain") -> None:
        self.kind = kind  # plain, draw or deliver
        self.process = subprocess.Popen(
            [sys.executable, str(HERE / "nursery.py"), str(site)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def begin(self, folder: Path, kind: str = "") -> int:
        return int(self._ask(f"{kind or self.kind} {folder}"))

    def run(self, folder: Path, kind: str = "") -> float:
        """Let a run come to its end; return how long it took [s]."""
        began = time.monotonic()
        self.begin(folder, kind)
        if self.wait() != 0:
            raise RuntimeError("a run that nobody killed failed")
        return time.monotonic() - began

    def wait(self) -> int:
        return int(self._ask("wait"))

    def end(self) -> None:
        self._pipe(self.process.stdin).close()
        self.process.wait()
        self._pipe(self.process.stdout).close()

    def _ask(self, line: str) -> str:
        pipe = self._pipe(self.process.stdin)
        pipe.write(line + "\n")
        pipe.flush()
        return self._pipe(self.process.stdout).readline()

    @staticmethod
    def _pipe(pipe):
        if pipe is None:
            raise RuntimeError("the nursery has no pipe")
        return pipe


@dataclass
class Outcome:
    """What the rounds showed."""

    rounds: int = 0
    finished: int = 0  # the night was over before the signal came
    states: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)


class Rounds(ABC):
    """Spoils copies of a prepared site, one a round; what is killed is up to the class.

    ``nursery`` forks what is killed, within ``seconds`` if nobody does.
    """

    def __init__(self, work: Path, seed: int, kind: str) -> None:
        self.work, self.chance = work, random.Random(seed)
        self.base, self.whole = work / "base", work / "whole"
        shutil.copytree(SITE, self.base)
        (self.base / "data").mkdir()
        bring(self.base, 10)
        self.nursery, self.seconds = Nursery(self.base, kind), 0.0

    def run(self, rounds: int) -> Outcome:
        outcome = Outcome()
        for number in range(rounds):
            self._round(number, outcome)
        self.nursery.end()
        return outcome

    def _round(self, number: int, outcome: Outcome) -> None:
        folder = self.work / f"round-{number}"
        shutil.copytree(self.base, folder)
        delay = self.chance.uniform(0, 1.05 * self.seconds)
        child = self.nursery.begin(folder)
        time.sleep(delay)
        os.kill(child, signal.SIGKILL)
        outcome.rounds += 1
        over = self.nursery.wait() == 0
        outcome.finished += over
        self.seconds *= SHORTER if over else LONGER  # a machine is not always as busy
        faults = [f"after {delay:.3f} s: {told}" for told in self._look(folder, outcome)]
        outcome.faults += faults
        if not faults:
            remove(folder)

    @abstractmethod
    def _look(self, folder: Path, outcome: Outcome) -> list[str]:
        """Return what is wrong after a kill, and after another run."""


class Killer(Rounds):
    """Kills nights."""

    def __init__(self, work: Path, seed: int, drawing: bool = False) -> None:
        super().__init__(work, seed, "draw" if drawing else "plain")
        self.nursery.run(self.base)
        self.before = state_of(self.base)
        bring(self.base, 11)  # what the night to be killed has to do
        shutil.copytree(self.base, self.whole)
        self.seconds = self.nursery.run(self.whole)
        self.after, self.files = state_of(self.whole), delivered_by(self.whole)

    def _look(self, folder: Path, outcome: Outcome) -> list[str]:
        faults = []
        left = state_of(folder)
        if not (told := differences(left, self.before)):
            outcome.states["before"] += 1
        elif not (told := differences(left, self.after)):
            outcome.states["after"] += 1
        else:
            faults += [f"killed: neither the state before nor after: {told}"]
        self.nursery.begin(folder)
        if self.nursery.wait() != 0:
            return [*faults, "the night started again failed"]
        faults += [f"again: {told}" for told in differences(state_of(folder), self.after)]
        faults += [f"again: {told}" for told in file_differences(folder, self.files)]
        faults += [
            f"verify: {p['file']} {p['found']}" for p in verify_site(folder)["problems"]
        ]
        return faults + [f"left behind: {path}" for path in leftovers(folder)]


def bring(folder: Path, day: int) -> None:
    """Put a day's export into a site's data, and from the second on a round."""
    logger, rounds = folder / "data" / "logger-a", folder / "data" / "rounds"
    for path in (logger, rounds):
        path.mkdir(parents=True, exist_ok=True)
    (logger / f"2023-03-{day}.csv").write_text(export(day), encoding="utf-8")
    if day > 10:
        (rounds / "first.csv").write_text(ROUND, encoding="utf-8")


def state_of(folder: Path) -> tuple[dict, dict]:
    snapshot = night.site_store(night.open_description(folder)).read()
    arrays = {key: snapshot.array(key)[:] for key in SPECS if snapshot.holds(key)}
    tables = {
        name: snapshot.table(name).to_pandas().drop(columns=_OF_THE_INSTANT, errors="ignore")
        for name in snapshot.tables()
        if name not in _NIGHT_TABLES
    }
    return arrays, tables


def differences(found: tuple[dict, dict], expected: tuple[dict, dict]) -> list[str]:
    told = [f"{k}: only on one side" for k in found[0].keys() ^ expected[0].keys()]
    told += [f"table {k}: only on one side" for k in found[1].keys() ^ expected[1].keys()]
    for key in found[0].keys() & expected[0].keys():
        one, other = found[0][key], expected[0][key]
        if one.shape != other.shape or one.tobytes() != other.tobytes():
            told.append(key)
    for name in found[1].keys() & expected[1].keys():
        if not found[1][name].equals(expected[1][name]):
            told.append(f"table {name}")
    return told


def delivered_by(folder: Path) -> dict[str, dict[str, bytes]]:
    """Return the raw values of every variable of every NetCDF file, by file name."""
    files = {}
    for path in sorted((folder / "out").rglob("*.nc")):
        with netCDF4.Dataset(path) as dataset:
            dataset.set_auto_maskandscale(False)
            files[path.name] = {
                name: np.asarray(variable[...]).tobytes()
                if variable.dtype is not str
                else "\0".join(variable[...].ravel().tolist()).encode()
                for name, variable in dataset.variables.items()
            }
    return files


def file_differences(folder: Path, expected: dict[str, dict[str, bytes]]) -> list[str]:
    found = delivered_by(folder)
    told = [f"{name}: only on one side" for name in found.keys() ^ expected.keys()]
    for name in found.keys() & expected.keys():
        if found[name] != expected[name]:
            told.append(f"{name}: other values")
    return told


def leftovers(folder: Path) -> list[str]:
    """Return temporary files: ours (.part, .unfinished) and those of the store's library."""
    return sorted(
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.suffix in (".part", ".unfinished") or "#" in path.name
    )


def remove(folder: Path) -> None:
    """Take a round's folder away; a delivered revision's own folders can only be read."""
    for path in [folder, *folder.rglob("*")]:
        if path.is_dir():
            path.chmod(0o755)
    shutil.rmtree(folder)


def main() -> None:
    from kill_delivery import DeliveryKiller  # which needs this module

    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    rounds, seed = (*numbers, 100, 1)[:2] if len(numbers) != 1 else (numbers[0], 1)
    faults = []
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as work:
        nights, deliveries = Path(work, "nights"), Path(work, "deliveries")
        nights.mkdir()
        deliveries.mkdir()
        for what, killer, part in (
            ("nights", Killer(nights, seed, "--draw" in sys.argv), rounds - rounds // 4),
            ("deliveries", DeliveryKiller(deliveries, seed), rounds // 4),
        ):
            outcome = killer.run(part)
            faults += outcome.faults
            print(
                f"{outcome.rounds} {what} killed, {outcome.finished} of them after they were "
                f"over; found {dict(outcome.states)}; {len(outcome.faults)} faults"
            )
    for fault in faults:
        print(f"  {fault}")
    sys.exit(bool(faults))


if __name__ == "__main__":
    main()
