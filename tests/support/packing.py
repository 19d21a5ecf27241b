"""Raw files packed and unpacked where they lie, as housekeeping does."""

from __future__ import annotations

import gzip
import hashlib
import io
import lzma
import zipfile
from pathlib import Path

from pipeline.ingest.ledger import FileEntry


def zipped(data: bytes, name: str = "export.csv") -> bytes:
    """Return a zip with one member."""
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, data)
    return sink.getvalue()


PACK = {".gz": gzip.compress, ".xz": lzma.compress, ".zip": zipped}


def entry_of(data: bytes, path: str, stored: bytes | None = None) -> FileEntry:
    """Return the account of a file; ``stored`` is what lies on the disk."""
    disk = data if stored is None else stored
    digest = hashlib.sha256
    return FileEntry(
        1, "logger-a", path, 0, "read", len(disk), 0, digest(disk).hexdigest(), "",
        content_size=len(data), content_sha256=digest(data).hexdigest(),
    )  # fmt: skip


def pack(path: Path, to: str = "") -> Path:
    """Pack a file to ``to``, by its ending, by default its name and ".gz"; return it."""
    target = path.with_name(to or f"{path.name}.gz")
    content = path.read_bytes()
    path.unlink()
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(PACK[target.suffix](content))
    return target


def unpack(path: Path, to: str) -> Path:
    """Unpack a gzip file to ``to`` in its folder; return that."""
    target = path.with_name(to)
    content = gzip.decompress(path.read_bytes())
    path.unlink()
    target.write_bytes(content)
    return target
