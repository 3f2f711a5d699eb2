# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The line of a known course under one part's delays."""

from __future__ import annotations

from math import hypot
from typing import Sequence

from robot_mapping_qa.timing.delay_line import Course, DelayLine
from robot_mapping_qa.timing.lower_edge import lower_edge

LEAST_BLOCKS = 6
"""Fewest blocks whose scatter tells anything."""


def line_under(times: Sequence[int], least: Sequence[int], course: Course,
               usual_s: float | None) -> DelayLine:
    """
    Return the line of ``course`` under the least delays (ns) of blocks at host ``times`` (ns).

    ``usual_s`` is how widely blocks scattered before, seconds, None where that is not known.
    """
    anchor_ns = (times[0] + times[-1]) // 2
    slope, bend, curve = course.coefficients_at(anchor_ns)
    half, sixth = 0.5 * bend, curve / 6.0
    first = least[0]
    rest = []
    for time, value in zip(times, least):
        x = (time - anchor_ns) * 1e-9
        rest.append((value - first) * 1e-9 - (slope + (half + sixth * x) * x) * x)
    if len(rest) < LEAST_BLOCKS:
        apart_s = _apart(rest, usual_s is not None)
        scatter = apart_s if usual_s is None else usual_s
        sigma = 0.5 * max(apart_s, scatter)
        edge = min(rest) - sigma
    else:
        # From one block to the next: neither a burst nor a slewed stretch widens that.
        apart = sorted(abs(b - a) for a, b in zip(rest, rest[1:]))
        scatter = 1.5 * apart[len(apart) // 2]
        edge, sigma = lower_edge(rest)
    # The course may be wrong between the lowest delay and the middle.
    lowest_ns = times[rest.index(min(rest))]
    sigma = hypot(sigma, course.growth_sigma(lowest_ns, anchor_ns))
    return DelayLine(anchor_ns, first * 1e-9 + edge, max(sigma, 1e-9), course, scatter)


def _apart(rest: list[float], known: bool) -> float:
    """
    Return how far apart the lower ones of a few delays lie, times 1.5.

    A block whose messages were all held up, or that another clock has stamped, tells nothing:
    where it is ``known`` how blocks scatter, two of them are too few to add to that.
    """
    ordered = sorted(rest)
    if known:
        return 1.5 * (ordered[1] - ordered[0]) if len(rest) > 2 else 0.0
    return 1.5 * (ordered[len(rest) // 2] - ordered[0])
