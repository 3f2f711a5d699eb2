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
from operator import mul
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
CURVE_S = 800.0
"""The bend of a clock whose bend changes does so by itself within about this time, on average over
ten minutes: a warming crystal nears its end within some five minutes. Common practice, no
source."""
WARMED = 16e-6
"""A skew that changes faster than the drift of most clocks is that of a warming crystal, which
changes by about so much in all: the faster it does, the sooner it slows down. Common practice, no
source."""
CURVED = 0.7
"""Share of the clocks with a bend whose bend changes."""
CURVE_CHANGES = 0.35
"""By how much of itself a curve changes what it does to the slope at the end of ten minutes, where
the clock nears its end exponentially within five: the next term of the series."""
TWO_SIGMA = 0.85
"""What is either nothing or something lies within two standard deviations more often than the
95 % that are meant. This share of it is right whether there is a curve or not. Found by
simulation."""
# Student's t for 95 % over the 1.96 of a normal, by degrees of freedom: two standard deviations
# then mean the same for few stretches as for many.
_SMALL_SAMPLE = (6.48, 2.20, 1.62, 1.42, 1.31, 1.25, 1.21)


@dataclass(frozen=True, slots=True)
class SlopeFit:
    """
    Slope, its change per second and the change of that, all with standard deviations.

    The slope at ``x`` + d is slope + bend d + curve (d^2 / 2 - ``lean`` d - ``hold``), where the
    errors of the three have nothing to do with each other. ``misfit`` is how far off the curve
    the data lie, compared with how they scatter by themselves.
    """

    x: float
    slope: float
    slope_sigma: float
    bend: float
    bend_sigma: float
    curve: float
    curve_sigma: float
    lean: float
    hold: float
    misfit: float

    @property
    def coefficients(self) -> tuple[float, float, float]:
        """The slope and its first two derivatives at 0."""
        x = self.x
        return (self.slope - self.bend * x
                + self.curve * ((0.5 * x + self.lean) * x - self.hold),
                self.bend - self.curve * (x + self.lean), self.curve)


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
              start: tuple[float, float, float] | None = None) -> SlopeFit | None:
    """
    Return how the lower edge of ``y`` grows with ``x``; None where too few data tell.

    ``parts`` numbers the level that each belongs to, ascending ``x`` in each. ``drift_sigma`` is
    the standard deviation of the bend of those clocks that have any. ``start`` is a slope with
    its first two derivatives from before, to begin with.
    """
    stretches = _stretches(parts)
    bent = len(x) >= BEND_BLOCKS
    if start is None:
        start = _first_slope(x, y, stretches), 0.0, 0.0
    fit = None
    for _ in range(ROUNDS):
        slope, bend, curve = start if bent else (start[0], 0.0, 0.0)
        half, sixth = 0.5 * bend, curve / 6.0
        rest = [value - (slope + (half + sixth * t) * t) * t for t, value in zip(x, y)]
        lowest = _lowest(x, rest, stretches)
        fit = _through([part for part in lowest if len(part) > 1], bent, (slope, bend, curve),
                       drift_sigma)
        if fit is None:
            return None
        start = fit.coefficients
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
    flat = [look for part in found for look in part]
    usual = [_middle([look.spreads[k] for look in flat]) for k in (0, 1)]
    noise = _middle([look.apart for look in flat])
    telling = min(usual) > 0.0 and _middle(
        [len(places) for part in stretches for places in part]) >= SCALE_BLOCKS
    lows = []
    for part in found:
        own = []
        for look in part:
            scale = _scale(look.spreads, usual) if telling else 1.0
            own.append(_Low(look.x, look.y - EXCESS * noise * scale, scale, noise))
        lows.append(own)
    return lows


class _Look(NamedTuple):
    """
    The least delay ``y`` of a stretch and its time ``x``.

    ``spreads`` are the distances of the first quarter of its delays and of its middle one from
    that, ``apart`` is that of the least delays of two halves.
    """

    x: float
    y: float
    spreads: tuple[float, float]
    apart: float


