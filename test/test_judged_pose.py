# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The pose that pictures are judged by, on its way to the ledger: live the same as offline."""

from collections import Counter
from dataclasses import replace

from hand_made_bags import (
    between, CONFIGURATION as BAG_CONFIGURATION, drive as drive_bag, ODOMETRY, S as BAG_S,
    START_NS as BAG_START_NS, write)
import numpy as np
import pytest
from robot_mapping_qa.bag.results import assess
from robot_mapping_qa.capture.ledger import Ledger
from robot_mapping_qa.capture.live_ledger import LiveLedger
from robot_mapping_qa.capture.time_error import TimeError
from robot_mapping_qa.configuration import configuration_from_parameters, load_configuration
from robot_mapping_qa.messages.factory import RosbagsFactory
from robot_mapping_qa.messages.outputs import judged_pose_message
from robot_mapping_qa.messages.serialized import read_judged_pose
from robot_mapping_qa.messages.topics import JUDGED_POSE, POSE
from robot_mapping_qa.monitors import make_pose_monitor
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.views import capture_views
from rosbags.highlevel import AnyReader
from rosbags.typesys import get_typestore, Stores

STORE = get_typestore(Stores.ROS2_JAZZY)
MS = 1_000_000
START_NS = 1_790_000_000 * 1_000 * MS
CONFIGURATION = configuration_from_parameters({
    'streams': ['unit', 'map', 'camera'],
    'unit.topic': '/unit', 'unit.type': 'nav_msgs/msg/Odometry', 'unit.role': 'pose',
    'unit.rate_hz': 50.0,
    'map.topic': '/map', 'map.type': 'geometry_msgs/msg/PoseStamped', 'map.role': 'map_pose',
    'camera.topic': '/camera', 'camera.type': 'sensor_msgs/msg/Image', 'camera.role': 'capture'})


def over_the_wire(odometry, is_known):
    """Return what a subscriber reads of a judged pose."""
    message = judged_pose_message(RosbagsFactory(STORE), odometry, is_known)
    return read_judged_pose(bytes(STORE.serialize_cdr(message, JUDGED_POSE.type)))


def pose(step=0, **changes):
    """Return a pose of a walk at 1 m/s, whose unit says honestly that it hardly errs."""
    covariance = np.diag([1e-6] * 3 + [1e-8] * 3) * (1.0 + 1e-4 * step)
    return replace(Odometry(
        START_NS + step * 20 * MS, 'odom', 'base', np.array([0.02 * step, 0.0, 0.0]),
        np.array([0.0, 0.0, 0.0, 1.0]), covariance, np.array([1.0, 0.0, 0.0]),
        np.array([0.0, 0.1, 0.0]), np.eye(6) * 1e-4), **changes)


def test_a_judged_pose_says_frame_motion_and_covariance():
    sent = pose(7)
    read, is_known = over_the_wire(sent, True)
    assert is_known
    for name in ('stamp_ns', 'frame', 'child_frame'):
        assert getattr(read, name) == getattr(sent, name)
    for name in ('position_m', 'quaternion', 'covariance', 'linear_mps', 'angular_radps',
                 'twist_covariance'):
        assert np.array_equal(getattr(read, name), getattr(sent, name))


def test_a_judged_pose_says_what_is_not_known():
    sent = pose(7, covariance=np.full((6, 6), np.nan), linear_mps=None, angular_radps=None,
                twist_covariance=None)
    read, is_known = over_the_wire(sent, False)
    assert not is_known
    assert read.covariance[0, 0] == -1.0 and np.isfinite(read.covariance).all()
    assert (read.linear_mps, read.angular_radps, read.twist_covariance) == (None, None, None)
    assert np.array_equal(read.position_m, sent.position_m)


@pytest.fixture(scope='module')
def walk():
    """Walk 200 m, with a map that lies elsewhere; return monitor, live and offline captures."""
    monitor = make_pose_monitor(CONFIGURATION)
    books = [kind(CONFIGURATION.point_error_limit_m, capture_views(CONFIGURATION),
                  CONFIGURATION.pose.stale_s) for kind in (LiveLedger, Ledger)]
    live, offline = books
    live.tell_hold(0, 0, START_NS, ('starting up',), START_NS)
    for step in range(10_000):
        odometry = pose(step)
        monitor.add(odometry, odometry.stamp_ns)
        if step % 50 == 0:
            monitor.add_map_pose(
                replace(odometry, frame='map', position_m=odometry.position_m + 1000.0),
                odometry.stamp_ns)
        judged, is_known = monitor.judged_pose()
        offline.add_pose(judged, monitor.path_length_m, is_known)
        if step % 5 == 0:
            # Ten times a second, as the node sends it.
            read, known = over_the_wire(judged, is_known)
            live.add_pose(read, monitor.path_length_m, known)
        if step % 50 == 7:
            for book in books:
                book.add_capture('camera', odometry.stamp_ns + 1000, odometry.stamp_ns + 5 * MS,
                                 TimeError(0.0, 1e-4))
    return monitor, live.take_news(odometry.stamp_ns, at_end=True), offline.finish([])


