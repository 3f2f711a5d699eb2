# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The beams of one revolution of a scanner, and which of them point towards a box."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
import math

import numpy as np

Window = tuple[slice, slice]
"""Rings and columns of a fan."""

_NEAR_M = 0.6
_ROUNDING_RAD = 0.01


@dataclass(frozen=True, slots=True)
class Fan:
    """
    Beams of one revolution in the map frame.

    beams is (3, rings, columns) float32 of unit length, origins (3, columns) float32, m: the rings
    of a column fire together. Rings go evenly from -view_rad / 2 to view_rad / 2 of elevation,
    columns evenly clockwise once round, starting at first_azimuth (rad): each beam to within
    spread_rad, by tilt and turn. The origins lie within travel_m of their mean.
    """

    beams: np.ndarray
    origins: np.ndarray
    view_rad: float
    first_azimuth: float = math.pi
    spread_rad: float = 0.0
    travel_m: float = 0.0

    @property
    def middle(self) -> np.ndarray:
        """Mean of the origins (3,), m."""
        return self.origins.mean(axis=1, dtype=float)

    def windows(self, low: np.ndarray, high: np.ndarray) -> Iterator[list[Window]]:
        """Yield for each of the boxes from low to high, both (n, 3), where beams may hit it."""
        at = self.middle
        gap = np.clip(at, low, high) - at
        near = np.hypot(gap[:, 0], gap[:, 1])
        low, high = low - at, high - at
        far = np.hypot(*np.maximum(np.abs(low), np.abs(high))[:, :2].T)
        margin = _ROUNDING_RAD + self.spread_rad + self.travel_m / np.maximum(
            np.linalg.norm(gap, axis=1), self.travel_m + 1e-3)
        down = np.arctan2(low[:, 2], np.where(low[:, 2] < 0.0, near, far)) - margin
        up = np.arctan2(high[:, 2], np.where(high[:, 2] > 0.0, near, far)) + margin
        rings = self.beams.shape[1]
        per_rad = (rings - 1) / self.view_rad
        first = np.ceil((down + self.view_rad / 2) * per_rad).clip(0, rings)
        first = first.astype(int).tolist()
        last = np.floor((up + self.view_rad / 2) * per_rad).clip(-1, rings - 1)
        last = last.astype(int).tolist()

        middle = np.arctan2(low[:, 1] + high[:, 1], low[:, 0] + high[:, 0])
        corners = np.stack([
            np.arctan2(y[:, 1], x[:, 0]) for x in (low, high) for y in (low, high)])
        aside = (corners - middle + math.pi) % (2 * math.pi) - math.pi
        right = (middle + aside.min(axis=0) - margin).tolist()
        left = (middle + aside.max(axis=0) + margin).tolist()
        all_round = (near < _NEAR_M + self.travel_m).tolist()
        for index in range(len(low)):
            chosen = slice(first[index], last[index] + 1)
            if chosen.start >= chosen.stop:
                yield []
            elif all_round[index]:
                yield [(chosen, slice(None))]
            else:
                yield [(chosen, part) for part in self._columns(right[index], left[index])]

    def _columns(self, low: float, high: float) -> list[slice]:
        """Return the columns between two azimuths, going round; one slice or two."""
        columns = self.beams.shape[2]
        per_rad = columns / (2 * math.pi)
        first = math.ceil((self.first_azimuth - high) * per_rad)
        last = math.floor((self.first_azimuth - low) * per_rad)
        if last - first + 1 >= columns:
            return [slice(None)]
        if last < first:
            return []
        first, last = first % columns, last % columns
        if first <= last:
            return [slice(first, last + 1)]
        return [slice(first, None), slice(None, last + 1)]


def level_fan(position: np.ndarray, rings: int, columns: int, view_rad: float) -> Fan:
    """Return the fan of a scanner that stands level at a position (3,), facing along X."""
    origins = np.repeat(position.astype(np.float32)[:, None], columns, axis=1)
    return Fan(unit_beams(rings, columns, view_rad), origins, view_rad)


def unit_beams(rings: int, columns: int, view_rad: float) -> np.ndarray:
    """Return beams (3, rings, columns) float32 in the scanner's frame, laid out as in Fan."""
    elevation = np.linspace(-view_rad / 2, view_rad / 2, rings)[:, None]
    azimuth = np.linspace(math.pi, -math.pi, columns, endpoint=False)[None, :]
    return np.stack([
        np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth),
        np.broadcast_to(np.sin(elevation), (rings, columns))]).astype(np.float32)
