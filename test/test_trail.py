# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The path by trust: true to the walk and bounded for hours of running."""

import numpy as np
import pytest
from robot_mapping_qa.capture.trail import Trail


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
