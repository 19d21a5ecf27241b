"""What docs/documents.md tells of the keys of documents."""

from __future__ import annotations

import re
from pathlib import Path

PAGE = (Path(__file__).parents[2] / "docs" / "documents.md").read_text("utf-8")


def described(page):
    """Return, for each heading, the paths of keys its tables hold, as tuples of steps."""
    found = {}
    for title, text in re.findall(r"^## (.+)\n((?:(?!^## ).*\n)*)", page, re.MULTILINE):
        paths = found.setdefault(title, set())
        for left, right in re.findall(r"^\| (.+?) \| (.+) \|$", text, re.MULTILINE):
            parents = re.findall(r"`([^`]+)`", left) if left.startswith("`") else [""]
            for parent in parents:
                steps = tuple(parent.replace("[]", "").split(".")) if parent else ()
                keys = re.findall(r"`([a-z_0-9*]+)`", right)
                paths |= {(*steps, key) for key in keys} | ({steps} if parent else set())
    return found
