"""Feed broken bytes to every parser and tell what broke.

    make fuzz SECONDS=600
    make fuzz REPLAY=out/fuzz/table-3-0123abcd.bin

For any bytes: nothing but the project's own errors is raised (a warning counts as raised), the
account of a file that was read closes, and time and memory stay within a bound that grows with
the input. Inputs whose outcome was not seen before are kept and changed further. A finding is
saved, and the exit code is then 1.
"""

from __future__ import annotations

import argparse
import faulthandler
import hashlib
import math
import random
import resource
import sys
import time
import traceback
import tracemalloc
import warnings
from collections import Counter
from pathlib import Path

from mutate import MOST_BYTES, mutate
from seeds import BrokenPromise, Seed, all_seeds

# Processor time a call may take: of a page, and of each byte. Measured: a fifth of it at most.
LEAST_S, S_A_BYTE = 2.0, 50e-6
HANG_S = 60  # of wall time; then the process is ended, with the place where it hung
# Memory Python and numpy may take at their peak, of a page and of each byte; an archive may
# expand to a floor by itself.
LEAST_MEMORY, MEMORY_A_BYTE = 16 * 1024**2, 200
ARCHIVE_MEMORY = 160 * 1024**2
RSS_GROWTH = 1024**3  # of the whole run; compiled code's own arrays are seen only here
TRACED_EVERY = 25  # calls; tracing memory is slow


class Fuzzer:
    """The inputs kept so far, what was done, and what was found."""

    def __init__(self, seeds: list[Seed], folder: Path, seed: int) -> None:
        self.chance, self.folder = random.Random(seed), folder
        self.kept = {s.name: [s.data] for s in seeds}
        self.seeds = seeds
        self.seen: set[tuple[str, str]] = set()
        self.runs: Counter[str] = Counter()
        self.findings: Counter[str] = Counter()
        self.slowest: dict[str, float] = dict.fromkeys((s.format for s in seeds), 0.0)
        self.hungriest = dict(self.slowest)
        folder.mkdir(parents=True, exist_ok=True)
        for s in seeds:  # compiles, so that the bounds hold afterwards
            self.seen.add((s.name, s.read(s.data)))
        self.rss = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss

    def run(self, seconds: float, executions: float = math.inf) -> None:
        """Change and read inputs for so long, of each format for the same time.

        ``executions`` ends the run earlier; with one format the same seed then tries the same
        inputs on a slow machine as on a fast one.
        """
        spent = dict.fromkeys(sorted({s.format for s in self.seeds}), 0.0)
        began, number = time.monotonic(), 0
        while time.monotonic() - began < seconds and number < executions:
            format_ = min(spent, key=lambda name: spent[name])
            before = time.monotonic()
            seed = self.chance.choice([s for s in self.seeds if s.format == format_])
            data = self.chance.choice(self.kept[seed.name])
            others = self.kept[self.chance.choice(self.seeds).name]
            number += 1
            self.try_one(seed, mutate(self.chance, data, others), number % TRACED_EVERY == 0)
            spent[format_] += time.monotonic() - before

    def try_one(self, seed: Seed, data: bytes, is_traced: bool) -> None:
        """Read an input; keep it if what came of it is new, save it if that is a finding."""
        (self.folder / "current.bin").write_bytes(data)
        (self.folder / "current.name").write_text(seed.name)
        self.runs[seed.format] += 1
        faulthandler.dump_traceback_later(HANG_S, exit=True)
        try:
            outcome = self._watched(seed, data, is_traced)
        except Exception:
            self._save(seed, data)
            return
        finally:
            faulthandler.cancel_dump_traceback_later()
        if (seed.name, outcome) not in self.seen and len(self.kept[seed.name]) < 500:
            self.seen.add((seed.name, outcome))
            self.kept[seed.name].append(data)

    def _watched(self, seed: Seed, data: bytes, is_traced: bool) -> str:
        """Read an input within the bounds of time and memory."""
        began = time.process_time()
        if is_traced:
            tracemalloc.start()
        try:
            outcome = seed.read(data)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        took = time.process_time() - began
        if not is_traced:
            self._hold(seed, "seconds", took, LEAST_S + S_A_BYTE * len(data), self.slowest)
        more = ARCHIVE_MEMORY if seed.format in ("archive", "sniff") else 0
        most = LEAST_MEMORY + MEMORY_A_BYTE * len(data) + more
        self._hold(seed, "bytes", peak, most, self.hungriest)
        rss = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        if rss - self.rss > RSS_GROWTH // 1024:
            self.rss = rss
            raise BrokenPromise("the process has grown by more than a gigabyte")
        return outcome

    @staticmethod
    def _hold(
        seed: Seed, unit: str, used: float, most: float, record: dict[str, float]
    ) -> None:
        """Raise if more was used than the most allowed; remember the largest share of it."""
        record[seed.format] = max(record[seed.format], used / most)
        if used > most:
            raise BrokenPromise(f"took {used:.3g} {unit}, at most {most:.3g} are allowed")

    def _save(self, seed: Seed, data: bytes) -> None:
        """Save a finding and tell it; the same trace is told once."""
        text = traceback.format_exc()
        frames = [line for line in text.splitlines() if line.startswith("  File")]
        trace = hashlib.sha256("".join(frames[-3:]).encode()).hexdigest()[:8]
        name = f"{seed.name}-{trace}.bin"
        self.findings[name] += 1
        if self.findings[name] == 1:
            (self.folder / name).write_bytes(data)
            print(f"\nFOUND {self.folder / name} ({len(data)} bytes)\n{text}", flush=True)

    def report(self) -> str:
        """Return what was done, a line a format."""
        lines = []
        for format_, runs in sorted(self.runs.items()):
            kept = sum(len(self.kept[s.name]) for s in self.seeds if s.format == format_)
            time_, memory = self.slowest[format_], self.hungriest[format_]
            lines.append(
                f"{format_:8} {runs:8} executions, {kept:4} inputs kept, "
                f"time {time_:.0%} and memory {memory:.0%} of what is allowed"
            )
        total = sum(self.runs.values())
        return "\n".join([*lines, f"{total} executions, {len(self.findings)} findings"])


def main() -> int:
    """Run as the command line says; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--seed", type=int, default=None, help="of the random changes")
    parser.add_argument("--out", type=Path, default=Path("out/fuzz"))
    parser.add_argument("--replay", type=Path, help="read a saved finding again")
    options = parser.parse_args()
    warnings.simplefilter("error")
    seeds = all_seeds()
    if options.replay:
        name = "-".join(options.replay.name.split("-")[:2])
        (seed,) = [s for s in seeds if s.name == name]
        print(seed.read(options.replay.read_bytes()))
        return 0
    number = time.time_ns() if options.seed is None else options.seed
    print(f"seed {number}, inputs up to {MOST_BYTES} bytes", flush=True)
    fuzzer = Fuzzer(seeds, options.out, number)
    fuzzer.run(options.seconds)
    print(fuzzer.report())
    return 1 if fuzzer.findings else 0


if __name__ == "__main__":
    sys.exit(main())
