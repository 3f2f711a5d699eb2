# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Scanned surfaces for the tests of the lidar geometry: rays against planes, cylinder, sphere."""

import numpy as np


def beams(rings, columns, half_view_rad=0.4):
    """Return unit vectors (rings * columns, 3) of a spinning scanner, ring by ring."""
    elevation = np.linspace(-half_view_rad, half_view_rad, rings)[:, None]
    azimuth = np.linspace(-np.pi, np.pi, columns, endpoint=False)[None, :]
    return np.stack(np.broadcast_arrays(
        np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth),
        np.sin(elevation)), -1).reshape(-1, 3)


class Plane:
    """Points p with normal . p = distance_m."""

    def __init__(self, normal, distance_m):
        self.normal = np.array(normal, dtype=float)
        self.distance_m = distance_m

    def ranges(self, directions):
        with np.errstate(divide='ignore'):
            return self.distance_m / (directions @ self.normal)

    def normals(self, points):
        return np.broadcast_to(self.normal, points.shape)


class Round:
    """A sphere, or with an axis a cylinder, seen from the inside or the outside."""

    def __init__(self, center_m, radius_m, axis=None, outside=False):
        self.center_m, self.radius_m = np.array(center_m, dtype=float), radius_m
        self.sign = -1.0 if outside else 1.0
        self.across = np.eye(3) if axis is None else np.eye(3) - np.outer(axis, axis)

    def ranges(self, directions):
        across, center = directions @ self.across, self.across @ self.center_m
        square = (across ** 2).sum(axis=1)
        half = across @ center
        with np.errstate(invalid='ignore', divide='ignore'):
            root = np.sqrt(half ** 2 - square * (center @ center - self.radius_m ** 2))
            return (half + self.sign * root) / square

    def normals(self, points):
        return (points - self.center_m) @ self.across / self.radius_m


def hits(surfaces, directions, reach_m=60.0):
    """Return the range (n,) of each ray from the origin, NaN without a hit, and its surface."""
    ranges = np.stack([surface.ranges(directions) for surface in surfaces])
    ranges = np.where(ranges > 0.0, ranges, np.inf)
    first = np.argmin(ranges, axis=0)
    nearest = ranges[first, np.arange(len(directions))]
    return np.where(nearest < reach_m, nearest, np.nan), first


def scan(surfaces, directions, random=None, noise_m=0.0):
    """Return points (n, 3), float32 as drivers send them, with noise along the beams."""
    ranges, _ = hits(surfaces, directions)
    if random is not None:
        ranges = ranges + noise_m * random.standard_normal(len(ranges))
    return (ranges[:, None] * directions).astype(np.float32)


FLOOR, CEILING = Plane((0, 0, -1), 0.8), Plane((0, 0, 1), 1.6)
WALLS = [Plane((0, 1, 0), 1.2), Plane((0, -1, 0), 1.0)]
CORRIDOR = [*WALLS, FLOOR]
BOX = [Plane((0, 1, 0), 4.0), Plane((0, -1, 0), 3.0), FLOOR, Plane((0, 0, 1), 3.0),
       Plane((1, 0, 0), 8.0), Plane((-1, 0, 0), 9.0)]
