"""Plain values as the TOML of a layout file; the standard library only reads TOML."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any


def toml_text(form: Mapping[str, object]) -> str:
    """Return a mapping of plain values, tables and lists of tables as TOML."""
    return "\n".join(_table(form, ())) + "\n"


def _table(form: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[str]:
    """Yield the lines of a table: its values first, then the tables within."""
    for key, value in form.items():
        if not _is_table(value) and not _is_tables(value):
            yield f"{_key(key)} = {_value(value)}"
    for key, value in form.items():
        inner = (*path, _key(key))
        if _is_table(value):
            if any(not _is_table(held) and not _is_tables(held) for held in value.values()):
                yield ""
                yield f"[{'.'.join(inner)}]"
            yield from _table(value, inner)
        elif _is_tables(value):
            for item in value:
                yield ""
                yield f"[[{'.'.join(inner)}]]"
                for name, held in item.items():
                    yield f"{_key(name)} = {_value(held)}"


def _is_table(value: object) -> bool:
    return isinstance(value, Mapping)


def _is_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(map(_is_table, value))


def _key(key: str) -> str:
    plain = key.replace("_", "").replace("-", "")
    return key if plain.isascii() and plain.isalnum() else _value(key)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # A JSON string is a TOML basic string, but for the one control JSON leaves as it is.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, float):
        return f"{value:g}" if value != int(value) else str(int(value))
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(_value, value))}]"
    return str(value)
