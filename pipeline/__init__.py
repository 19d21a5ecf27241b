"""From raw soil-water probe exports to water in millimetres."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.notebook import OpenSite, open_site

__all__ = ["OpenSite", "open_site"]


def __getattr__(name: str) -> Any:
    """Load the notebook's names when they are asked for: the command never does."""
    if name in __all__:
        from pipeline import notebook

        return getattr(notebook, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    """Return the notebook's names too, so that they are completed as one types."""
    return sorted({*globals(), *__all__})
