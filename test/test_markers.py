# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a 3D viewer is sent: all of the run after a while, and never much at once."""

import numpy as np
import pytest
from robot_mapping_qa.capture.redo_watch import Place
from robot_mapping_qa.capture.trail import Trail
from robot_mapping_qa.messages.factory import RosbagsFactory
from robot_mapping_qa.messages.marker_board import MarkerBoard
from robot_mapping_qa.messages.markers import (
    DELETE, DELETE_ALL, HELD, MOST_AT_ONCE, PIECE_POINTS, RunMarkers, TRUSTED)
from robot_mapping_qa.records import Odometry
from rosbags.typesys import get_typestore, Stores

STORE = get_typestore(Stores.ROS2_JAZZY)
COVARIANCE = np.zeros((6, 6))
COVARIANCE[:3, :3] = np.diag([0.04, 0.01, 0.0])
POSE = Odometry(5_000_000_001, 'map', 'unit', np.array([1.0, 2.0, 3.0]),
                np.array([0.0, 0.0, 0.0, 1.0]), COVARIANCE, None, None, None)
LONGEST_BYTES = 40_000


class Viewer:
    """Keeps markers by namespace and number, as a viewer does."""

    def __init__(self):
        self.markers = {}

    def take(self, message):
        data = STORE.serialize_cdr(message, message.__msgtype__)
        assert len(data) < LONGEST_BYTES
        for marker in STORE.deserialize_cdr(data, message.__msgtype__).markers:
            assert marker.header.frame_id == 'map'
            if marker.action == DELETE_ALL:
                self.markers.clear()
            elif marker.action == DELETE:
                self.markers.pop((marker.ns, marker.id), None)
            else:
                self.markers[marker.ns, marker.id] = marker

    @property
    def path(self):
        """Return the points of the pieces put together, with their colours."""
        points = []
        for number in sorted(number for space, number in self.markers if space == 'path'):
            piece = self.markers['path', number]
            found = [((p.x, p.y, p.z), round(c.r, 2))
                     for p, c in zip(piece.points, piece.colors, strict=True)]
            assert not points or points[-1] == found[0]
            points += found[1:] if points else found
        return points


def shown(trail):
    """Return the points of a trail as `Viewer.path` gives them."""
    return [(tuple(p[:3]), (TRUSTED if p.allowed else HELD)[0]) for p in trail.points]


def walk(trail, from_m, to_m):
    for x in np.arange(from_m, to_m, 0.1):
        trail.add(float(x), 0.0, 0.0, int(x) % 7 > 1)


def test_a_viewer_sees_path_ellipsoid_and_numbered_places():
    trail, viewer = Trail(), Viewer()
    walk(trail, 0.0, 10.0)
    places = [Place(3, (4.0, 5.0, 6.0), 2.0, 3.0, ('front_camera silent',))]
    viewer.take(RunMarkers(RosbagsFactory(STORE)).message(trail, places, POSE))
    assert viewer.path == shown(trail)
    place, number = viewer.markers['redo', 3], viewer.markers['redo_number', 3]
    assert (place.pose.position.x, place.pose.position.y, place.pose.position.z) == (4, 5, 6)
    assert number.text == '3'
    # Chi-square with 3 degrees of freedom at 95 %: 7.815 (NIST/SEMATECH e-Handbook, table of
    # critical values): 2 sqrt(7.815) sigma across.
    scale = viewer.markers['position_95', 0].scale
    assert sorted((scale.x, scale.y, scale.z)) == pytest.approx(
        [1e-3, 2 * 7.815 ** 0.5 * 0.1, 2 * 7.815 ** 0.5 * 0.2], rel=1e-4)


def test_hours_of_walking_are_shown_whole_in_short_messages():
    trail, viewer = Trail(), Viewer()
    markers = RunMarkers(RosbagsFactory(STORE))
    for metre in range(0, 2000, 20):
        walk(trail, metre, metre + 20.0)
        viewer.take(markers.message(trail, [], POSE))
    assert trail.thinned > 0
    # Standing still, as many messages as there are pieces.
    for _ in range(len(trail.points) // PIECE_POINTS // MOST_AT_ONCE + 2):
        viewer.take(markers.message(trail, [], POSE))
    assert viewer.path == shown(trail)
    assert len(viewer.markers) <= 4000 / PIECE_POINTS + 1


def test_a_viewer_that_comes_late_has_everything_within_seconds():
    trail = Trail()
    walk(trail, 0.0, 390.0)
    places = [Place(n, (float(n), 0.0, 0.0), n, n + 0.5, ()) for n in range(1, 11)]
    markers = RunMarkers(RosbagsFactory(STORE))
    for _ in range(20):
        markers.message(trail, places, POSE)
    viewer = Viewer()
    needed = -(-(len(trail.points) // PIECE_POINTS + 1 + 2 * len(places)) // MOST_AT_ONCE)
    for _ in range(needed):
        viewer.take(markers.message(trail, places, POSE))
    assert viewer.path == shown(trail)
    assert {number for space, number in viewer.markers if space == 'redo'} == set(range(1, 11))


def test_a_place_made_good_is_taken_away_from_the_viewer():
    trail, viewer = Trail(), Viewer()
    markers = RunMarkers(RosbagsFactory(STORE))
    places = [Place(n, (float(n), 0.0, 0.0), n, n + 0.5, ()) for n in (1, 2)]
    viewer.take(markers.message(trail, places, POSE))
    viewer.take(markers.message(trail, places[1:], POSE))
    assert {key for key in viewer.markers if key[0] != 'position_95'} == {
        ('redo', 2), ('redo_number', 2)}


def test_a_gate_started_again_clears_what_the_one_before_has_left():
    trail, viewer = Trail(), Viewer()
    walk(trail, 0.0, 100.0)
    places = [Place(1, (1.0, 0.0, 0.0), 1.0, 2.0, ())]
    for _ in range(3):
        viewer.take(RunMarkers(RosbagsFactory(STORE)).message(trail, places, POSE))
    viewer.take(RunMarkers(RosbagsFactory(STORE)).message(Trail(), [], POSE))
    assert set(viewer.markers) == {('position_95', 0)}


def test_news_come_before_what_is_only_repeated_and_removal_last():
    board = MarkerBoard()
    all_of_them = {('a', number): 0 for number in range(4)}
    assert set(board.turn(all_of_them, 4).send) == set(all_of_them)
    assert board.turn({**all_of_them, ('a', 3): 1}, 1).send == (('a', 3),)
    less = {('a', 0): 1, ('a', 1): 1}
    first, second = board.turn(less, 1), board.turn(less, 1)
    assert (first.delete, set(second.delete)) == ((), {('a', 2), ('a', 3)})
    assert {*first.send, *second.send} == set(less)
