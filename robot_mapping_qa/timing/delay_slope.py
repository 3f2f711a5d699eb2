# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Growth of the smallest delay, from the least delayed messages of a few stretches of time.

After Paxson, "On calibrating measurements of packet transit times", SIGMETRICS 1998: cut the data
into stretches, keep the least delay of each, and lay a line through those. The least of many
delays scatters little whatever their distribution is, and it is the scatter about the line that
tells how good the line is. Where the delay's level has jumped, the parts before and after keep a
level each and share the slope.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, sqrt
from typing import NamedTuple, Sequence

from robot_mapping_qa.timing.convex_hull import line_below

STRETCHES = 16
"""Many stretches average better; few long ones notice less of a load that changes."""
LEAST_BLOCKS, FEWEST_STRETCHES = 12, 6
"""A stretch outlasts a burst of delays, as long as there are so many stretches."""
BEND_BLOCKS = 240
"""Over less than two minutes a drifting skew cannot be told from a steady one."""
ROUNDS = 2
WEIGHINGS = 4
TOO_HIGH = 2.5
"""Stretches further above the curve, in standard deviations, pull at it no more for that."""
STEADY = 0.9
"""Share of clocks whose skew does not change within ten minutes. Common practice, no source: it
takes a change of temperature."""
SCALE_BLOCKS, USUAL, MOST_SCALE = 24, 1.5, 4.0
"""Stretches of at least so many blocks tell by how their delays scatter whether the load has
changed: by more than the second factor. The third is the largest that is followed."""
EXCESS, EXCESS_SIGMA = 1.2, 0.4
"""The least delay of a stretch lies above the edge by so many times the distance of the least
ones of its two halves: 0.7 for exponential delays, 1.4 for gamma ones of shape 2."""
# Student's t for 95 % over the 1.96 of a normal, by degrees of freedom: two standard deviations
# then mean the same for few stretches as for many.
_SMALL_SAMPLE = (6.48, 2.20, 1.62, 1.42, 1.31, 1.25, 1.21)


@dataclass(frozen=True, slots=True)
class SlopeFit:
    """
    Slope at time ``x`` and its change per second, both with standard deviations.

    At that time, near the middle of the data, the two errors have nothing to do with each other.
    ``misfit`` is how far off the curve the data lie, compared with how they scatter by themselves.
    """

    x: float
    slope: float
    slope_sigma: float
    bend: float
    bend_sigma: float
    misfit: float


class _Low(NamedTuple):
    """
    The lower edge ``y`` of a stretch at time ``x``.

    ``scale`` is how widely delays scatter compared with other stretches, ``noise`` what the edge
    of a usual one scatters by.
    """

    x: float
    y: float
    scale: float
    noise: float


def fit_slope(x: Sequence[float], y: Sequence[float], parts: Sequence[int], drift_sigma: float,
              start: tuple[float, float] | None = None) -> SlopeFit | None:
    """
    Return how the lower edge of ``y`` grows with ``x``; None where too few data tell.

    ``parts`` numbers the level that each belongs to, ascending ``x`` in each. ``drift_sigma`` is
    the standard deviation of the bend of those clocks that have any. ``start`` is a slope and
    bend from before, to begin with.
    """
    stretches = _stretches(parts)
    if start is None:
        start = _first_slope(x, y, stretches), 0.0
    slope, bend = start
    fit = None
    for _ in range(ROUNDS):
        rest = [value - (slope + 0.5 * bend * t) * t for t, value in zip(x, y)]
        lowest = _lowest(x, rest, stretches)
        fit = _through([part for part in lowest if len(part) > 1],
                       len(x) >= BEND_BLOCKS, bend, drift_sigma)
        if fit is None:
            return None
        fit = SlopeFit(fit.x, fit.slope + slope + bend * fit.x, fit.slope_sigma,
                       fit.bend, fit.bend_sigma, fit.misfit)
        bend = fit.bend
        slope = fit.slope - bend * fit.x
    return fit


def _lowest(x: Sequence[float], rest: Sequence[float], stretches: list[list[list[int]]]
            ) -> list[list[_Low]]:
    """
    Return the lower edge of every stretch of every part.

    The least delay lies above the edge by the more the more widely delays scatter: a load that
    changes would look like a skew.
    """
    found = [[_look_at([(rest[place], x[place]) for place in places]) for places in part]
             for part in stretches]
    usual = _middle([spread for part in found for _, _, spread, _ in part])
    noise = _middle([apart for part in found for _, _, _, apart in part])
    telling = usual > 0.0 and _middle(
        [len(places) for part in stretches for places in part]) >= SCALE_BLOCKS
    lows = []
    for part in found:
        own = []
        for t, value, spread, _ in part:
            scale = spread / usual if telling else 1.0
            scale = 1.0 if 1.0 / USUAL < scale < USUAL else min(
                max(scale, 1.0 / MOST_SCALE), MOST_SCALE)
            own.append(_Low(t, value - EXCESS * noise * scale, scale, noise))
        lows.append(own)
    return lows


def _look_at(points: list[tuple[float, float]]) -> tuple[float, float, float, float]:
    """Return time and value of the least (value, time), the spread, and that of two halves."""
    least, time = min(points)
    middle = _middle([value for value, _ in points])
    apart = abs(min(points[::2])[0] - min(points[1::2])[0]) if len(points) > 1 else 0.0
    return time, least, middle - least, apart


