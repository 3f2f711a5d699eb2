# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Markers for a 3D viewer: the path by trust and the ellipsoid of the position covariance."""

from __future__ import annotations

from typing import Any, Sequence

import numpy as np
from robot_mapping_qa.capture.trail import TrailPoint
from robot_mapping_qa.messages.factory import make_header, MessageFactory
from robot_mapping_qa.records import Odometry
from scipy.spatial.transform import Rotation
from scipy.special import gammaincinv

LINE_STRIP, SPHERE = 4, 2
ADD = 0
"""Constants of visualization_msgs/Marker."""

# Blue and orange stay apart for every kind of colour vision.
TRUSTED = (0.0, 0.45, 0.70, 1.0)
HELD = (0.90, 0.60, 0.0, 1.0)
ELLIPSOID = (0.35, 0.35, 0.35, 0.4)

# 95 % of a three-dimensional normal distribution lie within this many standard deviations
# (chi-square with three degrees of freedom: 7.815, NIST/SEMATECH e-Handbook 1.3.6.7.4).
SIGMAS_95 = float(np.sqrt(2.0 * gammaincinv(1.5, 0.95)))


def trail_markers(factory: MessageFactory, points: Sequence[TrailPoint],
                  pose: Odometry) -> Any:
    """Return path and 95 % ellipsoid as visualization_msgs/MarkerArray in the pose's frame."""
    return factory.make('visualization_msgs/msg/MarkerArray', markers=[
        _path(factory, points, pose), _ellipsoid(factory, pose)])


def _path(factory: MessageFactory, points: Sequence[TrailPoint], pose: Odometry) -> Any:
    return _marker(
        factory, pose, 'path', LINE_STRIP, (0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 1.0),
        (0.05, 0.0, 0.0), TRUSTED,
        points=[_point(factory, point[:3]) for point in points],
        colors=[_colour(factory, TRUSTED if point.allowed else HELD) for point in points])


def _ellipsoid(factory: MessageFactory, pose: Odometry) -> Any:
    variances, axes = np.linalg.eigh(np.nan_to_num(pose.covariance[:3, :3]))
    if np.linalg.det(axes) < 0.0:
        axes[:, 0] = -axes[:, 0]
    diameters = 2.0 * SIGMAS_95 * np.sqrt(np.maximum(variances, 0.0))
    # A viewer refuses a sphere without any size.
    return _marker(
        factory, pose, 'position_95', SPHERE, pose.position_m.tolist(),
        Rotation.from_matrix(axes).as_quat().tolist(), np.maximum(diameters, 1e-3).tolist(),
        ELLIPSOID, points=[], colors=[])


def _marker(factory: MessageFactory, pose: Odometry, space: str, kind: int,
            position: Sequence[float], turn: Sequence[float], scale: Sequence[float],
            colour: Sequence[float], points: list, colors: list) -> Any:
    make = factory.make
    never = make('builtin_interfaces/msg/Duration', sec=0, nanosec=0)
    return make(
        'visualization_msgs/msg/Marker', header=make_header(factory, pose.stamp_ns, pose.frame),
        ns=space, id=0, type=kind, action=ADD,
        pose=make('geometry_msgs/msg/Pose', position=_point(factory, position),
                  orientation=make('geometry_msgs/msg/Quaternion', **dict(zip('xyzw', turn)))),
        scale=make('geometry_msgs/msg/Vector3', **dict(zip('xyz', scale))),
        color=_colour(factory, colour), lifetime=never, frame_locked=False, points=points,
        colors=colors, texture_resource='',
        texture=make('sensor_msgs/msg/CompressedImage', header=make_header(factory, 0),
                     format='', data=np.zeros(0, dtype=np.uint8)),
        uv_coordinates=[], text='',
        mesh_resource='',
        mesh_file=make('visualization_msgs/msg/MeshFile', filename='',
                       data=np.zeros(0, dtype=np.uint8)),
        mesh_use_embedded_materials=False)


def _point(factory: MessageFactory, place: Sequence[float]) -> Any:
    return factory.make('geometry_msgs/msg/Point', **dict(zip('xyz', place)))


def _colour(factory: MessageFactory, colour: Sequence[float]) -> Any:
    return factory.make('std_msgs/msg/ColorRGBA', **dict(zip('rgba', colour)))
