"""Water in one column of soil: Richards' equation, solved implicitly and without losing water.

Finite volumes in depth, backward Euler in time, modified Picard iteration on the mixed form
(Celia, Bouloutas & Zarba 1990, Water Resour. Res. 26, 1483-1496). The water content carried on
is the one that closes the balance of the last iteration, so an error of the iteration never
adds up. Units inside this module: cm, days.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numba
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Arithmetic that runs away ends in "not finite", which divides the step, and not in an error.
kernel = numba.njit(cache=True, error_model="numpy")

HEAD_TOLERANCE = 1e-3  # cm
CONTENT_TOLERANCE = 1e-7  # m3 m-3
MOST_ITERATIONS = 30
WHOLE_ITERATIONS = 8
MOST_HALVINGS = 14
STRAIGHT_CM = 0.5
POND_CM = 0.2  # water the surface holds before it runs off

# Root uptake falls off when the soil is too wet or too dry (Feddes, Kowalik & Zaradny 1978;
# the four suctions [cm] are common practice for grass and cereals).
FEDDES = (5.0, 25.0, 600.0, 8000.0)
# Suction of the top cell [cm] between which soil evaporation falls from full to none (ours).
EVAPORATION_SUCTION = (800.0, 15_000.0)

# What happened in a step, in cm: columns of the balance that `Column.run` returns.
BALANCE = ("supply", "run_off", "infiltration", "evaporation", "uptake", "drainage")
SUPPLY, RUN_OFF, INFILTRATION, EVAPORATION, UPTAKE, DRAINAGE = range(6)


@kernel
def hydraulics(head, soil):
    """Return water content, capacity [1/cm] and conductivity [cm/d] at one head [cm].

    van Genuchten (1980) retention with Mualem (1976) conductivity; ``soil`` is
    (residual, saturated, alpha [1/cm], n, saturated conductivity [cm/d]). Over the last
    `STRAIGHT_CM` to saturation conductivity follows a straight line: for n below 2 Mualem's
    is infinitely steep there, and no iteration settles on it.
    """
    residual, saturated, alpha, n, k_saturated = soil
    if head >= 0.0:
        return saturated, 0.0, k_saturated
    m = 1.0 - 1.0 / n
    x = (-alpha * head) ** n
    filled = (1.0 + x) ** -m
    content = residual + (saturated - residual) * filled
    capacity = (saturated - residual) * m * n * x * filled / ((1.0 + x) * -head)
    if head > -STRAIGHT_CM:
        share = -head / STRAIGHT_CM
        near = _conductivity((alpha * STRAIGHT_CM) ** n, m, k_saturated)
        return content, capacity, k_saturated + share * (near - k_saturated)
    return content, capacity, _conductivity(x, m, k_saturated)


@kernel
def _conductivity(x, m, k_saturated):
    """Return Mualem's conductivity [cm/d] for ``x`` = (alpha suction)^n."""
    opened = 1.0 - (x / (1.0 + x)) ** m
    return k_saturated * (1.0 + x) ** (-0.5 * m) * opened * opened


@kernel
def _stress(suction):
    """Return the share of its demand that a root gets at a suction [cm]."""
    wet_none, wet_full, dry_full, dry_none = FEDDES
    if suction <= wet_none or suction >= dry_none:
        return 0.0
    if suction < wet_full:
        return (suction - wet_none) / (wet_full - wet_none)
    if suction <= dry_full:
        return 1.0
    return (dry_none - suction) / (dry_none - dry_full)


@kernel
def _evaporation_share(head):
    """Return the share of the demand that the top cell can evaporate, even in log suction."""
    suction = -head
    full, none = EVAPORATION_SUCTION
    if suction <= full:
        return 1.0
    if suction >= none:
        return 0.0
    return np.log(none / suction) / np.log(none / full)


@kernel
def _solve(lower, middle, upper, right):
    """Solve a tridiagonal system in place (Thomas); the answer replaces ``right``."""
    count = right.size
    for i in range(1, count):
        factor = lower[i] / middle[i - 1]
        middle[i] -= factor * upper[i - 1]
        right[i] -= factor * right[i - 1]
    right[count - 1] /= middle[count - 1]
    for i in range(count - 2, -1, -1):
        right[i] = (right[i] - upper[i] * right[i + 1]) / middle[i]


