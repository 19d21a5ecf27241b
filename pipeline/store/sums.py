"""Checksums of the store's own bookkeeping, kept beside it.

Chunks carry a checksum inside (see `pipeline.store.state`). The files that say which chunk is
where carry none: a flipped bit there may go unseen, or show as any error. Their hashes are
therefore kept in a text file beside the store, one line a file, added to after each commit
while the writer's lock is held. Files of the store are not changed once written, so that a
line stays true for as long as its file lives. Only thinning old states rewrites the snapshots
at the cut.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

# Folders of the store whose files are bookkeeping and never change; the one that does, the
# branch, is a line of text naming a snapshot.
_FOLDERS = ("manifests", "snapshots", "transactions")
_DIGEST_BYTES = 16


class StoreSums:
    """The checksums of one local store.

    Parameters
    ----------
    store : Path
        The store's folder; the checksums lie beside it, as ``NAME.sums``.
    """

    def __init__(self, store: Path) -> None:
        self.store = store
        self.path = store.with_name(f"{store.name}.sums")

    def update(self) -> int:
        """Add the files that have no line yet; return how many.

        A line that a crash cut short counts as none.
        """
        known = self._read()
        new = [name for name in self._files() if name not in known]
        if new:
            lines = "".join(f"{_digest(self.store / name)}  {name}\n" for name in sorted(new))
            with self.path.open("ab") as file:
                file.write(self._line_end() + lines.encode())
                file.flush()
                os.fsync(file.fileno())
        return len(new)

    def forget(self) -> None:
        """Drop all lines: the store is another one, in which a name may come again."""
        self.path.unlink(missing_ok=True)

    def release(self) -> None:
        """Drop the lines of snapshots, which are about to be rewritten where they lie.

        Otherwise a stop before `tidy` leaves lines of what was there before, and sound
        snapshots are told to be damaged from then on. The next write gives them new ones.
        """
        known = self._read()
        self._write({n: d for n, d in known.items() if not n.startswith("snapshots/")})

    def tidy(self) -> None:
        """Bring the lines up to date once old states have been thinned.

        Files that are gone lose theirs, and snapshots get new ones: cutting off a state's
        parents rewrites it in place.
        """
        known = self._read()
        kept = {
            name: known[name]
            for name in self._files()
            if name in known and not name.startswith("snapshots/")
        }
        for name in self._files():
            if name not in kept:
                kept[name] = _digest(self.store / name)
        self._write(kept)

    def _write(self, lines: dict[str, str]) -> None:
        text = "".join(f"{digest}  {name}\n" for name, digest in sorted(lines.items()))
        fresh = self.path.with_name(f".{self.path.name}.part")
        with fresh.open("wb") as file:
            file.write(text.encode())
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(self.path)

    def damaged(self) -> list[str]:
        """Return the files, relative to the store, that differ from their checksum."""
        known = self._read()
        return [
            name
            for name in sorted(self._files())
            if name in known and _digest(self.store / name) != known[name]
        ]

    def unknown(self) -> list[str]:
        """Return the files without a checksum: of a night cut off after its commit."""
        known = self._read()
        return sorted(name for name in self._files() if name not in known)

    def _files(self) -> Iterator[str]:
        for folder in _FOLDERS:
            try:
                with os.scandir(self.store / folder) as entries:
                    # The library's own temporary files have a '#' in their names.
                    yield from (f"{folder}/{e.name}" for e in entries if "#" not in e.name)
            except FileNotFoundError:
                continue

    def _read(self) -> dict[str, str]:
        try:
            lines = self.path.read_text("utf-8", errors="replace").splitlines(keepends=True)
        except FileNotFoundError:
            return {}
        pairs = (line.rstrip("\n").split("  ", 1) for line in lines if line.endswith("\n"))
        return {pair[1]: pair[0] for pair in pairs if len(pair) == 2}

    def _line_end(self) -> bytes:
        """Return what ends a line that a crash cut short, so that the next one is whole."""
        try:
            with self.path.open("rb") as file:
                file.seek(-1, os.SEEK_END)
                return b"" if file.read(1) == b"\n" else b"\n"
        except OSError:  # no file yet, or an empty one
            return b""


def _digest(path: Path) -> str:
    return hashlib.blake2b(path.read_bytes(), digest_size=_DIGEST_BYTES).hexdigest()
