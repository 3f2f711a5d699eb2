# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The path for the viewer: true to the walk and bounded for hours of running."""

import numpy as np
import pytest
from robot_mapping_qa.capture.trail import Trail
from robot_mapping_qa.messages.factory import RosbagsFactory
from robot_mapping_qa.messages.markers import HELD, trail_markers, TRUSTED
from robot_mapping_qa.records import Odometry
from rosbags.typesys import get_typestore, Stores


def walked(metres, held=lambda x: False, **options):
    trail = Trail(**options)
    for x in np.arange(0.0, metres, 0.01):
        trail.add(float(x), 0.0, 0.0, not held(x))
    return trail


def test_points_are_evenly_spaced_and_mark_every_change_of_the_gate():
    points = walked(10.0, lambda x: 3.0 <= x < 4.0).points
    changes = [p.x for p, q in zip(points[1:], points) if p.allowed != q.allowed]
    assert changes == pytest.approx([3.0, 4.0], abs=1e-6)
    assert max(np.diff([p.x for p in points])) < 0.111
    assert len(points) == pytest.approx(100, abs=5)


def test_hours_of_walking_stay_bounded_and_keep_both_ends_and_the_holds():
    trail = walked(2000.0, lambda x: 700.0 <= x < 701.0, most_points=1000)
    assert len(trail.points) <= 1000
    assert trail.points[0].x == 0.0 and trail.points[-1].x > 1990.0
    assert any(not p.allowed and 700.0 <= p.x < 701.0 for p in trail.points)


def test_a_gate_that_flutters_at_every_point_stays_bounded_too():
    trail = Trail(most_points=100)
    for step in range(100_000):
        trail.add(step * 0.2, 0.0, 0.0, step % 2 == 0)
        assert len(trail.points) <= 101


def test_markers_carry_the_path_by_trust_and_the_95_percent_ellipsoid():
    store = get_typestore(Stores.ROS2_JAZZY)
    covariance = np.zeros((6, 6))
    covariance[:3, :3] = np.diag([0.04, 0.01, 0.0])
    pose = Odometry(5_000_000_001, 'map', 'unit', np.array([1.0, 2.0, 3.0]),
                    np.array([0.0, 0.0, 0.0, 1.0]), covariance, None, None, None)
    points = walked(1.0, lambda x: x >= 0.5).points
    message = trail_markers(RosbagsFactory(store), points, pose)
    again = store.deserialize_cdr(
        store.serialize_cdr(message, message.__msgtype__), message.__msgtype__)
    path, ellipsoid = again.markers
    assert [(p.x, p.y, p.z) for p in path.points] == [p[:3] for p in points]
    colours = [(c.r, c.g, c.b, c.a) for c in path.colors]
    assert colours[0] == pytest.approx(TRUSTED) and colours[-1] == pytest.approx(HELD)
    # Chi-square with 3 degrees of freedom at 95 %: 7.815 (NIST/SEMATECH e-Handbook, table of
    # critical values): 2 sqrt(7.815) sigma across.
    sizes = sorted((ellipsoid.scale.x, ellipsoid.scale.y, ellipsoid.scale.z))
    assert sizes == pytest.approx([1e-3, 2 * 7.815 ** 0.5 * 0.1, 2 * 7.815 ** 0.5 * 0.2], rel=1e-4)
    assert path.header.frame_id == ellipsoid.header.frame_id == 'map'
