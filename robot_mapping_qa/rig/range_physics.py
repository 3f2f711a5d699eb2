# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What becomes of laser beams on their way: weak echoes, slant footprints, leaves."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from robot_mapping_qa.rig.fan import Fan, Window
from robot_mapping_qa.rig.solids import Box, Hits

BEAM_DIVERGENCE_RAD = 0.003
"""Full angle of the beam; typical of spinning scanners, common practice, no source."""


def incidence_cosine(fan: Fan, hits: Hits) -> np.ndarray:
    """Return the cosine (rings, columns) between beam and surface normal, 0 without a hit."""
    return np.abs(np.einsum('irc,irc->rc', fan.beams, hits.normal))


def echo_margin(reach: np.ndarray, cosine: np.ndarray, range_m: float) -> np.ndarray:
    """
    Return the echo's power over the least that is detected; below 1 there is no return.

    A diffuse (Lambertian) surface larger than the beam returns power as the cosine of incidence
    and the inverse square of distance; range_m is where one that is met squarely is just seen.
    """
    return cosine * (range_m / reach) ** 2


def slant_noise_m(noise_m: float, reach: np.ndarray, cosine: np.ndarray) -> np.ndarray:
    """Return the standard deviation of ranges: the device's, and the footprint's on a slant."""
    footprint = reach * (BEAM_DIVERGENCE_RAD / 4)
    return np.sqrt(noise_m ** 2 + footprint ** 2 * (1.0 / np.maximum(cosine, 0.01) ** 2 - 1.0))


def ways_through(
        fan: Fan, boxes: tuple[Box, ...], reach: np.ndarray,
        range_m: float) -> Iterator[tuple[Window, np.ndarray, np.ndarray]]:
    """
    Yield windows of a fan with where its beams enter and leave a box there, m.

    For boxes within range_m, the nearest first. A beam leaves at the latest where reach (rings,
    columns), as it is at that time, says that it ends; where it leaves before it enters, it
    misses the box.
    """
    low, high = (np.array([getattr(box, end) for box in boxes]) for end in ('low', 'high'))
    at = fan.middle
    distance = np.linalg.norm(np.clip(at, low, high) - at, axis=1)
    order = np.argsort(distance)
    order = order[distance[order] < range_m]
    for number, windows in zip(order.tolist(), fan.windows(low[order], high[order])):
        for window in windows:
            enter, leave = np.zeros((), np.float32), reach[window]
            with np.errstate(divide='ignore', invalid='ignore'):
                for axis in range(3):
                    origin, beam = fan.origins[axis, window[1]], fan.beams[axis][window]
                    a = (np.float32(low[number, axis]) - origin) / beam
                    b = (np.float32(high[number, axis]) - origin) / beam
                    enter = np.maximum(enter, np.minimum(a, b))
                    leave = np.minimum(leave, np.maximum(a, b))
            yield window, enter, leave
