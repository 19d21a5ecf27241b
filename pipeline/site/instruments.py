"""How sure the instruments are, and how they are held to references."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from pipeline.site.base import Model


class Uncertainty(Model):
    """Standard uncertainties that hold where nothing nearer states one."""

    # Of a tube's depth. 1 cm is common practice for tubes set by hand (from memory).
    depth_m: Annotated[float, Field(ge=0)] = 0.01
    # Of a reference water content, m3 m-3; what a check probe or a core is good for at best.
    reference: Annotated[float, Field(gt=0)] = 0.01


class Warmth(Model):
    """Against which temperature, and how, a soil law is freed of soil temperature.

    ``porosity`` None: from the horizon's bulk density. ``uncertainty`` is a share of what the
    correction changes: it is of mixing theory, and bound water and salt act against it.
    """

    reference_degc: Annotated[float, Field(gt=0, le=60)]
    porosity: Annotated[float, Field(gt=0, le=0.95)] | None = None
    solid_permittivity: Annotated[float, Field(ge=2, le=10)] = 3.9
    uncertainty: Annotated[float, Field(ge=0, le=2)] = 0.5


class Drift(Model):
    """How sensors are held to references; see `pipeline.calibrate.drift`."""

    correct: bool = True
    form: Literal["offset", "proportional", "two_point"] = "offset"
    readers: tuple[str, ...] = ()  # of hand rounds, whose probe is a check probe
    window_h: Annotated[float, Field(gt=0, le=24)] = 1.0  # before and after a reference
    coverage: Annotated[float, Field(ge=1, le=10)] = 3.0  # standard uncertainties
    largest: Annotated[float, Field(gt=0, le=1)] = 0.15  # m3 m-3; beyond, no correction

    @property
    def together_s(self) -> int:
        """Return how far apart checks, or cleanings, of one visit may be [s]."""
        return round(7200 * self.window_h)


class Correction(Model):
    """What is added to one sensor's signal over a time, linear in time.

    Found by the night from references (`pipeline.engine.correcting`), written by nobody.
    ``domain`` is the quantity it acts on; a "proportional" one is a share of the signal.
    ``until_s`` None: it stands until the next check. ``growth`` is how fast its uncertainty
    rises [s-1]. A "two_point" one holds so at the corrected signal ``low``, as the fields
    beginning with ``high_`` say at ``high``, and linearly between and beyond.
    """

    tube: str
    depth_m: float
    domain: str
    form: str
    start_s: int
    until_s: int | None
    first: float
    last: float
    first_error: float
    last_error: float
    growth: float = 0.0
    low: float | None = None
    high: float | None = None
    high_first: float = 0.0
    high_last: float = 0.0
    high_first_error: float = 0.0
    high_last_error: float = 0.0
    high_growth: float = 0.0
