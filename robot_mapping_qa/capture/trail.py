# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The path walked so far with the gate's state along it, bounded whatever the run's length."""

from __future__ import annotations

from math import dist
from typing import NamedTuple

SPACING_M = 0.1
"""Closer points look the same on a screen."""

MOST_POINTS = 4000
"""400 m at the first spacing; after that the path is thinned and the spacing doubled."""


class TrailPoint(NamedTuple):
    """A place in the map frame, m, and whether the gate was open there."""

    x: float
    y: float
    z: float
    allowed: bool


class Trail:
    """Points along the path at even spacing, and wherever the gate changed."""

    def __init__(self, spacing_m: float = SPACING_M, most_points: int = MOST_POINTS) -> None:
        """Begin without any point."""
        self.points: list[TrailPoint] = []
        self.thinned = 0
        """How often points were dropped: otherwise they are only ever added to."""
        self._spacing_m = spacing_m
        self._most_points = most_points

    def add(self, x: float, y: float, z: float, allowed: bool) -> None:
        """Take a position; it is kept where it is far enough from the last or the gate changed."""
        last = self.points[-1] if self.points else None
        if last is not None and last.allowed == allowed and (
                dist(last[:3], (x, y, z)) < self._spacing_m):
            return
        self.points.append(TrailPoint(x, y, z, allowed))
        if len(self.points) > self._most_points:
            self._thin()

    def _thin(self) -> None:
        """Drop every second point, but none at which the gate changed."""
        self._spacing_m *= 2.0
        self.thinned += 1
        points = self.points
        self.points = [
            point for place, point in enumerate(points)
            if place % 2 == 0 or place == len(points) - 1
            or point.allowed != points[place - 1].allowed
            or point.allowed != points[place + 1].allowed]
        # A gate that changes at every point leaves nothing to thin: the bound comes first.
        if len(self.points) > self._most_points:
            self.points = self.points[::2]
