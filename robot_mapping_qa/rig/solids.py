# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Solids of a scene and the beams that hit them, computed exactly.

A box is seen as its faces that look towards the scanner, a cylinder as its mantle. Each is tested
only against the beams that point its way, the nearest first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from robot_mapping_qa.rig.fan import Fan, Window
from robot_mapping_qa.rig.rotation import Vector

NOTHING = -1
"""Surface number of a beam that hits nothing."""


@dataclass(frozen=True, slots=True)
class Box:
    """A box along the axes between two corners, m."""

    low: Vector
    high: Vector


@dataclass(frozen=True, slots=True)
class Cylinder:
    """An upright cylinder about (x, y) from low to high, m; its ends are not seen."""

    x: float
    y: float
    radius: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Hits:
    """
    Where the beams of a fan end, without any noise.

    reach is (rings, columns) float32, m, inf where nothing is hit; surface the number of the
    surface or NOTHING; normal is (3, rings, columns), outwards, zero where nothing is hit.
    """

    reach: np.ndarray
    surface: np.ndarray
    normal: np.ndarray


class Solids:
    """Boxes and cylinders that beams are cast at."""

    def __init__(self, boxes: list[Box], cylinders: list[Cylinder]) -> None:
        """Take the boxes apart into faces."""
        faces = []
        for box in boxes:
            for axis in range(3):
                for place, side in ((box.low[axis], -1.0), (box.high[axis], 1.0)):
                    low, high = list(box.low), list(box.high)
                    low[axis] = high[axis] = place
                    faces.append((axis, side, place, low, high))
        self._faces = len(faces)
        self._axis = np.array([face[0] for face in faces])
        self._side = np.array([face[1] for face in faces])
        self._place = np.array([face[2] for face in faces])
        self._cylinders = np.array([(c.x, c.y, c.radius, c.low, c.high) for c in cylinders])
        self._low = np.array([face[3] for face in faces] + [
            [c.x - c.radius, c.y - c.radius, c.low] for c in cylinders])
        self._high = np.array([face[4] for face in faces] + [
            [c.x + c.radius, c.y + c.radius, c.high] for c in cylinders])
        self._normals = np.zeros((len(self._low) + 1, 3), np.float32)
        self._normals[np.arange(self._faces), self._axis] = self._side

    def cast(self, fan: Fan, range_m: float) -> Hits:
        """Return what the beams hit, surfaces farther than range_m from the scanner left out."""
        shape = fan.beams.shape[1:]
        reach = np.full(shape, np.inf, np.float32)
        surface = np.full(shape, NOTHING, np.int32)
        at = fan.middle
        distance = np.linalg.norm(np.clip(at, self._low, self._high) - at, axis=1)
        visible = distance < range_m
        visible[:self._faces] &= (at[self._axis] - self._place) * self._side > 0.0
        chosen = np.flatnonzero(visible)
        chosen = chosen[np.argsort(distance[chosen])]
        with np.errstate(divide='ignore', invalid='ignore'):
            for number, nearest_m, windows in zip(
                    chosen.tolist(), (distance[chosen] - fan.travel_m).tolist(),
                    fan.windows(self._low[chosen], self._high[chosen])):
                hit = self._hit_face if number < self._faces else self._hit_cylinder
                for window in windows:
                    # Nothing to do where all beams have ended nearer than this.
                    if reach[window].max() > nearest_m:
                        hit(fan, number, window, reach[window], surface[window])
        # The last row of the table is that of NOTHING, which numpy reaches by its -1.
        normal = np.moveaxis(self._normals[surface], -1, 0)
        self._turn_mantles(fan, reach, surface, normal)
        return Hits(reach, surface, normal)

    def distance_m(self, places: np.ndarray) -> np.ndarray:
        """Return the distance (n,) of places (n, 3) to the nearest surface, m."""
        nearest = np.full(len(places), np.inf)
        for low, high in zip(self._low[:self._faces], self._high[:self._faces]):
            gap = places - np.clip(places, low, high)
            np.minimum(nearest, np.linalg.norm(gap, axis=1), out=nearest)
        for x, y, radius, low, high in self._cylinders:
            aside = np.abs(np.hypot(places[:, 0] - x, places[:, 1] - y) - radius)
            above = places[:, 2] - np.clip(places[:, 2], low, high)
            np.minimum(nearest, np.hypot(aside, above), out=nearest)
        return nearest

    def _hit_face(
            self, fan: Fan, number: int, window: Window, reach: np.ndarray,
            surface: np.ndarray) -> None:
        """End beams of a window on a face; reach and surface are the window's."""
        axis = int(self._axis[number])
        b, c = (axis + 1) % 3, (axis + 2) % 3
        low, high = self._low[number].tolist(), self._high[number].tolist()
        beams, origins = fan.beams[:, window[0], window[1]], fan.origins[:, window[1]]
        t = (np.float32(self._place[number]) - origins[axis]) / beams[axis]
        along_b = t * beams[b] + origins[b]
        along_c = t * beams[c] + origins[c]
        hit = (t > 0.0) & (t < reach)
        hit &= (along_b >= low[b]) & (along_b <= high[b])
        hit &= (along_c >= low[c]) & (along_c <= high[c])
        np.copyto(reach, t, where=hit)
        np.copyto(surface, number, where=hit)

    def _hit_cylinder(
            self, fan: Fan, number: int, window: Window, reach: np.ndarray,
            surface: np.ndarray) -> None:
        """End beams of a window on a mantle; reach and surface are the window's."""
        x, y, radius, low, high = self._cylinders[number - self._faces].tolist()
        beams, origins = fan.beams[:, window[0], window[1]], fan.origins[:, window[1]]
        dx, dy = origins[0] - np.float32(x), origins[1] - np.float32(y)
        a = beams[0] ** 2 + beams[1] ** 2
        half_b = beams[0] * dx + beams[1] * dy
        root = half_b ** 2 - a * (dx ** 2 + dy ** 2 - np.float32(radius ** 2))
        t = (-half_b - np.sqrt(root)) / a
        height = origins[2] + t * beams[2]
        # Where the beam passes by, root is negative and t not a number: no comparison holds.
        hit = (t > 0.0) & (t < reach) & (height >= low) & (height <= high)
        np.copyto(reach, t, where=hit)
        np.copyto(surface, number, where=hit)

    def _turn_mantles(
            self, fan: Fan, reach: np.ndarray, surface: np.ndarray, normal: np.ndarray) -> None:
        """Set the normals of what hit a cylinder."""
        ring, column = np.nonzero(surface >= self._faces)
        if len(ring) == 0:
            return
        hit = self._cylinders[surface[ring, column] - self._faces]
        for axis in range(2):
            place = fan.origins[axis, column] + reach[ring, column] * fan.beams[axis, ring, column]
            normal[axis, ring, column] = (place - hit[:, axis]) / hit[:, 2]
