"""Whether a sensor's checks show drift, and how much: a standing difference and a ramp.

Up to an onset a sensor differs from references by what their law leaves open, one standing
difference for each kind of reference; from the onset on the difference grows linearly. Onsets
tried are the beginning and every check. Each is a weighted least squares fit in closed form;
that of the largest gain over no drift at all is taken if the gain is more than chance.

Only checks up to the one that is judged take part: a later one never changes what was found,
but may show that an earlier visit found what has passed by itself, and was no check.
The method is ours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.arrays import Floats

_EXACT = 1e-9  # uncertainty of what is not uncertain: it must not vanish
_CLEANED, _ONSETS = "cleaning", 256  # how many onsets a settled time is tried with
# A settled course is told where the onset lies before with so much probability.
_NODES = (0.0001, 0.02, 0.1, 0.25, 0.5, 0.75, 0.9, 0.98, 0.999)
Series = tuple[str, str]  # the kind of a reference, and the soil's law it goes through
MOST_CHECKS = 48  # that are looked back on; older ones count for the standing difference


@dataclass(frozen=True, order=True)
class Check:
    """What one reference says of a sensor.

    ``error`` is the reference minus the reading and ``error_u`` its standard uncertainty;
    ``standing_u`` how far the two may differ for ever without drift, about 0 of a standard.
    ``slope`` is the water content [m3 m-3] that one unit of the signal is worth. ``signal`` is
    what the sensor should have shown; only checks in two standards need it. ``law`` names the
    soil's law that the error rests on, if any.
    """

    time_s: int
    kind: str
    error: float
    error_u: float
    standing_u: float
    slope: float
    signal: float = 0.0
    law: str = ""

    @property
    def series(self) -> Series:
        """Return what has one standing difference: references of a kind, by one law."""
        return self.kind, self.law


@dataclass(frozen=True)
class Judgement:
    """The drift at a check, its standard uncertainty and the limit it is held to.

    ``shows`` tells that there is drift, ``refused`` that it is too much to be any. ``passed``
    is the time of an earlier visit that was none of drift, since what it found has passed by
    itself; then the record has not taken in anything, and that visit has to go.
    """

    drift: float
    error: float
    limit: float
    shows: bool
    refused: bool = False
    passed: int | None = None


@dataclass(frozen=True)
class _Fit:
    """The best ramp: its gain in chi squared, its height at the last check, the differences.

    ``standing`` is mean and variance by kind; ``residual`` that of the last check, ``misfit``
    the largest of all in standard uncertainties. ``likely`` is how likely its gain makes each
    onset; they add up to one.
    """

    gain: float
    height: float
    variance: float
    choices: int
    standing: dict[Series, tuple[float, float]]
    residual: float
    misfit: float
    likely: Floats


@dataclass(frozen=True)
class Node:
    """The correction at an instant with its standard uncertainty, and how fast it moves."""

    time_s: int
    value: float = 0.0
    error: float = 0.0
    rate: float = 0.0


@dataclass
class Record:
    """The checks of one sensor since it was new, and what they taught.

    ``checks`` are those since ``start_s``, their errors what goes beyond the drift ``known``
    as the soil's law in force began. ``older`` are those before that law, since the sensor was
    clean or new at ``clean_s``; their errors are whole.
    """

    start_s: int
    coverage: float
    checks: list[Check] = field(default_factory=list)
    clean_s: int = 0
    older: list[Check] = field(default_factory=list)
    known: float = 0.0
    known_u: float = 0.0
    prior: dict[Series, tuple[float, float]] = field(default_factory=dict)  # mean, variance
    standing: dict[Series, tuple[float, float]] = field(default_factory=dict)

    def judge(self, group: list[Check], largest: float) -> Judgement:
        """Take in the checks of one visit and tell what they show.

        ``largest`` is the drift [m3 m-3] beyond which nothing is taken in.
        """
        last_s = group[-1].time_s
        group = [replace(c, time_s=last_s, error=c.error - self.known) for c in group]
        for check in group:
            self.prior.setdefault(check.series, (0.0, max(check.standing_u, _EXACT) ** 2))
            self.standing.setdefault(check.series, self.prior[check.series])
        alone, alone_u = self._alone(group)
        if abs(alone) * group[-1].slope > largest:
            return Judgement(alone, alone_u, self.coverage * alone_u, False, refused=True)
        fit = self._fit(self.checks, group)
        passed = self._passed(group) if fit.misfit > self.coverage else None
        if passed is not None:
            return Judgement(alone, alone_u, self.coverage * alone_u, False, passed=passed)
        if abs(fit.residual) > self.coverage * _group_u(group):
            return self._judge_alone(group, alone, alone_u)
        self.checks += group
        self.standing = fit.standing
        self._forget_old()
        least, error = self._least(fit), math.sqrt(fit.variance)
        return Judgement(fit.height, error, math.sqrt(least) * error, fit.gain > least)

    def _fit(self, checks: list[Check], group: list[Check]) -> _Fit:
        """Return the best ramp through checks and, last, a group."""
        times = {self.start_s, *(check.time_s for check in checks)}
        last = group[-1].time_s
        onsets = np.array(sorted(t for t in times if t < last) or [last - 1], dtype=np.float64)
        # That it began before the first check is believed only if no check explains it: a
        # standing difference would look the same.
        handicap = self.coverage**2 * (onsets == self.start_s) * (onsets.size > 1)
        return _best_fit(onsets, [*checks, *group], self.prior, handicap)

    def _least(self, fit: _Fit) -> float:
        """Return the gain that is more than chance.

        Choosing among onsets finds some by chance alone; its logarithm pays for that.
        """
        return self.coverage**2 + 2.0 * math.log(fit.choices)

    def _passed(self, group: list[Check]) -> int | None:
        """Return the visit without which all lie on one level: what it found has passed.

        The last, or the first if it alone is far from what the law makes likely. It was a
        fault of the sensor for a while, or a mistake in the reference.
        """
        times = sorted({check.time_s for check in self.checks})
        for time_s in (times[-1], times[0]) if times else ():
            kept = [check for check in self.checks if check.time_s != time_s]
            fit = self._fit(kept, group)
            level = fit.misfit <= self.coverage and fit.gain <= self._least(fit)
            if level and (time_s == times[-1] or self._is_far(time_s, fit)):
                return time_s
        return None

    def _is_far(self, time_s: int, fit: _Fit) -> bool:
        """Tell whether a visit is twice as far from what was known before as all others."""
        visit = [check for check in self.checks if check.time_s == time_s]
        off = min(abs(check.error - self.prior[check.series][0]) for check in visit)
        return off > 2.0 * max(
            abs(fit.standing[check.series][0] - self.prior[check.series][0]) for check in visit
        )

    def settle(self, at_s: int, height: float, height_u: float) -> list[Node] | None:
        """Return the course of the drift that a cleaning ended.

        It is the mean of lines from every onset, each as likely as the checks make it. None
        where there is no check, or the checks do not lie on one line that ends there.
        """
        checks = [*self.older, *self._whole()]
        if not checks or at_s <= checks[-1].time_s:
            return None
        end = Check(at_s, _CLEANED, height, height_u, _EXACT, 1.0)
        prior = {**self.prior, end.series: (0.0, _EXACT**2)}
        onsets = self.clean_s + (at_s - self.clean_s) * (np.arange(_ONSETS) + 0.5) / _ONSETS
        fit = _best_fit(onsets, [*checks, end], prior, np.zeros(_ONSETS))
        if fit.misfit > self.coverage:
            return None
        return _mean_course(onsets, fit.likely, at_s, height, height_u)

    def begin_anew(self, at_s: int) -> None:
        """Begin again without drift; the standing differences stay known."""
        self.known = self.known_u = 0.0
        self._begin_ramp(at_s)

    def begin_law(self, at_s: int, known: float, known_u: float) -> None:
        """Go on under another law of the soil, by which the standing differences begin anew.

        The drift known stays; checks from here on are held to it.
        """
        self.older += self._whole()
        self.start_s, self.checks = at_s, []
        self.known, self.known_u = known, known_u

    def _begin_ramp(self, at_s: int) -> None:
        self.start_s = self.clean_s = at_s
        self.checks, self.older, self.prior = [], [], dict(self.standing)

    def _whole(self) -> list[Check]:
        """Return the checks since the law began, with their whole errors."""
        return [replace(check, error=check.error + self.known) for check in self.checks]

    def _alone(self, group: list[Check]) -> tuple[float, float]:
        """Return by how much a visit's checks differ from the standing differences."""
        weights = total = 0.0
        for check in group:
            mean, variance = self.standing[check.series]
            weight = 1.0 / (check.error_u**2 + variance)
            weights += weight
            total += weight * (check.error - mean)
        return total / weights, weights**-0.5

    def _judge_alone(self, group: list[Check], alone: float, error: float) -> Judgement:
        """Judge checks that do not lie on the ramp of those before: it began anew there."""
        limit = self.coverage * error
        before = self.checks[-1].time_s if self.checks else self.start_s
        self._begin_ramp(before)
        self.checks += group
        return Judgement(alone, error, limit, abs(alone) > limit)

    def _forget_old(self) -> None:
        """Let the oldest checks go into the standing differences."""
        while len(self.checks) > MOST_CHECKS:
            old = self.checks.pop(0)
            mean, variance = self.prior[old.series]
            share = variance / (variance + old.error_u**2)
            self.prior[old.series] = (
                mean + share * (old.error - mean),
                variance * (1 - share),
            )
            self.start_s = old.time_s
            if not self.older:
                self.clean_s = old.time_s