def _look_at(points: list[tuple[float, float]]) -> _Look:
    """Return what a stretch of (value, time) shows."""
    ordered = sorted(points)
    least, time = ordered[0]
    apart = abs(min(points[::2])[0] - min(points[1::2])[0]) if len(points) > 1 else 0.0
    return _Look(time, least, (ordered[len(points) // 4][0] - least,
                               ordered[len(points) // 2][0] - least), apart)


def _scale(spreads: tuple[float, float], usual: list[float]) -> float:
    """
    Return how widely delays scatter compared with other stretches, 1 for about as widely.

    A load that changes widens both spreads. Where messages go one way or another, one of the two
    alone may fall to the shorter way or to the longer one.
    """
    scale = min((max(own, 1e-12) / other for own, other in zip(spreads, usual)),
                key=lambda ratio: max(ratio, 1.0 / ratio))
    if 1.0 / USUAL < scale < USUAL:
        return 1.0
    return min(max(scale, 1.0 / MOST_SCALE), MOST_SCALE)


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


def _through(parts: list[list[_Low]], bent: bool, start: tuple[float, float, float],
             drift_sigma: float) -> SlopeFit | None:
    """
    Return the fit through the edges of every part, by least squares with a level for each.

    Their ``y`` is what is left over a slope with the first two derivatives of ``start``.
    """
    lows = [low for part in parts for low in part]
    count = len(lows)
    free = count - len(parts) - (3 if bent else 1)
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
        u, v, q, k = _without_levels(parts, weights)
        more, uu, rest = _take_off(weights, u, v)
        centre, _, q = _take_off(weights, u, q)
        if bent:
            bend_more, qq, rest = _take_off(weights, q, rest)
            linear, _, k = _take_off(weights, u, k)
            square, _, k = _take_off(weights, q, k)
            curve_more, kk, rest = _take_off(weights, k, rest)
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
    slope, bend, curve = start
    if not bent:
        return SlopeFit(centre, slope + more, slope_sigma, 0.0, drift_sigma, 0.0, 0.0, 0.0, 0.0,
                        misfit)
    slope += more + bend * centre + curve * linear
    bend += bend_more + curve * square
    curve += curve_more
    bend_off = sum(w * c * d for w, c, d in zip(weights, q, doubt)) / qq
    curve_off = sum(w * c * d for w, c, d in zip(weights, k, doubt)) / kk
    return SlopeFit(
        centre, slope, slope_sigma, *_steady_or_drifting(
            bend, variance / qq + bend_off ** 2, curve, variance / kk + curve_off ** 2,
            drift_sigma),
        square - centre, linear - 0.5 * centre * centre, misfit)


def _take_off(weights: list[float], a: list[float], b: list[float]
              ) -> tuple[float, float, list[float]]:
    """Return the share of ``a`` in ``b``, the weighted square of ``a``, and what is left."""
    weighted = [w * value for w, value in zip(weights, a)]
    square = sum(map(mul, weighted, a))
    share = sum(map(mul, weighted, b)) / square
    return share, square, [value - share * own for own, value in zip(a, b)]


def _weigh(rest: list[float]) -> list[float]:
    """Return weights that take their leverage from points far above the others (after Huber)."""
    ordered = sorted(rest)
    middle = ordered[len(rest) // 2]
    limit = TOO_HIGH * 1.4826 * sorted(abs(r - middle) for r in rest)[len(rest) // 2]
    return [1.0 if r <= limit or limit == 0.0 else limit / r for r in rest]


def _without_levels(parts: list[list[_Low]], weights: list[float]
                    ) -> tuple[list[float], list[float], list[float], list[float]]:
    """Return x, y, x^2 / 2 and x^3 / 6 less the weighted mean of each in every part."""
    columns: tuple[list[float], ...] = [], [], [], []
    for part in parts:
        own = weights[len(columns[0]):len(columns[0]) + len(part)]
        total = sum(own)
        for column, values in zip(columns, (
                [low.x for low in part], [low.y for low in part],
                [0.5 * low.x ** 2 for low in part], [low.x ** 3 / 6.0 for low in part])):
            mean = sum(map(mul, own, values)) / total
            column += [value - mean for value in values]
    u, v, q, k = columns
    return u, v, q, k


def _steady_or_drifting(bend: float, bend_variance: float, curve: float, curve_variance: float,
                        drift_sigma: float) -> tuple[float, float, float, float]:
    """
    Return the bend to believe in, its standard deviation, and the same of the curve.

    The mean over three sorts of clocks, weighted by how likely what was found is with each: those
    without a bend, those whose bend has ``drift_sigma``, and those whose bend changes as well
    (Bayesian model averaging, Hoeting and others, Statistical Science 1999).
    """
    if bend_variance == 0.0 or curve_variance == 0.0:
        return bend, 0.0, curve, 0.0
    bent, bend_share = _for_one_that_has_it(bend, bend_variance, drift_sigma)
    curved, curve_share = _for_one_that_has_it(
        curve, curve_variance, max(drift_sigma / CURVE_S, bend ** 2 / WARMED))
    drifting = (1.0 - STEADY) * (1.0 - CURVED) * bent
    curving = (1.0 - STEADY) * CURVED * bent * curved
    total = STEADY + drifting + curving
    curve, curve_sigma = _averaged(curve, curve_variance, curve_share, curving / total)
    return (*_averaged(bend, bend_variance, bend_share, (drifting + curving) / total),
            curve, TWO_SIGMA * hypot(curve_sigma, CURVE_CHANGES * curve))


def _for_one_that_has_it(value: float, variance: float, sigma: float) -> tuple[float, float]:
    """Return how much likelier ``value`` is if it has ``sigma``, and the share to believe then."""
    wide = variance + sigma ** 2
    return sqrt(variance / wide) * exp(min(
        0.5 * value * value * (1.0 / variance - 1.0 / wide), 300.0)), sigma ** 2 / wide


def _averaged(value: float, variance: float, share: float, believed: float
              ) -> tuple[float, float]:
    """Return mean and standard deviation of what is 0 but for the chance ``believed``."""
    mean = share * value
    return believed * mean, sqrt(
        believed * share * variance + believed * (1.0 - believed) * mean ** 2)
