"""One night's intake: raw files into the readings cube and the ledger, within one commit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.errors import Problem, ReaderError
from pipeline.ingest import read_by
from pipeline.ingest.again import (
    Emptied,
    bereft,
    is_other,
    may_be_missed,
    reopened,
    surroundings,
)
from pipeline.ingest.cells import CellWriter
from pipeline.ingest.clock import ALONE
from pipeline.ingest.clock_around import Around
from pipeline.ingest.discover import (
    Found,
    Opened,
    discover,
    is_known,
    no_memory,
    open_file,
    still_begins,
)
from pipeline.ingest.growth import Growth, carry_on, grown_edges, is_settled, read_growth
from pipeline.ingest.ledger import FileEntry, Ledger
from pipeline.ingest.merge import Ranks
from pipeline.ingest.neighbours import around_text
from pipeline.ingest.place import Axes, Bench, Placed, file_edges, place
from pipeline.ingest.readers import READERS
from pipeline.ingest.records import ParsedFile, unreadable
from pipeline.ingest.redescribed import (
    lost_files,
    moved_elsewhere,
    spare_untouched,
    taken_over,
)
from pipeline.ingest.rounds_book import RoundsBook
from pipeline.ingest.shrunk import shrunk
from pipeline.ingest.superseded import Superseded
from pipeline.ingest.whereabouts import under_known_names
from pipeline.site.fingerprint import source_fingerprint
from pipeline.site.models import Site
from pipeline.store.state import Snapshot, Writer

# Files are read this many at a time and merged together; bounds memory and saves rewriting.
BATCH_BYTES = 64 * 1024**2
WORKERS = 2


@dataclass
class Intake:
    """What a night brought.

    ``changed`` marks, for each tube and day, whether a logged value or its time differs from
    the state before; ``station_days`` the same for each station: rain, supply and the like.
    ``there`` are the files found, each by source and path.
    """

    ledger: Ledger
    changed: NDArray[np.bool_]
    station_days: NDArray[np.bool_]
    read: list[FileEntry] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    there: frozenset[tuple[str, str]] = frozenset()


def take_in(
    writer: Writer, before: Snapshot | None, site: Site, now_s: int, known_only: bool = False
) -> Intake:
    """Read every new, grown or newly described file of a site into its store.

    Parameters
    ----------
    writer : Writer
        The state being prepared.
    before : Snapshot or None
        The state it starts from, to tell what changed; None on the first night.
    site : Site
        The site description.
    now_s : int
        The present as UTC seconds; later stamps are in the future.
    known_only : bool
        Leave new and grown files alone; only those described otherwise are read again.
    """
    _prepare_axes(writer, site)
    ledger = Ledger.from_table(writer.table("ledger"))
    found, problems = discover(site)
    prints = {source.id: source_fingerprint(site, source.id) for source in site.sources}
    spared = spare_untouched(ledger, prints, before, site)
    found = under_known_names(found, ledger)
    taken = taken_over(ledger, found, known_only)
    found += moved_elsewhere(ledger, prints, found, site)
    due = [f for f in found if not is_known(f, ledger, prints[f.source])]
    if known_only:
        due = [f for f in due if _is_redescribed(ledger.current(f.source, f.path), prints)]
    run = _Run(writer, site, ledger, prints, now_s)
    run.forget_redescribed(found, taken)
    for batch in run.batches(due):
        run.take(batch)
    if due or spared:
        run.finish(found)
    read_by.keep(writer, before, ledger, prints, site)
    there = frozenset((f.source, f.path) for f in found)
    changed, station_days = run.cells.changed(before)
    return Intake(
        ledger=ledger,
        changed=changed,
        station_days=station_days,
        read=list(run.read.values()),
        problems=[*problems, *run.problems, *lost_files(ledger, prints, there)],
        there=there,
    )


class _Run:
    """The state of one intake."""

    def __init__(
        self, writer: Writer, site: Site, ledger: Ledger, prints: dict[str, str], now_s: int
    ) -> None:
        self.site, self.ledger, self.prints, self.writer = site, ledger, prints, writer
        self.superseded = Superseded(writer.table("superseded"))
        self.rounds = RoundsBook(writer.table("rounds"), writer.table("rounds_superseded"))
        self.cells = CellWriter(writer, ledger, self.superseded)
        self.read: dict[int, FileEntry] = {}
        self.problems: list[Problem] = []
        self._batch = 0
        self._emptied: list[Emptied] = []
        self._read_whole: dict[int, int] = {}  # by file, the batch
        self._replaced: list[tuple[FileEntry, FileEntry]] = []  # before, and in its place
        axes = Axes(
            tube={name: i for i, name in enumerate(writer.labels["tube"])},
            depth={depth: i for i, depth in enumerate(writer.labels["depth"])},
            station={name: i for i, name in enumerate(writer.labels["station"])},
        )
        self.benches = {source.id: Bench(site, source, axes, now_s) for source in site.sources}

    def forget_redescribed(self, found: list[Found], taken: list[FileEntry]) -> None:
        """Empty the cells of files whose source is described otherwise now, or as another.

        Only files that still lie there as they were are emptied, since only they can be read
        again. Those in ``taken`` are read for another source.
        """
        there = {(f.source, f.path): f for f in found}
        entries = [
            entry
            for entry in self.ledger.entries.values()
            if entry.state != "replaced"
            and (entry.source, entry.path) in there
            and entry.fingerprint != self.prints[entry.source]
            and still_begins(there[entry.source, entry.path], entry)
        ]
        entries += taken
        stale = {entry.file for entry in entries}
        if stale:
            starts = [entry.first_s for entry in entries if entry.first_s is not None]
            stops = [entry.last_s for entry in entries if entry.last_s is not None]
            if starts and stops:
                self.cells.forget(stale, (min(starts), max(stops)))
            self.superseded.forget(stale)
            self.rounds.forget(stale)
            self._give_back(self.superseded.take_freed(self.cells.winners))
        for entry in taken:
            self.ledger.drop(entry)

    def batches(self, due: list[Found]) -> Iterator[list[Opened]]:
        """Open files in order and yield them by batches of bounded size."""
        return self._batched(filter(None, map(self._open, due)))

    def _batched(self, files: Iterable[Opened]) -> Iterator[list[Opened]]:
        batch: list[Opened] = []
        size = 0
        for opened in files:
            batch.append(opened)
            size += len(opened.data)
            # Nothing may be merged between a file's opening and its account, so a batch ends
            # with the file that fills it.
            if size >= BATCH_BYTES:
                yield batch
                batch, size = [], 0
        if batch:
            yield batch

    def take(self, opened: list[Opened], around: Mapping[int, Around] | None = None) -> None:
        """Read, place and merge a batch of files, with the rows around some of them."""
        self._batch += 1
        ranks = Ranks.of(self.ledger.sort_keys())
        sides = [(around or {}).get(file.entry.file, ALONE) for file in opened]
        with ThreadPoolExecutor(WORKERS) as pool:
            results = list(pool.map(self._parse, opened, sides))
        freed = self._forget_reread(opened, [parsed for parsed, _ in results])
        for file, (parsed, placed) in zip(opened, results, strict=True):
            self._account(file, parsed, placed)
            if file.replaced is not None:
                self._replaced.append((file.replaced, file.entry))
            if isinstance(placed, Placed):
                for quantity, readings in placed.readings.items():
                    self.cells.gather(quantity, readings)
            if isinstance(parsed, ParsedFile) and parsed.rounds is not None:
                bench = self.benches[file.entry.source]
                layout = self.site.layouts[bench.source.layout]
                self.rounds.add(parsed.rounds, bench, layout, file.entry)
        self._give_back(freed)
        self.cells.flush(ranks)

    def finish(self, found: list[Found]) -> None:
        """Settle what depends on all files, and put the tables into the store."""
        self.cells.flush(Ranks.of(self.ledger.sort_keys()))
        around, entries = surroundings(self.ledger), self.ledger.entries
        due = {file for file, rows in around.items() if is_other(rows, entries[file])}
        self._read_again(due, found, around)
        self._read_again(self._bereft(), found, around)
        self._tell_of_shrunk()
        ranks = Ranks.of(self.ledger.sort_keys())
        for file, repeats in self.superseded.settle(ranks, self.cells.winners).items():
            self.ledger.entries[file].superseded -= repeats
            self.ledger.entries[file].duplicates += repeats
        repeated, corrected = self.rounds.settle(self.ledger.sort_keys())
        for file in sorted({*repeated, *corrected}):
            entry = self.ledger.entries[file]
            entry.stored -= repeated[file] + corrected[file]
            entry.duplicates += repeated[file]
            entry.superseded += corrected[file]
        self.writer.put_table("ledger", self.ledger.to_table())
        self.writer.put_table("superseded", self.superseded.to_table())
        self.writer.put_table("rounds", self.rounds.to_table())
        self.writer.put_table("rounds_superseded", self.rounds.superseded_table())

    def _tell_of_shrunk(self) -> None:
        """Tell of files in whose place a shorter one was found tonight."""
        for before, entry in self._replaced:
            source = self.benches[entry.source].source
            after = self.ledger.entries[entry.file]
            interval_s = source.interval_s or self.site.interval_s
            problem = shrunk(before, after, None if source.kind == "rounds" else interval_s)
            if problem is not None:
                self.problems.append(problem)

    def _read_again(
        self, files: set[int], found: list[Found], around: Mapping[int, Around]
    ) -> None:
        """Read files once more, with the rows around those that need them."""
        for batch in self._batched(reopened(files, self.ledger, found)):
            self.take(batch, around)

    def _bereft(self) -> set[int]:
        """Return files with duplicates of what was taken back."""
        stores = (self.cells, self.superseded, self.ledger)
        return bereft(self._emptied, stores, self._read_whole, self.site.axis)

    def _forget_reread(self, opened: list[Opened], parsed: list[object]) -> pd.DataFrame:
        """Empty the cells of files that were read before and are read whole again.

        A longer file may take back what the shorter one said: a second, different answer on a
        bus spoils the first. What another file said otherwise then has the cell back; those
        readings are returned. What another file said alike was a duplicate, of which only the
        count is kept: `finish` has that file read again.
        """
        whole = [
            file
            for file, content in zip(opened, parsed, strict=True)
            if isinstance(content, ParsedFile)
        ]
        self._read_whole |= {file.entry.file: self._batch for file in whole}
        again = [
            file.before for file in whole if file.before and file.before.first_s is not None
        ]
        if not again:
            return self.superseded.none()
        files = {entry.file for entry in again}
        starts = [entry.first_s for entry in again if entry.first_s is not None]
        stops = [entry.last_s for entry in again if entry.last_s is not None]
        held = self.cells.forget(files, (min(starts), max(stops)))
        gone = self.superseded.forget(files)
        if may_be_missed(files, self.ledger):
            self._emptied.append(Emptied(self._batch, held, gone))
        return self.superseded.take_freed(self.cells.winners)

    def _give_back(self, freed: pd.DataFrame) -> None:
        """Let superseded readings compete for cells that were emptied."""
        for file in freed["file"].tolist():
            self.ledger.entries[file].superseded -= 1
        self.cells.gather_rows(freed)

    def _open(self, found: Found) -> Opened | None:
        try:
            return open_file(found, self.ledger, self.prints[found.source])
        except ReaderError as error:
            self.problems.append(error.problem)
            return None

    def _parse(
        self, file: Opened, around: Around
    ) -> tuple[ParsedFile | Growth | ReaderError, Placed | None]:
        """Run the source's reader and place its tables; a file that fails is set aside."""
        bench = self.benches[file.entry.source]
        layout = self.site.layouts[bench.source.layout]
        if file.refused is not None:
            return file.refused, None
        if file.known is not None:
            growth = read_growth(file.data, file.known, bench)
            if growth is not None:
                placed = place(growth.tables, bench, file.entry.file)
                placed.edges = grown_edges(file.known, growth, bench)
                if is_settled(placed):
                    return growth, placed
        try:
            parsed = READERS[bench.source.kind](file.data, layout, file.entry.path)
        except ReaderError as error:
            return error, None
        except MemoryError:  # of which there may be enough another night
            file.entry.retry = True
            return ReaderError(no_memory(file.entry.path, len(file.data))), None
        placed = place(parsed.tables, bench, file.entry.file, around)
        placed.edges, placed.around = file_edges(parsed.tables, bench), around_text(around)
        return parsed, placed

    def _account(
        self, file: Opened, parsed: ParsedFile | Growth | ReaderError, placed: Placed | None
    ) -> None:
        """Begin a file's account or go on with it; stored values are added when merged."""
        entry = file.entry
        if isinstance(parsed, ReaderError) or placed is None:
            if isinstance(parsed, ReaderError):
                self.problems.append(parsed.problem)
                self._set_aside(file, parsed.problem)
            return
        self.read[entry.file] = entry
        if isinstance(parsed, ParsedFile):
            entry.begin(parsed)
        elif file.known is not None:
            carry_on(entry, file.known, parsed)
        entry.clock, entry.edges, entry.around = placed.clock, placed.edges, placed.around
        entry.repairs += placed.repairs
        for reject in placed.rejects:
            entry.reject(reject)
            entry.retry = entry.retry or reject.reason == "in_future"
        if placed.span is not None:
            entry.seen(*placed.span)

    def _set_aside(self, file: Opened, problem: Problem) -> None:
        """Enter a file that cannot be read; what was read before it grew stands."""
        if file.before is not None:
            self.ledger.add(file.before)  # its size is the old one, so it is tried each night
            return
        self.read[file.entry.file] = file.entry
        file.entry.state = "set aside"
        file.entry.reject(unreadable(problem))


def _is_redescribed(entry: FileEntry | None, prints: dict[str, str]) -> bool:
    """Tell whether a file that was read is described otherwise now."""
    return entry is not None and entry.fingerprint != prints[entry.source]


def _prepare_axes(writer: Writer, site: Site) -> None:
    """Give the store the labels the description names; none is ever moved or dropped."""
    writer.widen("tube", [tube.tube for tube in site.tubes])
    writer.widen("depth", list(site.depths_m))
    writer.widen("station", list(site.stations))
    for quantity in sorted({wire.quantity for wire in site.wiring}):
        for suffix in ("", "_file", "_line", "_offset_s"):
            writer.ensure(f"readings/{quantity}{suffix}")