@kernel
def _surface_flux(supply, head, k_top, k_saturated, half):
    """Return the flux into the top cell [cm/d] and what it loses per cm of head there.

    All of the supply enters until the soil cannot take it; then the surface is held at zero
    head and the flux follows Darcy.
    """
    k_mean = 0.5 * (k_top + k_saturated)
    most = k_mean * (-head / half + 1.0)
    if supply <= most:
        return supply, 0.0
    return most, k_mean / half


@kernel
def _bottom_flux(head, conductivity, half, bottom_head):
    """Return the flux out of the last cell [cm/d] and what it gains per cm of head there."""
    if np.isnan(bottom_head):  # free drainage: unit gradient
        return conductivity, 0.0
    return conductivity * ((head - bottom_head) / half + 1.0), conductivity / half


@kernel
def _ends(h, k, supply, ground):
    """Return fluxes [cm/d] through both ends, each with its slope against the head there."""
    thick, soils, bottom_head = ground
    top, top_slope = _surface_flux(supply, h[0], k[0], soils[0, 4], 0.5 * thick[0])
    end, end_slope = _bottom_flux(h[-1], k[-1], 0.5 * thick[-1], bottom_head)
    return top, top_slope, end, end_slope


@kernel
def _change(flow, capacity, excess, ends, dt, thick):
    """Return the change of head that closes the balance of every cell, linearised.

    ``flow`` are heads and conductivities; ``excess`` [cm/d] is what each cell
    must still shed apart from the fluxes.
    """
    h, k = flow
    count = h.size
    lower, upper = np.zeros(count), np.zeros(count)
    middle, change = thick * capacity / dt, excess.copy()
    top, top_slope, end, end_slope = ends
    middle[0] += top_slope
    middle[-1] += end_slope
    change[0] += top
    change[-1] -= end
    for i in range(count - 1):
        apart = 0.5 * (thick[i] + thick[i + 1])
        conductance = 0.5 * (k[i] + k[i + 1]) / apart
        flux = conductance * (h[i] - h[i + 1] + apart)
        middle[i] += conductance
        middle[i + 1] += conductance
        upper[i] = -conductance
        lower[i + 1] = -conductance
        change[i] -= flux
        change[i + 1] += flux
    _solve(lower, middle, upper, change)
    return change


@kernel
def _iterate(state, sink, supply, dt, ground):
    """Take one step of ``dt`` days; return success, state and fluxes through both ends."""
    head, content = state
    thick, soils, _ = ground
    h = head.copy()
    theta, capacity, k = np.empty(h.size), np.empty(h.size), np.empty(h.size)
    for iteration in range(MOST_ITERATIONS):
        for i in range(h.size):
            theta[i], capacity[i], k[i] = hydraulics(h[i], soils[i])
        ends = _ends(h, k, supply, ground)
        excess = thick * ((content - theta) / dt - sink)
        change = _change((h, k), capacity, excess, ends, dt, thick)
        # Near saturation conductivity is so steep that whole steps swing to and fro.
        h += change if iteration < WHOLE_ITERATIONS else 0.5 * change
        worst_head = np.max(np.abs(change) / (1.0 + 0.001 * np.abs(h)))
        worst_content = np.max(np.abs(capacity * change))
        if not np.isfinite(worst_head):
            break
        if worst_head < HEAD_TOLERANCE and worst_content < CONTENT_TOLERANCE:
            top, top_slope, end, end_slope = ends
            fluxes = (top - top_slope * change[0], end + end_slope * change[-1])
            return True, (h, theta + capacity * change), fluxes
    return False, state, (0.0, 0.0)


@kernel
def _sinks(head, demand, roots, thick):
    """Return the root uptake of each cell [1/d] from the demand [cm/d] and the root shares."""
    sink = np.zeros(head.size)
    for i in range(head.size):
        sink[i] = demand * roots[i] * _stress(-head[i]) / thick[i]
    return sink


