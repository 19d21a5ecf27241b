"""Sound inputs of every format, from which the fuzzer starts, and how each is read."""

from __future__ import annotations

import random
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from bus_session import Session
from sent_field import FAULTS, Field
from sent_pages import pack

from pipeline.errors import ReaderError, SiteError
from pipeline.ingest.archives import expand
from pipeline.ingest.readers import READERS
from pipeline.ingest.records import ParsedFile
from pipeline.ingest.sniff import sniff
from pipeline.site.layout import Layout, TranscriptForm
from pipeline.site.load import load_site

SITE = Path(__file__).parents[1] / "site" / "field"
# Every way a transcript can be laid out that changes how its lines are read.
TRANSCRIPTS = (
    {},
    {"joined": True},
    {"sent": "", "received": ""},
    {"answers": ("MC:2", "C:3")},
    {"stampPosition": "after"},
    {"stamp": "y-M-d H:m:s"},
)


class BrokenPromise(AssertionError):
    """Bytes that broke what the project promises about any bytes."""


@dataclass(frozen=True)
class Seed:
    """A sound input; ``read`` takes any bytes in its place and tells what came of them.

    What it tells is short and the same for inputs that are alike, so that the fuzzer sees
    which inputs are worth keeping. It raises nothing but what is a finding.
    """

    format: str
    number: int
    data: bytes
    read: Callable[[bytes], str]

    @property
    def name(self) -> str:
        """Return what names the seed on the command line and in files of findings."""
        return f"{self.format}-{self.number}"


def all_seeds() -> list[Seed]:
    """Return the seeds of all formats; the same on every run."""
    seeds = []
    for format_, cases in (
        ("table", _tables(("logger", "long"))),
        ("rounds", _tables(("book",))),
        ("sdi12", _transcripts()),
        ("archive", _archives()),
        ("sniff", _samples()),
        ("site", _site_files()),
    ):
        seeds += [Seed(format_, n, data, read) for n, (data, read) in enumerate(cases)]
    return seeds


Case = tuple[bytes, Callable[[bytes], str]]


def _fields() -> Iterator[Field]:
    for number in range(8):
        yield Field(random.Random(number), frozenset(FAULTS), Path("nowhere"))


def _tables(sources: tuple[str, ...]) -> Iterator[Case]:
    for field in _fields():
        for source in sources:
            kind = "rounds" if source == "book" else "table"
            data = field.send(0, source).content.data
            yield data, _reads(kind, field.site.layouts[source])


def _transcripts() -> Iterator[Case]:
    for number, form in enumerate(TRANSCRIPTS):
        session = Session(random.Random(number)).run("01aZ")
        layout = Layout(id="bus", transcript=TranscriptForm.model_validate(form))
        yield session.text(), _reads("sdi12", layout)


def _reads(kind: str, layout: Layout) -> Callable[[bytes], str]:
    def read(data: bytes) -> str:
        try:
            parsed = READERS[kind](data, layout, "f")
        except ReaderError as error:
            return error.problem.expected
        check_account(parsed, len(data))
        return " ".join(sorted({reject.reason for reject in parsed.rejects}))

    return read


def check_account(parsed: ParsedFile, size: int) -> None:
    """Raise unless the account of a file of so many bytes closes."""
    if not parsed.rows_close():
        raise BrokenPromise(f"the rows do not close: {parsed}")
    counts = (parsed.rows_with_values, parsed.rows_without_values, parsed.nulls)
    amounts = [n for r in parsed.rejects for n in (r.rows, r.values, r.first_line)]
    if min(*counts, *amounts, 0) < 0:
        raise BrokenPromise(f"less than nothing was counted: {parsed}")
    for table in parsed.tables:
        lengths = {len(table.line), len(table.stamp_s), *map(len, table.columns.values())}
        if len(lengths) != 1:
            raise BrokenPromise(f"columns of different lengths: {lengths}")
        if len(table.line) and not 1 <= table.line.min() <= table.line.max() <= size:
            raise BrokenPromise(f"a line the file does not have: {table.line.max()}")


def _archives() -> Iterator[Case]:
    data = Session(random.Random(1)).run("01").text()
    for ending in (".gz", ".xz", ".zip"):

        def read(packed: bytes, name: str = f"f{ending}") -> str:
            try:
                return f"{len(expand(packed, name)).bit_length()} bits"
            except ReaderError as error:
                return error.problem.found[:40]

        yield pack(data, ending), read
        yield pack(bytes(300_000), ending), read


def _samples() -> Iterator[Case]:
    def read(data: bytes) -> str:
        proposal = sniff(data, "f.txt")
        return f"{proposal.kind} {bool(proposal.layout)} {len(proposal.doubts)}"

    field = next(_fields())
    for source in ("logger", "long", "book", "bus"):
        yield field.send(0, source).content.data, read


def _site_files() -> Iterator[Case]:
    for path in sorted(SITE.rglob("*.*")):
        yield path.read_bytes(), _loads(path.relative_to(SITE).as_posix())


def _loads(name: str) -> Callable[[bytes], str]:
    def read(data: bytes) -> str:
        with tempfile.TemporaryDirectory() as scratch:
            for path in SITE.rglob("*.*"):
                other = Path(scratch, path.relative_to(SITE))
                other.parent.mkdir(exist_ok=True)
                other.write_bytes(path.read_bytes())
            Path(scratch, name).write_bytes(data)
            try:
                load_site(Path(scratch))
            except SiteError as error:
                return " ".join(sorted({problem.expected[:30] for problem in error.problems}))
        return "sound"

    return read
