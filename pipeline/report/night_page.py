"""The page of a night: what needs a look, how the tubes do, and every picture, for a browser.

One file beside the pictures that opens from a disk: no script, nothing fetched from elsewhere.
Names come from outside: the template escapes each text, and addresses are quoted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cache
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from pipeline.errors import clean
from pipeline.words import counted, told_refusal

NOTHING = "–"  # told where nothing is known


def night_page(content: Mapping[str, object]) -> str:
    """Return the page of a night as HTML.

    Parameters
    ----------
    content : mapping
        As from `pipeline.nights.page.page_content`.
    """
    return _template().render(content)


@cache
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("pipeline", "report"),
        autoescape=True,
        undefined=StrictUndefined,  # a misspelt name is an error, not an empty place
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_shown,
    )
    environment.filters |= {
        "number": number_text,
        "signed": signed_text,
        "instant": instant_text,
        "address": address,
        "sentence": sentence,
    }
    environment.globals |= {"counted": counted, "told_refusal": told_refusal}
    return environment.get_template("night_page.html")


def _shown(value: object) -> object:
    """Return a text without control characters; markup of the template is left as it is."""
    return clean(value) if type(value) is str else value


def number_text(value: float | None, digits: int = 1) -> str:
    """Return a number with so many decimals; a dash where it is not known."""
    if value is None or not math.isfinite(value):
        return NOTHING
    text = f"{value:.{digits}f}"
    # -0.04 with one decimal is no loss: a minus before a zero would say so.
    return text.removeprefix("-") if float(text) == 0 else text.replace("-", "−")


def signed_text(value: float | None, digits: int = 1) -> str:
    """Return a difference with its sign; a dash where it is not known."""
    text = number_text(value, digits)
    return text if text[0] in "−–" or float(text) == 0 else f"+{text}"


def instant_text(value: str | None) -> str:
    """Return an ISO 8601 instant in UTC as people read it: ``2025-07-17 22:45``."""
    return NOTHING if value is None else value[:16].replace("T", " ")


def sentence(text: str) -> str:
    """Return a text as a sentence: a capital first, a full stop last."""
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') else '.'}"


def address(parts: Sequence[str] | str) -> str:
    """Return a path below the page's folder as a relative address."""
    path = parts if isinstance(parts, str) else "/".join(parts)
    return quote(path)