@kernel
def _advance(state, pond, forcing, roots, step, ground):
    """Take one logging step in as few parts as converge; return state, pond and balance."""
    water, soil_demand, root_demand = forcing
    balance = np.zeros(6)
    done, halvings, whole = 0, 0, 2**MOST_HALVINGS
    while done < whole:
        part = whole >> halvings
        dt = step * part / whole
        sink = _sinks(state[0], root_demand, roots, ground[0])
        evaporation = soil_demand * _evaporation_share(state[0][0])
        supply = (pond + water * part / whole) / dt - evaporation
        ok, state, (top, end) = _iterate(state, sink, supply, dt, ground)
        if not ok:
            halvings += 1
            if halvings > MOST_HALVINGS:
                return False, state, pond, balance
            continue
        left = max((supply - top) * dt, 0.0)
        pond = min(left, POND_CM)
        balance[RUN_OFF] += left - pond
        balance[INFILTRATION] += (top + evaporation) * dt
        balance[EVAPORATION] += evaporation * dt
        balance[UPTAKE] += np.sum(sink * ground[0]) * dt
        balance[DRAINAGE] += end * dt
        done += part
        # Parts grow again only where the longer part divides what is left of the step.
        while halvings > 0 and (whole - done) % (whole >> (halvings - 1)) == 0:
            halvings -= 1
    return True, state, pond, balance


@kernel
def _run(state, forcing, roots, step, ground):
    """Run all logging steps; return how many, then heads, contents, ponds and balances."""
    steps, count = forcing.shape[0], state[0].size
    heads, contents = np.empty((steps, count)), np.empty((steps, count))
    ponds, balances = np.empty(steps), np.empty((steps, 6))
    pond = 0.0
    for k in range(steps):
        ok, state, pond, balances[k] = _advance(
            state, pond, forcing[k], roots[k], step, ground
        )
        if not ok:
            return k, heads, contents, ponds, balances
        heads[k], contents[k] = state
        ponds[k] = pond
    return steps, heads, contents, ponds, balances


@dataclass(frozen=True)
class Course:
    """What a column did, a row a logging step: heads [cm], contents, pond, balance [cm]."""

    head: Array
    content: Array
    pond: Array
    balance: Array


@dataclass
class Column:
    """A column of soil cells from the surface down.

    ``thick`` are cell thicknesses [cm]; ``soils`` one row of hydraulic parameters a cell (see
    `hydraulics`); ``bottom_head`` the head held at the lower edge [cm], NaN for free drainage.
    """

    thick: Array
    soils: Array
    bottom_head: float = np.nan
    head: Array = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        if self.head.size == 0:
            self.head = np.full(self.thick.size, -100.0)
        self.content = self.content_at(self.head)

    @property
    def middle(self) -> Array:
        """Return the depth of each cell's middle [cm]."""
        edges = np.concatenate([[0.0], np.cumsum(self.thick)])
        return 0.5 * (edges[:-1] + edges[1:])

    def content_at(self, head: Array) -> Array:
        """Return the water content of each cell at its head."""
        pairs = zip(head, self.soils, strict=True)
        return np.array([hydraulics(h, soil)[0] for h, soil in pairs])

    def run(self, forcing: Array, roots: Array, step_days: float) -> Course:
        """Run the column through ``forcing`` and leave it in its last state.

        Parameters
        ----------
        forcing : array, (steps, 3)
            Water reaching the surface in the step [cm], demand of soil evaporation and of
            root uptake [cm/d].
        roots : array, (steps, cells)
            Share of the root uptake in each cell; each row adds up to one.
        step_days : float
            Length of a logging step [d].

        Raises
        ------
        ArithmeticError
            If a step does not converge however finely it is divided.
        """
        ground = (self.thick, self.soils, self.bottom_head)
        state = (self.head, self.content)
        done, heads, contents, ponds, balances = _run(state, forcing, roots, step_days, ground)
        if done < len(forcing):
            raise ArithmeticError(f"step {done} of {len(forcing)}: no convergence")
        self.head, self.content = heads[-1].copy(), contents[-1].copy()
        balances[:, SUPPLY] = forcing[:, 0]
        return Course(heads, contents, ponds, balances)
