# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A cloud thinned to planar patches, each with its normal and how far that normal can be trusted.

The points of a voxel are summed up to their first and second moments; the direction of least
variance is the normal. Moments of voxels can be added, so what makes no plane in a small voxel
(too few points, only one ring of the lidar) is pooled with its neighbours in one of twice the
edge, and so on. That adapts the size of a patch to the density of the points, near and far, for
16 rings and for 128, organized or not, and costs one sort of the cloud. The time does not depend
on how the points are ordered.
"""

from __future__ import annotations

from dataclasses import dataclass
import itertools
from typing import Iterable

import numpy as np

from robot_mapping_qa.pose.geometry_limits import GeometryLimits

_LEVELS = 4
# More take longer than a cloud may: a scan of a large hall, nearly one voxel for each point.
_MOST_VOXELS = 10_000
# Three coordinates of a voxel in one integer: 500 m over 0.1 m, both signs, is below 2^14.
_BITS = 14
# What is left of 63 bits numbers the points.
_INDEX_BITS = 63 - 3 * _BITS
# The bits of each coordinate with room for those of the two others between them.
_SPREAD = np.sum([(np.arange(1 << _BITS) >> bit & 1) << 3 * bit for bit in range(_BITS)], axis=0)
# Two more than the parameters of a plane: with fewer, the variance about it is a guess.
_LEAST_POINTS = 5
# A variance about the plane estimated from few points may be this much above the range noise.
_NOISE_SIGMAS = 2.0


@dataclass(frozen=True, slots=True)
class Patches:
    """
    Planar patches of one cloud, in the frame of its points.

    ``centroid_m`` (m, 3); ``normal`` (m, 3) of unit length and either sign;
    ``normal_covariance`` (m, 3, 3) of its direction, rad^2, flat in the patch's plane;
    ``variance_m2`` (m,) of one point about the plane; ``points`` (m,) in the patch; ``edge_m``
    (m,) of its voxel. ``loose_points`` is the number of points within range that are on no patch.
    """

    centroid_m: np.ndarray
    normal: np.ndarray
    normal_covariance: np.ndarray
    variance_m2: np.ndarray
    points: np.ndarray
    edge_m: np.ndarray
    loose_points: int


def planar_patches(points_m: np.ndarray, limits: GeometryLimits) -> Patches:
    """
    Return the planar patches of a cloud (n, 3) in the sensor's frame.

    Points that are not finite, or outside the range limits, are left out. Raises ValueError for
    an array of another shape or of more than 2^21 points.
    """
    points_m = np.asarray(points_m)
    if points_m.ndim != 2 or points_m.shape[1] != 3 or len(points_m) >= 1 << _INDEX_BITS:
        raise ValueError(f'points: found an array of shape {points_m.shape}, expected (n, 3) '
                         f'with n below {1 << _INDEX_BITS}')
    start, key, moments = _voxel_moments(_axes_within_range(points_m, limits), limits.voxel_m)
    found = []
    for level in range(start, _LEVELS):
        columns, is_patch = _patches(moments, limits.voxel_m * 2 ** level, limits)
        found.append(columns)
        rest = np.flatnonzero(~is_patch)
        key, moments = _pooled(key[rest], np.take(moments, rest, axis=1))
    centroid, normal, normal_covariance, variance, points, edge = map(
        np.concatenate, zip(*found))
    return Patches(centroid, normal, normal_covariance, variance, points, edge,
                   int(moments[0].sum()))


def _axes_within_range(points_m: np.ndarray, limits: GeometryLimits) -> np.ndarray:
    """Return the coordinates (3, n) of the points that are finite and within range."""
    # Axis by axis, here and below: numpy takes long rows several times as fast as triples.
    axes = np.ascontiguousarray(points_m.T)
    with np.errstate(invalid='ignore', over='ignore'):
        square = (axes * axes).sum(axis=0)
        # A NaN fails both comparisons.
        keep = (square >= limits.min_range_m ** 2) & (square <= limits.max_range_m ** 2)
    return axes if keep.all() else np.compress(keep, axes, axis=1)


def _voxel_moments(axes: np.ndarray, edge_m: float) -> tuple[int, np.ndarray, np.ndarray]:
    """
    Return a level, the key (v,) of each voxel with points (3, n), ascending, and moments (10, v).

    The level is 0 for voxels of the edge given, and one more for each doubling of it that it
    takes to have few enough: where points are so far apart, few of the small ones hold a plane.
    The key interleaves the bits of the three coordinates (Morton 1966): the eight voxels that make
    one of twice the edge follow each other, and their keys without the last three bits are its.
    """
    # In place where it can be: fresh memory costs more than the arithmetic.
    key = np.zeros(axes.shape[1], np.int64)
    for axis in axes:
        cell = axis * axes.dtype.type(1.0 / edge_m)
        cell = np.floor(cell, out=cell).astype(np.intp)
        cell += 1 << (_BITS - 1)
        key <<= 1
        key |= _SPREAD[cell]
    # The index rides along in the low bits: sorting plain integers takes a third of the time of
    # argsort.
    key <<= _INDEX_BITS
    key += np.arange(len(key))
    key.sort()
    order = key & ((1 << _INDEX_BITS) - 1)
    key >>= _INDEX_BITS
    level, first = 0, _first_of_runs(key)
    while len(first) > _MOST_VOXELS and level < _LEVELS - 1:
        level += 1
        key >>= 3
        first = _first_of_runs(key)
    return level, key[first], _sums(np.take(axes, order, axis=1).astype(float), first)


def _sums(axes: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Return count and sums of x, y, z, xx, xy, xz, yy, yz, zz (10, v) of runs of points."""
    x, y, z = axes
    products = (one * other for one, other in ((x, x), (x, y), (x, z), (y, y), (y, z), (z, z)))
    return _run_sums(itertools.chain([np.ones(len(x))], axes, products), len(x), first)