def _middle(values: Sequence[float]) -> float:
    return sorted(values)[len(values) // 2]


def _stretches(parts: Sequence[int]) -> list[list[list[int]]]:
    """Return for each part the places of its data, cut into stretches of about equal number."""
    by_part: dict[int, list[int]] = {}
    for place, part in enumerate(parts):
        by_part.setdefault(part, []).append(place)
    count = len(parts)
    length = max(1, count // STRETCHES, min(LEAST_BLOCKS, count // FEWEST_STRETCHES))
    cut = []
    for places in by_part.values():
        number = max(1, len(places) // length)
        edges = [len(places) * k // number for k in range(number + 1)]
        cut.append([places[a:b] for a, b in zip(edges, edges[1:])])
    return cut


def _first_slope(x: Sequence[float], y: Sequence[float], stretches: list[list[list[int]]]
                 ) -> float:
    """Return the slope of the line below the longest part."""
    lowest = [min(places, key=y.__getitem__) for places in max(stretches, key=len)]
    if len(lowest) < 2:
        return 0.0
    return line_below([x[place] for place in lowest], [y[place] for place in lowest])[0]


def _through(parts: list[list[_Low]], bent: bool, bend: float, drift_sigma: float
             ) -> SlopeFit | None:
    """
    Return the fit through the edges of every part, by least squares with a level for each.

    Their ``y`` is what is left over a slope and a ``bend``.
    """
    lows = [low for part in parts for low in part]
    count = len(lows)
    free = count - len(parts) - 1 - bent
    if free < 1:
        return None
    trust = [1.0 / low.scale ** 2 for low in lows]
    total = sum(trust)
    trust = [value * count / total for value in trust]
    least = [min(low.y for low in part) for part in parts]
    rest = [low.y - lowest for part, lowest in zip(parts, least) for low in part]
    for _ in range(WEIGHINGS):
        robust = _weigh([r * sqrt(c) for r, c in zip(rest, trust)])
        weights = [a * c for a, c in zip(robust, trust)]
        u, v, q = _without_levels(parts, weights)
        uu = sum(w * a * a for w, a in zip(weights, u))
        slope = sum(w * a * b for w, a, b in zip(weights, u, v)) / uu
        rest = [b - slope * a for a, b in zip(u, v)]
        centre = sum(w * a * c for w, a, c in zip(weights, u, q)) / uu
        if bent:
            q = [c - centre * a for a, c in zip(u, q)]
            qq = sum(w * c * c for w, c in zip(weights, q))
            more = sum(w * c * r for w, c, r in zip(weights, q, rest)) / qq
            rest = [r - more * c for r, c in zip(rest, q)]
    total = sum(robust)
    variance = sum(w * r * r for w, r in zip(weights, rest)) / max(
        total - count + free, 0.25 * free)
    misfit = sqrt(variance) / lows[0].noise if lows[0].noise else 0.0
    variance *= (_SMALL_SAMPLE[free - 1] if free <= len(_SMALL_SAMPLE)
                 else 1.0 + 1.3 / free) ** 2
    # What is taken off for a change of the scatter is known no better than to a third.
    doubt = [EXCESS_SIGMA * low.noise * low.scale for low in lows]
    off = sum(w * a * c for w, a, c in zip(weights, u, doubt)) / uu
    slope_sigma = hypot(sqrt(variance / uu), off)
    if not bent:
        return SlopeFit(centre, slope - bend * centre, slope_sigma, 0.0, drift_sigma, misfit)
    bend_off = sum(w * c * d for w, c, d in zip(weights, q, doubt)) / qq
    found, sigma = _steady_or_drifting(bend + more, variance / qq + bend_off ** 2, drift_sigma)
    return SlopeFit(centre, slope, slope_sigma, found, sigma, misfit)


def _weigh(rest: list[float]) -> list[float]:
    """Return weights that take their leverage from points far above the others (after Huber)."""
    ordered = sorted(rest)
    middle = ordered[len(rest) // 2]
    limit = TOO_HIGH * 1.4826 * sorted(abs(r - middle) for r in rest)[len(rest) // 2]
    return [1.0 if r <= limit or limit == 0.0 else limit / r for r in rest]


def _without_levels(parts: list[list[_Low]], weights: list[float]
                    ) -> tuple[list[float], list[float], list[float]]:
    """Return x, y and x^2 / 2 less the weighted mean of each in every part."""
    u: list[float] = []
    v: list[float] = []
    q: list[float] = []
    for part in parts:
        own = weights[len(u):len(u) + len(part)]
        total = sum(own)
        mean_x = sum(w * low.x for w, low in zip(own, part)) / total
        mean_y = sum(w * low.y for w, low in zip(own, part)) / total
        mean_q = sum(w * low.x * low.x for w, low in zip(own, part)) / (2.0 * total)
        u += [low.x - mean_x for low in part]
        v += [low.y - mean_y for low in part]
        q += [0.5 * low.x * low.x - mean_q for low in part]
    return u, v, q


def _steady_or_drifting(bend: float, variance: float, drift_sigma: float) -> tuple[float, float]:
    """
    Return the bend to believe in and its standard deviation.

    The mean over two sorts of clocks, weighted by how likely the bend found is with each: those
    with none, and those whose bend has ``drift_sigma`` (Bayesian model averaging, Hoeting and
    others, Statistical Science 1999).
    """
    if variance == 0.0:
        return bend, 0.0
    wide = variance + drift_sigma ** 2
    odds = STEADY / (1.0 - STEADY) * sqrt(wide / variance) * exp(
        -0.5 * min(bend * bend * (1.0 / variance - 1.0 / wide), 1000.0))
    drifting = 1.0 / (1.0 + odds)
    share = drift_sigma ** 2 / wide
    mean = share * bend
    return drifting * mean, sqrt(
        drifting * share * variance + drifting * (1.0 - drifting) * mean ** 2)
