"""A site description as read, before it is known to hold together: values and their places."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Generic, TypeVar

from pipeline.errors import Problem
from pipeline.site.layout import Layout
from pipeline.site.mistakes import Spot
from pipeline.site.models import (
    Decision,
    Law,
    Layer,
    QcLimits,
    QcOverride,
    Soil,
    Source,
    Tube,
    Visit,
    Wire,
)

T = TypeVar("T")


@dataclass(frozen=True)
class Placed(Generic[T]):
    """A value and the row or table it came from."""

    value: T
    spot: Spot


@dataclass
class Draft:
    """What could be read of a site description.

    The sets of names hold every name written down, also of entries that are wrong in another
    way, so that one mistake is not told again wherever the name is used. None means that the
    file could not be read at all and nothing can be said about its names.
    """

    sources: list[Placed[Source]] = field(default_factory=list)
    layouts: list[Placed[Layout]] = field(default_factory=list)
    tubes: list[Placed[Tube]] = field(default_factory=list)
    wires: list[Placed[Wire]] = field(default_factory=list)
    soils: list[Placed[Soil]] = field(default_factory=list)
    laws: list[Placed[Law]] = field(default_factory=list)
    visits: list[Placed[Visit]] = field(default_factory=list)
    decisions: list[Placed[Decision]] = field(default_factory=list)
    layers: list[Placed[Layer]] = field(default_factory=list)
    qc: Placed[QcLimits] | None = None
    overrides: list[Placed[QcOverride]] = field(default_factory=list)
    source_names: set[str] | None = None
    layout_names: set[str] | None = None
    tube_names: set[str] | None = None
    soil_names: set[str] | None = None
    law_names: set[str] | None = None
    offset_s: int = 0  # of the site's standard time
    unread_laws: set[tuple[object, int]] = field(default_factory=set)  # id, version
    unread_probes: set[str] = field(default_factory=set)  # that laws with mistakes name
    problems: list[Problem] = field(default_factory=list)
