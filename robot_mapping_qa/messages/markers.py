# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Markers for a 3D viewer: the path by trust, the position's ellipsoid, the places to redo."""

from __future__ import annotations

from typing import Any, Sequence

import numpy as np
from robot_mapping_qa.capture.redo_watch import Place
from robot_mapping_qa.capture.trail import Trail, TrailPoint
from robot_mapping_qa.messages.factory import make_header, MessageFactory
from robot_mapping_qa.messages.marker_board import Key, MarkerBoard
from robot_mapping_qa.records import Odometry
from scipy.spatial.transform import Rotation
from scipy.special import gammaincinv

LINE_STRIP, SPHERE, TEXT = 4, 2, 9
ADD, DELETE, DELETE_ALL = 0, 2, 3
"""Constants of visualization_msgs/Marker."""

PATH, POSITION, REDO, REDO_NUMBER = 'path', 'position_95', 'redo', 'redo_number'
"""Namespaces of the markers."""

# Blue and orange stay apart for every kind of colour vision.
TRUSTED = (0.0, 0.45, 0.70, 1.0)
HELD = (0.90, 0.60, 0.0, 1.0)
ELLIPSOID = (0.35, 0.35, 0.35, 0.4)
REDO_PLACE = (0.80, 0.40, 0.0, 0.9)
REDO_TEXT = (1.0, 1.0, 1.0, 1.0)

PIECE_POINTS = 200
"""The path is sent in pieces of so many steps."""

MOST_AT_ONCE = 4
"""
Pieces and places in one message.

A message with the whole path of an hour would keep the gate's node busy for 0.05 s.
"""

# 95 % of a three-dimensional normal distribution lie within this many standard deviations
# (chi-square with three degrees of freedom: 7.815, NIST/SEMATECH e-Handbook 1.3.6.7.4).
SIGMAS_95 = float(np.sqrt(2.0 * gammaincinv(1.5, 0.95)))

_NO_TURN = (0.0, 0.0, 0.0, 1.0)


class RunMarkers:
    """What a viewer is shown of a run, a little with each message."""

    def __init__(self, factory: MessageFactory) -> None:
        """Make messages with ``factory``."""
        self._factory = factory
        self._board = MarkerBoard()
        self._begun = False

    def message(self, trail: Trail, places: Sequence[Place], pose: Odometry) -> Any:
        """
        Return a visualization_msgs/MarkerArray in the pose's frame.

        It has the 95 % ellipsoid of the position, and of the path's pieces and the places those
        that have changed, then some of the others: a viewer that comes late has all of them
        after as many messages as it takes.
        """
        points = trail.points
        by_number = {place.number: place for place in places}
        # News of the path first, its newest piece before all.
        versions: dict[Key, Any] = {
            (PATH, piece): (trail.thinned, len(points[_piece(piece)]))
            for piece in reversed(range(-(-(len(points) - 1) // PIECE_POINTS)))}
        for place in places:
            versions[REDO, place.number] = versions[REDO_NUMBER, place.number] = place.position_m
        turn = self._board.turn(versions, MOST_AT_ONCE)
        markers = [_ellipsoid(self._factory, pose)]
        if not self._begun:
            # A gate that was started again takes away what the one before has left.
            self._begun = True
            markers.insert(0, _marker(self._factory, pose, '', 0, SPHERE, action=DELETE_ALL))
        for space, number in turn.send:
            if space == PATH:
                markers.append(_path(self._factory, number, points[_piece(number)], pose))
            else:
                markers.append(_place(self._factory, space, by_number[number], pose))
        markers += [_marker(self._factory, pose, space, number, LINE_STRIP, action=DELETE)
                    for space, number in turn.delete]
        return self._factory.make('visualization_msgs/msg/MarkerArray', markers=markers)


def _piece(number: int) -> slice:
    """Return which points a piece has: it ends where the next one begins."""
    return slice(number * PIECE_POINTS, (number + 1) * PIECE_POINTS + 1)


def _path(factory: MessageFactory, number: int, points: Sequence[TrailPoint],
          pose: Odometry) -> Any:
    return _marker(
        factory, pose, PATH, number, LINE_STRIP, scale=(0.05, 0.0, 0.0), colour=TRUSTED,
        points=[_point(factory, point[:3]) for point in points],
        colors=[_colour(factory, TRUSTED if point.allowed else HELD) for point in points])


def _place(factory: MessageFactory, space: str, place: Place, pose: Odometry) -> Any:
    x, y, z = place.position_m
    if space == REDO:
        return _marker(factory, pose, space, place.number, SPHERE, (x, y, z),
                       scale=(0.3, 0.3, 0.3), colour=REDO_PLACE)
    # A text has its height as its third size.
    return _marker(factory, pose, space, place.number, TEXT, (x, y, z + 0.4),
                   scale=(0.0, 0.0, 0.4), colour=REDO_TEXT, text=str(place.number))


def _ellipsoid(factory: MessageFactory, pose: Odometry) -> Any:
    variances, axes = np.linalg.eigh(np.nan_to_num(pose.covariance[:3, :3]))
    if np.linalg.det(axes) < 0.0:
        axes[:, 0] = -axes[:, 0]
    diameters = 2.0 * SIGMAS_95 * np.sqrt(np.maximum(variances, 0.0))
    # A viewer refuses a sphere without any size.
    return _marker(
        factory, pose, POSITION, 0, SPHERE, pose.position_m.tolist(),
        Rotation.from_matrix(axes).as_quat().tolist(), np.maximum(diameters, 1e-3).tolist(),
        ELLIPSOID)


def _marker(factory: MessageFactory, pose: Odometry, space: str, number: int, kind: int,
            position: Sequence[float] = (0.0, 0.0, 0.0), turn: Sequence[float] = _NO_TURN,
            scale: Sequence[float] = (0.0, 0.0, 0.0), colour: Sequence[float] = ELLIPSOID,
            points: Sequence = (), colors: Sequence = (), text: str = '',
            action: int = ADD) -> Any:
    make = factory.make
    never = make('builtin_interfaces/msg/Duration', sec=0, nanosec=0)
    return make(
        'visualization_msgs/msg/Marker', header=make_header(factory, pose.stamp_ns, pose.frame),
        ns=space, id=number, type=kind, action=action,
        pose=make('geometry_msgs/msg/Pose', position=_point(factory, position),
                  orientation=make('geometry_msgs/msg/Quaternion', **dict(zip('xyzw', turn)))),
        scale=make('geometry_msgs/msg/Vector3', **dict(zip('xyz', scale))),
        color=_colour(factory, colour), lifetime=never, frame_locked=False,
        points=list(points), colors=list(colors), texture_resource='',
        texture=make('sensor_msgs/msg/CompressedImage', header=make_header(factory, 0),
                     format='', data=np.zeros(0, dtype=np.uint8)),
        uv_coordinates=[], text=text,
        mesh_resource='',
        mesh_file=make('visualization_msgs/msg/MeshFile', filename='',
                       data=np.zeros(0, dtype=np.uint8)),
        mesh_use_embedded_materials=False)


def _point(factory: MessageFactory, place: Sequence[float]) -> Any:
    return factory.make('geometry_msgs/msg/Point', **dict(zip('xyz', place)))


def _colour(factory: MessageFactory, colour: Sequence[float]) -> Any:
    return factory.make('std_msgs/msg/ColorRGBA', **dict(zip('rgba', colour)))