def test_the_live_ledger_judges_by_the_covariance_and_in_the_frame_of_the_offline_one(walk):
    monitor, live, offline = walk
    assert Counter(c.verdict for c in live) == Counter(c.verdict for c in offline) == {
        'trusted': 200}
    for one, other in zip(live, offline):
        assert one.position_m == pytest.approx(other.position_m, abs=1e-6)
        # From ten poses a second in place of fifty.
        assert one.point_error_m == pytest.approx(other.point_error_m, rel=0.02)
        assert one.sigma_position_m == pytest.approx(other.sigma_position_m, rel=0.02)
    # The pose for people has another covariance, in another frame: it would not do.
    shown = monitor.corrected_pose()
    judged, _ = monitor.judged_pose()
    assert (shown.frame, judged.frame) == ('map', 'odom')
    assert shown.position_m[0] - judged.position_m[0] == pytest.approx(1000.0)
    assert shown.covariance[1, 1] > 100.0 * judged.covariance[1, 1]


def test_the_budget_that_is_shown_is_that_of_the_gate(walk):
    pytest.importorskip('rclpy', reason='needs ROS 2')
    from robot_mapping_qa.nodes.live_budget import LiveBudget
    from robot_mapping_qa.verdicts import Verdict
    monitor, live, _ = walk
    budget = LiveBudget(capture_views(CONFIGURATION))
    verdict = monitor.verdict(monitor.newest.stamp_ns)
    budget.take_verdict(verdict)
    budget.take_verdict(Verdict('timing', verdict.stamp_ns, (), {
        'camera/time_error_s': 0.0, 'camera/time_error_sigma_s': 0.0}))
    judged, is_known = monitor.judged_pose()
    assert is_known
    budget.take_judged_pose(replace(judged, stamp_ns=judged.stamp_ns - 100 * MS), True)
    assert budget.figures() == {}
    budget.take_judged_pose(judged, True)
    assert budget.figures()['budget/camera/radius_m'] == pytest.approx(
        verdict.figures['point_error_m'], rel=0.01)
    budget.take_judged_pose(replace(judged, stamp_ns=judged.stamp_ns + 100 * MS), False)
    assert budget.figures() == {}


def stamps_in_quality_bag(folder, configuration, messages):
    """Assess a bag of these messages; return the stamps of the written poses by topic."""
    (folder / 'robot.yaml').write_text(configuration)
    assess(write(folder / 'bag', messages), load_configuration(folder / 'robot.yaml'),
           folder / 'out')
    stamps = {topic: [] for topic in (POSE.name, JUDGED_POSE.name)}
    with AnyReader([folder / 'out' / 'quality']) as reader:
        chosen = [each for each in reader.connections if each.topic[1:] in stamps]
        for connection, _, data in reader.messages(chosen):
            stamp = reader.deserialize(data, connection.msgtype).header.stamp
            stamps[connection.topic[1:]].append(stamp.sec * BAG_S + stamp.nanosec)
    return stamps


def test_the_annotated_bag_holds_each_pose_once_and_none_while_the_unit_is_silent(tmp_path):
    stamps = stamps_in_quality_bag(tmp_path, BAG_CONFIGURATION, [
        message for message in drive_bag() if not between(message, ODOMETRY, 12.0, 16.0)])
    silent = (BAG_START_NS + 12 * BAG_S, BAG_START_NS + 16 * BAG_S)
    for found in stamps.values():
        assert len(set(found)) == len(found) > 50
        assert not any(silent[0] <= stamp < silent[1] for stamp in found)
    assert stamps[POSE.name] == stamps[JUDGED_POSE.name]


def test_pictures_are_judged_while_the_map_has_not_told_where_the_unit_is(tmp_path):
    configuration = BAG_CONFIGURATION.replace('front_camera]', 'front_camera, map]') + (
        '    map: {topic: /map, type: geometry_msgs/msg/PoseStamped, role: map_pose}\n')
    stamps = stamps_in_quality_bag(tmp_path, configuration, drive_bag(4.0))
    assert stamps[POSE.name] == [] and len(stamps[JUDGED_POSE.name]) == 20