def _group_u(group: list[Check]) -> float:
    return float(sum(check.error_u**-2 for check in group)) ** -0.5


def _best_fit(
    onset: Floats,
    checks: list[Check],
    prior: dict[Series, tuple[float, float]],
    handicap: Floats,
) -> _Fit:
    """Return the ramp of largest gain less its handicap.

    All onsets are tried at once, each a row of ``part``.
    """
    time = np.array([check.time_s for check in checks], dtype=np.float64)
    weight = np.array([check.error_u for check in checks]) ** -2.0
    kinds = sorted({check.series for check in checks})
    of_kind = np.array([[check.series == kind for check in checks] for kind in kinds])
    mean = np.array([prior[kind][0] for kind in kinds])
    whole = (of_kind * weight).sum(axis=1) + np.array([prior[k][1] for k in kinds]) ** -1.0
    error = np.array([check.error for check in checks]) - mean @ of_kind
    part = np.clip(time - onset[:, None], 0.0, None) / (time[-1] - onset)[:, None]
    by_kind = (part * weight) @ of_kind.T  # (onset, kind): sum of w x
    of_error = of_kind @ (weight * error)  # (kind,): sum of w e
    squares = (part**2) @ weight - (by_kind**2 / whole).sum(axis=1)
    products = part @ (weight * error) - (by_kind * of_error / whole).sum(axis=1)
    gain = products**2 / squares
    best = int(np.argmax(gain - handicap))
    height, variance = float(products[best] / squares[best]), float(1.0 / squares[best])
    shift = (of_error - height * by_kind[best]) / whole
    spread = 1.0 / whole + (by_kind[best] / whole) ** 2 * variance
    standing = {
        kind: (float(mean[n] + shift[n]), float(spread[n])) for n, kind in enumerate(kinds)
    }
    last = time == time[-1]
    rest = error - shift @ of_kind - height * part[best]
    likely = np.exp(0.5 * (gain - gain[best]))
    likely /= likely.sum()
    return _Fit(
        gain=float(gain[best]),
        height=height,
        variance=variance,
        choices=onset.size,
        standing={**prior, **standing},
        residual=float((weight * rest)[last].sum() / weight[last].sum()),
        misfit=float(np.abs(rest * np.sqrt(weight)).max()),
        likely=likely,
    )


def _mean_course(
    onset: Floats, likely: Floats, at_s: int, height: float, height_u: float
) -> list[Node]:
    """Return the mean of lines from onsets to a height, at nodes as close as it bends."""
    passed = np.searchsorted(np.cumsum(likely), _NODES)
    times = np.unique([*np.rint(onset[np.minimum(passed, onset.size - 1)]), at_s])
    part = np.clip(times[:, None] - onset, 0.0, None) / (at_s - onset)
    mean = part @ likely
    # Hardly an onset lies before the first node, and all lines end at the last.
    mean[0], mean[-1] = 0.0, 1.0
    spread = np.clip((part**2) @ likely - mean**2, 0.0, None)
    error = np.sqrt(height**2 * spread + (height_u * mean) ** 2)
    return [
        Node(int(t), float(height * m), float(e))
        for t, m, e in zip(times, mean, error, strict=True)
    ]