def _pooled(key: np.ndarray, moments: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return keys and moments of the voxels of twice the edge."""
    parent = key >> 3
    first = _first_of_runs(parent)
    return parent[first], _run_sums(moments, len(parent), first)


def _run_sums(rows: Iterable[np.ndarray], length: int, first: np.ndarray) -> np.ndarray:
    """Return the sums (10, v) over runs of ten rows (length,); a run begins at each ``first``."""
    sums = np.zeros((10, len(first)))
    if 8 * len(first) < length:
        for row, out in zip(rows, sums):
            np.add.reduceat(row, first, out=out)
    elif length:
        # That took a step for every run; with short runs, a step for every value is less.
        run = np.zeros(length, np.intp)
        run[first[1:]] = 1
        np.cumsum(run, out=run)
        for row, out in zip(rows, sums):
            out[:] = np.bincount(run, row)
    return sums


def _first_of_runs(key: np.ndarray) -> np.ndarray:
    """Return where in a sorted array (n,) each value occurs first."""
    return np.flatnonzero(np.concatenate([np.ones(min(len(key), 1), bool), key[1:] != key[:-1]]))


def _patches(moments: np.ndarray, edge_m: float, limits: GeometryLimits,
             ) -> tuple[tuple[np.ndarray, ...], np.ndarray]:
    """Return the arrays of `Patches` for voxels of one edge, and which (v,) are patches."""
    enough = np.flatnonzero(moments[0] >= _LEAST_POINTS)
    count, centroid, scatter = _scatter(np.take(moments, enough, axis=1))
    least = _least_eigenvalue(scatter)
    # Without its least variance the scatter lies in the plane, with the eigenvalues a and b; its
    # adjugate is a b times the normal's outer product (any textbook of linear algebra).
    xx, xy, xz, yy, yz, zz = scatter
    xx, yy, zz = xx - least, yy - least, zz - least
    adjugate = np.stack([yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy,
                         xx * zz - xz * xz, xy * xz - xx * yz, xx * yy - xy * xy])
    product = adjugate[0] + adjugate[3] + adjugate[5]
    about_plane = least * count / (count - 3)
    variance = np.maximum(limits.range_noise_m ** 2, about_plane)
    # The normal turns about each axis of the plane like the slope of a regression line: with the
    # variance about the plane over count times the variance along it.
    per_point = variance / count
    with np.errstate(divide='ignore', invalid='ignore'):
        normal_variance = per_point * (xx + yy + zz) / product
    thickest = max(_NOISE_SIGMAS * limits.range_noise_m, limits.unevenness * edge_m)
    planar = (normal_variance <= limits.normal_sigma_rad ** 2) & (about_plane <= thickest ** 2)

    is_patch = np.zeros(moments.shape[1], bool)
    is_patch[enough[planar]] = True
    adjugate, product = adjugate[:, planar], product[planar]
    in_plane = _matrix(np.stack([xx, xy, xz, yy, yz, zz])[:, planar])
    outer = _matrix(adjugate / product)
    trace = np.trace(in_plane, axis1=1, axis2=2)[:, None, None]
    # The inverse within the plane of a matrix M of rank two: (tr M (I - n n') - M) / (a b).
    inverse = (trace * (np.eye(3) - outer) - in_plane) / product[:, None, None]
    columns = (centroid[:, planar].T, _normal(outer), inverse * per_point[planar, None, None],
               variance[planar], count[planar].astype(int), np.full(planar.sum(), edge_m))
    return columns, is_patch


def _scatter(moments: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return count (v,), centroid (3, v) and xx, xy, xz, yy, yz, zz (6, v) about it."""
    count = moments[0]
    mean = moments[1:] / count
    x, y, z = mean[:3]
    return count, mean[:3], mean[3:] - np.stack([x * x, x * y, x * z, y * y, y * z, z * z])


def _least_eigenvalue(scatter: np.ndarray) -> np.ndarray:
    """
    Return the least eigenvalue (v,) of matrices given as xx, xy, xz, yy, yz, zz (6, v).

    In closed form: Smith 1961, "Eigenvalues of a symmetric 3 x 3 matrix", CACM 4(4).
    """
    xx, xy, xz, yy, yz, zz = scatter
    mean = (xx + yy + zz) / 3.0
    a, b, c = xx - mean, yy - mean, zz - mean
    spread = np.sqrt((a * a + b * b + c * c + 2.0 * (xy * xy + xz * xz + yz * yz)) / 6.0)
    half_determinant = 0.5 * (a * (b * c - yz * yz) - xy * (xy * c - yz * xz)
                              + xz * (xy * yz - b * xz))
    with np.errstate(divide='ignore', invalid='ignore'):
        ratio = np.where(spread > 0.0, half_determinant / spread ** 3, 1.0)
    angle = np.arccos(np.clip(ratio, -1.0, 1.0)) / 3.0
    # Rounding must not make the variance about a perfect plane negative.
    return np.maximum(mean + 2.0 * spread * np.cos(angle + 2.0 * np.pi / 3.0), 0.0)


def _matrix(six: np.ndarray) -> np.ndarray:
    """Return symmetric matrices (v, 3, 3) from xx, xy, xz, yy, yz, zz (6, v)."""
    return six.T[:, [0, 1, 2, 1, 3, 4, 2, 4, 5]].reshape(-1, 3, 3)


def _normal(outer: np.ndarray) -> np.ndarray:
    """Return unit vectors (m, 3) from their outer products (m, 3, 3)."""
    # From the largest component, so that none is divided by a small number.
    largest = np.argmax(np.diagonal(outer, axis1=1, axis2=2), axis=1)
    column = outer[np.arange(len(outer)), largest]
    return column / np.linalg.norm(column, axis=1, keepdims=True)
