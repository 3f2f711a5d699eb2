# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
CPU time to judge a lidar cloud of 65,536 points, and that of open3d's normals beside it.

open3d is no dependency: without it the figures stand alone. To compare, run this file in an
environment of its own, with ``pip install open3d scipy rosbags`` and libusb-1.0 on the system:
``OMP_NUM_THREADS=1 PYTHONPATH=. FOLDER/bin/python test/bench/bench_geometry.py``.
"""

from __future__ import annotations

import importlib
import math
from pathlib import Path
from time import process_time
from typing import Callable

import numpy as np
from robot_mapping_qa.messages.factory import make_header, RosbagsFactory
from robot_mapping_qa.messages.point_cloud import read_points
from robot_mapping_qa.pose.geometry_limits import GeometryLimits
from robot_mapping_qa.pose.lidar_geometry import cloud_information
from robot_mapping_qa.pose.planar_patches import planar_patches
from rosbags.typesys import get_typestore, Stores

RINGS, COLUMNS = 64, 1024
ROUNDS = 60
NOISE_M = 0.02
NEIGHBOURS = 30
"""open3d's own default for normals."""

HALLS = {
    'hall of 17 x 7 m': ((9.0, 8.0), (3.0, 4.0), (0.8, 3.0)),
    'passage of 2.2 m': ((math.inf, math.inf), (1.0, 1.2), (0.8, 1.6)),
    'hall of 60 x 40 m': ((35.0, 25.0), (22.0, 18.0), (1.0, 12.0)),
}
"""Distance of the two walls along each axis, m."""


def scan(walls: tuple[tuple[float, float], ...]) -> np.ndarray:
    """Return one revolution (n, 3), float32, in a rectangular hall, columns one by one."""
    elevation = np.linspace(-0.4, 0.4, RINGS)[None, :]
    azimuth = np.linspace(-np.pi, np.pi, COLUMNS, endpoint=False)[:, None]
    beams = np.stack(np.broadcast_arrays(
        np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth),
        np.sin(elevation)), -1).reshape(-1, 3)
    low, high = np.array(walls).T
    with np.errstate(divide='ignore'):
        ranges = (np.where(beams > 0.0, high, low) / np.abs(beams)).min(axis=1)
    ranges += NOISE_M * np.random.default_rng(1).standard_normal(len(ranges))
    return (ranges[:, None] * beams).astype(np.float32)


def _least_ms(work: Callable[[], object]) -> float:
    """Return the least CPU time of some rounds, of all threads together."""
    times = []
    for _ in range(ROUNDS):
        start = process_time()
        work()
        times.append(process_time() - start)
    return min(times) * 1e3


def cloud_message(points: np.ndarray) -> bytes:
    """Return a serialized PointCloud2 with x, y, z, intensity, time and ring, 24 bytes a point."""
    store = get_typestore(Stores.ROS2_JAZZY)
    factory = RosbagsFactory(store)
    data = np.zeros((len(points), 24), np.uint8)
    data[:, :12] = points.view(np.uint8).reshape(len(points), 12)
    fields = [factory.make('sensor_msgs/msg/PointField', name=name, offset=offset,
                           datatype=datatype, count=1)
              for name, offset, datatype in (('x', 0, 7), ('y', 4, 7), ('z', 8, 7),
                                             ('intensity', 12, 7), ('time', 16, 7),
                                             ('ring', 20, 4))]
    message = factory.make(
        'sensor_msgs/msg/PointCloud2', header=make_header(factory, 0, 'lidar'), height=1,
        width=len(points), fields=fields, is_bigendian=False, point_step=24,
        row_step=data.size, data=data.ravel(), is_dense=True)
    return bytes(store.serialize_cdr(message, message.__msgtype__))


def _thinned(points: np.ndarray, edge_m: float) -> np.ndarray:
    """Return the mean (v, 3) of the points of each voxel."""
    _, voxel, count = np.unique(np.floor(points / edge_m).astype(int), axis=0,
                                return_inverse=True, return_counts=True)
    return np.stack([np.bincount(voxel.ravel(), column) / count for column in points.T], 1)


def _import_problem() -> str | None:
    """Return why open3d cannot be used, None if it can."""
    try:
        importlib.import_module('open3d')
    except ImportError as error:
        # Also a system library that is missing.
        return str(error)
    return None


def _open3d_normals_ms(points: np.ndarray) -> float:
    # By name: it is no dependency of the package, only a floor to compare with.
    open3d = importlib.import_module('open3d')
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points))
    search = open3d.geometry.KDTreeSearchParamKNN(NEIGHBOURS)

    def estimate() -> None:
        # From nothing each time, as for a new cloud.
        cloud.normals = open3d.utility.Vector3dVector()
        cloud.estimate_normals(search)
    return _least_ms(estimate)


def run() -> list[tuple[str, float, str, float | None]]:
    """Return (what, figure, unit, goal) for each measurement."""
    limits = GeometryLimits()
    rows: list[tuple[str, float, str, float | None]] = []
    missing = _import_problem()
    for name, walls in HALLS.items():
        points = scan(walls)
        data = cloud_message(points)
        rows.append((f'cloud to verdict, {name}',
                     _least_ms(lambda: cloud_information(read_points(data), limits)), 'ms', 15.0))
        patches_ms = _least_ms(lambda: planar_patches(points, limits))
        rows.append((f'of that thinning and normals, {name}', patches_ms, 'ms', None))
        if missing is not None:
            continue
        thinned = _thinned(points, limits.voxel_m)
        rows.append((f'over open3d normals of {len(thinned)} voxels, {name}',
                     patches_ms / _open3d_normals_ms(thinned), '', 1.0))
    if missing is not None:
        rows.append((f'no ratio to open3d normals, see the head of {Path(__file__).name}: '
                     f'{missing}', math.nan, '', None))
    return rows


if __name__ == '__main__':
    for what, figure, unit, goal in run():
        wanted = '' if goal is None else f' (goal {goal:g})'
        print(f'{what}: {figure:.2f} {unit}{wanted}')
