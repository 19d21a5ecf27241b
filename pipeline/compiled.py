"""Compiled kernels, kept between runs under the very source they came from.

numba keeps compiled code under the stamp of the file a function is in. What the function calls
from another file, and the constants it takes from there, are compiled into it but not watched,
so after an update it could go on with old arithmetic. Here the folder of a file's compiled
code is named by a hash of that file and of all files of the package that it imports, directly
or not: another source, another folder, and an update compiles anew only what it changed.

Most kernels are only called by other kernels. numba would give each of them two more
functions, through which Python and C call it, and a version of its own for each constant it
is called with; they took a third of the time that a new machine compiles.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, overload

import numba
from numba.core.registry import CPUDispatcher

from pipeline.own_folder import home

_Function = TypeVar("_Function", bound=Callable)  # a kernel is called as it is written
_PACKAGE = Path(__file__).parent
_NAME = __package__
# Module and names of an import at the beginning of a line, the names perhaps over many lines.
_IMPORT = re.compile(rf"^from ({_NAME}[\w.]*) import (\([^)]*\)|.*)", re.MULTILINE)


@overload
def kernel(function: _Function) -> _Function: ...


@overload
def kernel(*, inline: str) -> Callable[[_Function], _Function]: ...


def kernel(function: Callable | None = None, *, inline: str = "never") -> Callable:
    """Compile a function when it is first called, without the interpreter's lock.

    Parameters
    ----------
    function : callable
        Written in numba's subset of Python.
    inline : str
        "always" puts the function's body into its callers.
    """
    settings: Any = numba.config

    def decorate(target: Callable) -> Callable:
        if settings.DISABLE_JIT:
            return target
        folder = _folder(target.__module__)
        options: dict[str, Any] = {"nopython": True, "nogil": True, "no_cfunc_wrapper": True}
        options |= {"boundscheck": None, "inline": inline}
        found = _Kernel(target, targetoptions=options)
        found.inner = _Inner(target, targetoptions=options | {"no_cpython_wrapper": True})
        if folder is not None:
            _keep(found, Path(folder))
            _keep(found.inner, Path(folder, "inner"))
        return found

    return decorate if function is None else decorate(function)


class _Inner(CPUDispatcher):
    """A kernel as kernels call it; Python cannot, since it has no way into it."""

    def get_call_template(self, args: Any, kws: Any) -> Any:
        """Take a constant for any number of its type, so that all share one version."""
        plain = tuple(numba.types.unliteral(kind) for kind in args)
        named = {name: numba.types.unliteral(kind) for name, kind in kws.items()}
        return super().get_call_template(plain, named)


class _Kernel(CPUDispatcher):
    """A kernel as Python calls it; within a kernel its name stands for the inner one."""

    inner: Any  # an _Inner; numba's own types take any dispatcher of a class for a method

    @property
    def _numba_type_(self) -> Any:
        return numba.types.Dispatcher(self.inner)


def _keep(dispatcher: CPUDispatcher, folder: Path) -> None:
    """Keep what is compiled in a folder.

    numba takes the folder from a setting; the setting is put back, so that a user's own
    compiled functions stay where they were.
    """
    settings: Any = numba.config
    before = settings.CACHE_DIR
    settings.CACHE_DIR = str(folder)
    try:
        dispatcher.enable_caching()
    finally:
        settings.CACHE_DIR = before


def source_hash(module: str) -> str:
    """Return a hash of numba's version, a module's source, and what it imports from here."""
    digest = hashlib.sha256(numba.__version__.encode())
    for name in _imported(module):
        digest.update(name.encode() + b"\0" + _source(name).encode())
    return digest.hexdigest()[:16]


def _imported(module: str) -> list[str]:
    """Return a module of the package and all that it imports from it, by name."""
    known, waiting = set(), [module]
    while waiting:
        name = waiting.pop()
        if name in known or _path(name) is None:
            continue
        known.add(name)
        for parent, names in _IMPORT.findall(_source(name)):
            inner = [f"{parent}.{word}" for word in re.findall(r"\w+", names)]
            waiting += [parent, *inner]  # of a module, or a module of a package
    return sorted(known)


def _path(module: str) -> Path | None:
    """Return the file of a module of the package; None where it is none."""
    package, *inner = module.split(".")
    base = _PACKAGE.joinpath(*inner)
    files = (base.with_suffix(".py"), base / "__init__.py") if package == _NAME else ()
    return next((path for path in files if path.is_file()), None)


def _source(module: str) -> str:
    path = _path(module)
    return "" if path is None else path.read_text(encoding="utf-8")


@cache
def _folder(module: str) -> str | None:
    """Return a folder for a module's compiled code; None where nothing can be written.

    Beside the package if that can be written, else in the user's cache folder. A module from
    elsewhere has none: what it imports is not watched.
    """
    if _path(module) is None:
        return None
    user = Path(os.environ.get("XDG_CACHE_HOME") or home() / ".cache")
    for parent in (_PACKAGE / "__pycache__", user / "percolog"):
        folder = parent / "kernels" / f"{module}-{source_hash(module)}"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=folder):
                return str(folder)
        except OSError:
            continue
    return None
