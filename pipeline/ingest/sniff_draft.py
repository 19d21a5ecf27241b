"""A layout in the making."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass
class Draft:
    """The form of a layout as TOML has it, and what is sure and unsure about it."""

    form: dict[str, Any]
    kind: str = "table"
    facts: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
