# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A run of the simulated robot can be written as a bag that others read."""

from dataclasses import replace

import numpy as np
import pytest
from robot_mapping_qa.rig import bag_writer, load_scenario, Rig
from robot_mapping_qa.rig.bag_writer import write_bag
from robot_mapping_qa.rig.faults import Silence
from rosbags.highlevel import AnyReader

SHORT = replace(
    load_scenario('healthy'), duration_s=2.0,
    faults=(Silence(sensor='body_imu', at_s=1.0, until_s=1.5),))
COUNTS = {'/unit/odometry': 200, '/body/imu': 300, '/front/camera_info': 30,
          '/front/image_raw': 30, '/roof/points': 20}


def stamp_ns(message):
    stamp = message.header.stamp
    return stamp.sec * 10 ** 9 + (stamp.nanosec if hasattr(stamp, 'nanosec') else stamp.nsec)


@pytest.mark.parametrize('name, options', [
    ('mcap', {}), ('sqlite3', {'storage': 'sqlite3'}), ('ros1.bag', {'ros1': True})])
def test_bag_holds_the_run(tmp_path, name, options):
    path = tmp_path / name
    truth = write_bag(SHORT, path, **options)
    messages = list(Rig(SHORT).messages())
    with AnyReader([path]) as reader:
        assert {c.topic: c.msgcount for c in reader.connections} == COUNTS
        read = [(c.topic, time_ns, reader.deserialize(data, c.msgtype))
                for c, time_ns, data in reader.messages()]
    assert len(read) == len(messages) == truth_count(truth)
    transport = []
    for (topic, log_ns, got), expected in zip(read, messages):
        assert topic == expected.topic
        assert stamp_ns(got) == expected.stamp_ns
        assert got.header.frame_id == expected.frame
        transport.append((log_ns - expected.publish_ns) * 1e-9)
    assert min(transport) >= bag_writer.TRANSPORT_LEAST_S
    assert np.mean(transport) < 0.001

    by_topic = {topic: (got, expected.payload)
                for (topic, _, got), expected in zip(read, messages)}
    got, sent = by_topic['/unit/odometry']
    pose, twist = got.pose.pose, got.twist.twist
    assert (pose.position.x, pose.position.y, pose.position.z) == sent.position
    assert (pose.orientation.x, pose.orientation.y, pose.orientation.z,
            pose.orientation.w) == sent.quaternion
    assert np.array_equal(got.pose.covariance, sent.pose_covariance)
    assert (twist.linear.x, twist.linear.y, twist.linear.z) == sent.linear
    assert (twist.angular.x, twist.angular.y, twist.angular.z) == sent.angular
    got, sent = by_topic['/body/imu']
    assert got.orientation_covariance[0] == -1.0
    assert got.linear_acceleration.z == sent.acceleration[2]
    got, sent = by_topic['/front/image_raw']
    assert (got.encoding, got.width, got.height, got.step) == ('mono8', 640, 480, 640)
    assert np.array_equal(np.reshape(got.data, (480, 640)), sent.pixels)
    got, sent = by_topic['/roof/points']
    layout = np.dtype({
        'names': [f.name for f in got.fields], 'offsets': [f.offset for f in got.fields],
        # sensor_msgs/msg/PointField: 4 is UINT16, 7 is FLOAT32.
        'formats': [{4: '<u2', 7: '<f4'}[f.datatype] for f in got.fields],
        'itemsize': got.point_step})
    points = got.data.view(layout).reshape(got.height, got.width)
    assert got.row_step * got.height == got.data.size
    assert all(np.array_equal(points[name], sent.points[name]) for name in layout.names)


def truth_count(truth):
    """Return how many messages the truth implies: all but those of the silence."""
    silence, = truth['faults']
    struck_s = (silence['until_ns'] - silence['from_ns']) * 1e-9
    duration_s = (truth['end_ns'] - truth['start_ns']) * 1e-9
    return sum(
        round(s['rate_hz'] * (duration_s - (struck_s if name == silence['sensor'] else 0.0)))
        * len(s['topics']) for name, s in truth['sensors'].items())


def test_pictures_can_be_left_out(tmp_path):
    write_bag(SHORT, tmp_path / 'bag', pictures=False)
    with AnyReader([tmp_path / 'bag']) as reader:
        topics = {c.topic: c.msgcount for c in reader.connections}
    assert topics == {t: n for t, n in COUNTS.items() if t != '/front/image_raw'}


def test_an_unknown_storage_and_an_existing_path_are_refused(tmp_path):
    with pytest.raises(ValueError, match="storage: found 'tape', expected one of mcap, sqlite3"):
        write_bag(SHORT, tmp_path / 'bag', storage='tape')
    with pytest.raises(FileExistsError, match='exists already'):
        write_bag(SHORT, tmp_path)


@pytest.mark.parametrize('ros1', [False, True])
def test_an_interrupted_bag_is_removed(tmp_path, monkeypatch, ros1):
    class Interrupted(Rig):
        def messages(self, until_s=None):
            yield from super().messages(0.5)
            raise KeyboardInterrupt

    monkeypatch.setattr(bag_writer, 'Rig', Interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_bag(SHORT, tmp_path / 'bag.bag', ros1=ros1)
    assert list(tmp_path.iterdir()) == []
