"""Compiled kernels, kept between runs under the very source they came from.

numba keeps compiled code under the stamp of the file a function is in. What the function calls
from another file is compiled into it but not watched, so after an update it could go on with
old arithmetic. Here the folder of compiled code is named by a hash of every file that holds a
kernel: another source, another folder.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import numba

_PACKAGE = Path(__file__).parent
_MARK = b"@kernel"


def kernel(function: Callable | None = None, *, inline: str = "never") -> Any:
    """Compile a function when it is first called, without the interpreter's lock.

    Parameters
    ----------
    function : callable
        Written in numba's subset of Python.
    inline : str
        "always" puts the function's body into its callers.

    Notes
    -----
    numba takes the folder from a setting while it decorates; the setting is put back, so that
    a user's own compiled functions stay where they were.
    """

    def decorate(target: Callable) -> Any:
        folder = _folder()
        settings: Any = numba.config
        before = settings.CACHE_DIR
        settings.CACHE_DIR = folder or before
        try:
            options: dict[str, Any] = {"cache": folder is not None, "inline": inline}
            return numba.njit(nogil=True, **options)(target)
        finally:
            settings.CACHE_DIR = before

    return decorate if function is None else decorate(function)


def source_hash() -> str:
    """Return a hash of numba's version and all files that hold kernels."""
    digest = hashlib.sha256(numba.__version__.encode())
    for path in sorted(_PACKAGE.rglob("*.py")):
        text = path.read_bytes()
        if _MARK in text:
            digest.update(path.relative_to(_PACKAGE).as_posix().encode() + b"\0" + text)
    return digest.hexdigest()[:16]


@lru_cache(maxsize=1)
def _folder() -> str | None:
    """Return a folder for compiled code; None where nothing can be written.

    Beside the package if that can be written, else in the user's cache folder.
    """
    user = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    for parent in (_PACKAGE / "__pycache__", user / "percolog"):
        folder = parent / f"kernels-{source_hash()}"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=folder):
                return str(folder)
        except OSError:
            continue
    return None
