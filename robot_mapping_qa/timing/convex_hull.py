# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The line under a cloud of delays.

Moon, Skelly and Towsley, "Estimation and removal of clock skew from network delay measurements",
IEEE INFOCOM 1999: of all lines that no delay lies under, take the one that leaves the smallest
area to the delays. It is an edge of the lower convex hull, the one above which the mean of the
times lies, and it does not care how far above it the delayed messages are.
"""

from __future__ import annotations

from typing import Sequence


def lower_hull(times: Sequence[float], values: Sequence[float]) -> list[int]:
    """
    Return the places of the lower convex hull's vertices, in order of time.

    Andrew's monotone chain; ``times`` must be strictly ascending.
    """
    hull: list[int] = []
    for place, time in enumerate(times):
        value = values[place]
        while len(hull) > 1:
            first, second = hull[-2], hull[-1]
            t0, v0 = times[first], values[first]
            if (times[second] - t0) * (value - v0) > (time - t0) * (values[second] - v0):
                break
            hull.pop()
        hull.append(place)
    return hull


def line_below(times: Sequence[float], values: Sequence[float]) -> tuple[float, float]:
    """
    Return slope and value at the mean time of the line below all points with the least area.

    ``times`` strictly ascending, at least two. The area above a line is, up to a constant, the
    number of points times the line's value at their mean time, so that the best line is the
    hull's edge there.
    """
    mean = sum(times) / len(times)
    hull = lower_hull(times, values)
    place = 1
    while place < len(hull) - 1 and times[hull[place]] < mean:
        place += 1
    first, second = hull[place - 1], hull[place]
    slope = (values[second] - values[first]) / (times[second] - times[first])
    return slope, values[first] + slope * (mean - times[first])
