"""What all models of the site description have in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Model(BaseModel):
    """Frozen, and strict about keys: a misspelt setting is a mistake, not a comment."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, arbitrary_types_allowed=True, allow_inf_nan=False
    )
