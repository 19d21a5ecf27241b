"""The papers of a delivery: data dictionary, ``datapackage.json`` with checksums, and CHANGES.

The descriptor follows the Data Package specification of Frictionless (version 1): resources
with path, format, bytes and hash, tables with a Table Schema. Units have no property there and
stand under ``units``, CF standard names under ``standard_name``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.deliver.atomic import replacing
from pipeline.deliver.content import content_digest, file_digest
from pipeline.deliver.flat import Column
from pipeline.deliver.tables import write_table
from pipeline.site.models import Contact, Site

DESCRIPTOR, DICTIONARY, CHANGES = "datapackage.json", "dictionary.csv", "CHANGES.txt"
_FORMATS = {
    ".nc": ("netcdf", "application/x-netcdf"),
    ".parquet": ("parquet", "application/vnd.apache.parquet"),
    ".csv": ("csv", "text/csv"),
    ".png": ("png", "image/png"),
    ".txt": ("txt", "text/plain"),
}
# Of a descriptor: what may differ although nothing that is delivered does.
OWN = "percolog"


@dataclass(frozen=True)
class Resource:
    """One delivered file and what is in it; it no longer changes."""

    path: Path
    title: str
    columns: Sequence[Column] = field(default=())

    @cached_property
    def digest(self) -> str:
        """Return the SHA-256 of the file's bytes, read once."""
        return file_digest(self.path)

    @cached_property
    def content(self) -> str:
        """Return the digest of what the file says (`pipeline.deliver.content`), read once."""
        return content_digest(self.path) if self.path.suffix == ".nc" else self.digest


def write_dictionary(resources: Sequence[Resource], folder: Path) -> Resource:
    """Write what every column of every table means, a row a column."""
    rows = [
        {
            "file": resource.path.relative_to(folder).as_posix(),
            "column": column.name,
            "type": column.kind,
            "units": column.units,
            "standard_name": column.standard_name,
            "description": column.description,
        }
        for resource in resources
        for column in resource.columns
    ]
    table = pd.DataFrame(
        rows, columns=["file", "column", "type", "units", "standard_name", "description"]
    )
    path = write_table(table, folder / DICTIONARY, {})
    return Resource(path, "what every column means")


def write_descriptor(
    site: Site, resources: Sequence[Resource], own: Mapping[str, object], folder: Path
) -> dict[str, Any]:
    """Write ``datapackage.json`` and return it.

    Parameters
    ----------
    site : Site
    resources : sequence of Resource
        All files of the delivery but the descriptor itself.
    own : mapping
        What percolog needs to compare this revision with the next; stands under its name.
    folder : Path
    """
    descriptor: dict[str, Any] = {
        "profile": "data-package",
        "name": _name(f"{site.id}-{own['name']}"),
        "title": site.title,
        "description": site.summary,
        "version": str(own["revision"]),
        "created": own["created"],
        "keywords": [
            word.strip() for word in site.delivery.keywords.split(",") if word.strip()
        ],
        "contributors": _contributors(site),
        "resources": [_resource(resource, folder) for resource in resources],
        OWN: dict(own),
    }
    if site.delivery.license:
        descriptor["licenses"] = [{"title": site.delivery.license}]
    if not descriptor["keywords"]:
        del descriptor["keywords"]
    text = json.dumps(descriptor, indent=1, ensure_ascii=False, sort_keys=True) + "\n"
    with replacing(folder / DESCRIPTOR) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return descriptor


def _resource(resource: Resource, folder: Path) -> dict[str, Any]:
    path = resource.path
    kind, media = _FORMATS[path.suffix]
    described: dict[str, Any] = {
        "name": _name(path.relative_to(folder).as_posix()),
        "path": path.relative_to(folder).as_posix(),
        "title": resource.title,
        "format": kind,
        "mediatype": media,
        "bytes": path.stat().st_size,
        "hash": f"sha256:{resource.digest}",
        "content": resource.content,
    }
    if kind == "csv":
        described["encoding"] = "utf-8"
    if resource.columns:
        described["profile"] = "tabular-data-resource" if kind == "csv" else "data-resource"
        described["schema"] = {"fields": [_field(column) for column in resource.columns]}
    return described


def _field(column: Column) -> dict[str, str]:
    described = {
        "name": column.name,
        "type": column.kind,
        "units": column.units,
        "standard_name": column.standard_name,
        "description": column.description,
    }
    return {key: text for key, text in described.items() if text}


def _contributors(site: Site) -> list[dict[str, str]]:
    people: list[tuple[str, Contact]] = [
        ("author", site.creator),
        ("publisher", site.publisher),
    ]
    return [
        {
            key: text
            for key, text in (
                ("title", contact.name),
                ("email", contact.email),
                ("path", contact.url),
                ("role", role),
            )
            if text
        }
        for role, contact in people
        if contact.name
    ]


def _name(text: str) -> str:
    """Return a name as the specification wants it: lower case, digits and ``-_.`` only."""
    return "".join(
        c if c.isascii() and (c.isalnum() or c in "-_.") else "-" for c in text.lower()
    )
