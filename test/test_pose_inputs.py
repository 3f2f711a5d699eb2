# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What each stream tells the pose monitor, from the bytes of the rig's messages."""

from dataclasses import replace

import numpy as np
import pytest
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.messages.serialized import POSE_READERS
from robot_mapping_qa.monitors import make_camera_monitor, make_pose_monitor
from robot_mapping_qa.pose.lidar_geometry import cloud_information
from robot_mapping_qa.pose_inputs import pose_input
from robot_mapping_qa.resources import share_file
from robot_mapping_qa.rig import load_scenario, Rig
from robot_mapping_qa.rig.records import ImuSample, OdometrySample, PoseSample
from robot_mapping_qa.rig.ros_messages import MESSAGE_TYPES, MessageBuilder
from robot_mapping_qa.verdicts import Severity
from rosbags.typesys import get_typestore, Stores

STORE = get_typestore(Stores.ROS2_JAZZY)
BUILDER = MessageBuilder({name: STORE.types[name] for name in MESSAGE_TYPES}, lambda data: data)
CONFIGURATION = load_configuration(share_file('config/walk_streams.yaml'))
STREAMS = {stream.topic: stream for stream in CONFIGURATION.streams}
UNIT = CONFIGURATION.pose_stream
NOW_NS = 1_750_000_000_000_000_000


def as_bytes(message):
    built = BUILDER.build(message)
    return bytes(STORE.serialize_cdr(built, built.__msgtype__))


def changed(message, **changes):
    return as_bytes(replace(message, payload=replace(message.payload, **changes)))


@pytest.fixture(scope='module')
def walked():
    """Return the messages of the first two seconds of the walk, by topic."""
    scenario = replace(load_scenario('walk'), duration_s=2.0)
    found = {}
    for message in Rig(scenario, pictures=False).messages():
        found.setdefault(message.topic, []).append(message)
    return found


class Heard:
    """Takes what a pose monitor would, and keeps it."""

    def __init__(self, wants=True):
        self.told, self.wants = [], wants

    def add_motion(self, *told):
        self.told.append(told)

    def add_geometry(self, *told):
        self.told.append(told)

    def add_map_pose(self, *told):
        self.told.append(told)
        return ()

    def unusable(self, *told):
        self.told.append(told)
        return ()

    def wants_geometry(self, _name, _receive_ns):
        return self.wants


def told_by(topic, data, heard=None, **changes):
    """Return what a monitor is told by one message of a stream."""
    heard = heard or Heard()
    take = pose_input(
        replace(STREAMS[topic], **changes), CONFIGURATION, heard, lambda events: None)
    take(NOW_NS, data)
    return heard.told


def test_imu_tells_its_turn_rate(walked):
    message = walked['/body/imu'][0]
    assert isinstance(message.payload, ImuSample)
    (name, stamp_ns, receive_ns, turn), = told_by('/body/imu', as_bytes(message))
    assert (name, stamp_ns, receive_ns) == ('body_imu', message.stamp_ns, NOW_NS)
    assert turn == pytest.approx(message.payload.angular)


def test_wheels_tell_turn_rate_and_velocity(walked):
    message = walked['/base/odometry'][0]
    (name, stamp_ns, _, motion), = told_by('/base/odometry', as_bytes(message))
    assert (name, stamp_ns) == ('wheels', message.stamp_ns)
    assert motion == pytest.approx((*message.payload.angular, *message.payload.linear))


def test_wheels_that_give_no_twist_tell_the_turn_rate_of_their_poses(walked):
    heard = Heard()
    take = pose_input(STREAMS['/base/odometry'], CONFIGURATION, heard, lambda events: None)
    for message in walked['/base/odometry']:
        take(NOW_NS, changed(message, linear=(0.0,) * 3, angular=(0.0,) * 3))
    seen = np.array([motion for *_, motion in heard.told])
    assert seen.shape[1] == 3
    expected = np.mean([m.payload.angular[2] for m in walked['/base/odometry']])
    assert seen[:, 2].mean() == pytest.approx(expected, abs=0.02)


def test_map_pose_is_the_corrected_pose(walked):
    message = walked['/unit/map_pose'][0]
    assert isinstance(message.payload, PoseSample)
    (pose, receive_ns), = told_by('/unit/map_pose', as_bytes(message))
    assert receive_ns == NOW_NS and pose.frame == 'map'
    assert pose.position_m == pytest.approx(np.array(message.payload.position))


def test_cloud_tells_its_information_and_is_not_read_unless_it_is_wanted(walked):
    message = walked['/roof/points'][0]
    data = as_bytes(message)
    (name, information, receive_ns), = told_by('/roof/points', data)
    points = np.stack([message.payload.points[axis].ravel() for axis in 'xyz'], axis=-1)
    assert (name, receive_ns) == ('roof_lidar', NOW_NS)
    assert information == pytest.approx(cloud_information(points, CONFIGURATION.geometry))
    assert told_by('/roof/points', b'not a cloud', Heard(wants=False)) == []


def test_cloud_is_worked_on_beside_and_handed_over_later(walked):
    heard, jobs = Heard(), []
    take = pose_input(STREAMS['/roof/points'], CONFIGURATION, heard, lambda events: None,
                      lambda *job: jobs.append(job))
    take(NOW_NS, as_bytes(walked['/roof/points'][0]))
    assert heard.told == []
    (data, read, done), = jobs
    done(read(data))
    assert heard.told[0][0] == 'roof_lidar'


@pytest.mark.parametrize('topic', ['/unit/odometry', '/aid/image_raw'])
def test_other_streams_tell_nothing_beside(topic):
    assert pose_input(STREAMS[topic], CONFIGURATION, Heard(), lambda events: None) is None


@pytest.mark.parametrize('required, severity', [(False, Severity.NOTICE), (True, Severity.HARD)])
@pytest.mark.parametrize('topic, what', [('/body/imu', 'turn rate'), ('/base/odometry', 'twist')])
def test_motion_that_is_no_number_is_told_and_closes_the_gate_where_it_is_required(
        walked, topic, what, required, severity):
    data = changed(walked[topic][0], angular=(0.0, float('nan'), 0.1))
    (name, receive_ns, why, told), = told_by(topic, data, required=required)
    assert (name, receive_ns, told) == (STREAMS[topic].name, NOW_NS, severity)
    assert why.startswith(f'a {what} that is not finite: [0.0, nan, 0.1')


@pytest.mark.parametrize('topic, what', [('/body/imu', 'turn rate'), ('/base/odometry', 'twist')])
@pytest.mark.parametrize('value', [1e160, -1e308, 2e6])
def test_motion_that_no_robot_has_is_told(walked, topic, what, value):
    data = changed(walked[topic][0], angular=(0.0, value, 0.1))
    (name, _, why, _), = told_by(topic, data)
    assert name == STREAMS[topic].name
    assert why.startswith(f'a {what} that no robot has: [0.0, {value!r}, 0.1')


@pytest.mark.parametrize('topic', ['/body/imu', '/base/odometry', '/unit/map_pose',
                                   '/roof/points'])
def test_bytes_that_are_no_message_are_told(topic):
    (name, _, why, *_), = told_by(topic, b'\x00\x01\x00\x00cut short')
    assert name == STREAMS[topic].name and why


def test_walk_s_own_streams_reach_the_monitor_and_show_in_its_verdict(walked):
    monitor = make_pose_monitor(CONFIGURATION)
    takes = {topic: pose_input(stream, CONFIGURATION, monitor, lambda events: None)
             for topic, stream in STREAMS.items()}
    messages = sorted((m for part in walked.values() for m in part),
                      key=lambda message: message.publish_ns)
    for message in messages:
        data, now_ns = as_bytes(message), message.publish_ns
        if isinstance(message.payload, OdometrySample) and message.topic == UNIT.topic:
            monitor.add(POSE_READERS[UNIT.type](data), now_ns)
        elif takes.get(message.topic) is not None:
            takes[message.topic](now_ns, data)
    figures = monitor.verdict(now_ns).figures
    assert figures['geometry_known'] == 1.0
    assert figures['open_share'] < 0.3
    assert monitor.corrected_pose().frame == 'map'


def test_camera_that_sees_is_known_to_the_estimate_and_one_that_is_silent_is_not():
    scenario = replace(load_scenario('walk').only('aid_camera'), duration_s=2.0)
    cameras, verdicts = make_camera_monitor(CONFIGURATION), []
    for message in Rig(scenario).messages():
        if message.topic == '/aid/image_raw' and cameras.wants_picture(
                'aid_camera', message.publish_ns):
            cameras.add_picture('aid_camera', message.payload.pixels, message.stamp_ns,
                                message.publish_ns)
            verdicts.append(cameras.verdict(message.publish_ns))
    assert [verdict.figures['aid_sees'] for verdict in verdicts] == [1.0] * len(verdicts)
    assert all(verdict.figures['aid_corners'] > 0.9 for verdict in verdicts)
    later_ns = message.publish_ns + 10 * 10 ** 9
    assert cameras.verdict(later_ns).figures['aid_sees'] == 0.0
    assert cameras.verdict(later_ns).figures['aid_corners'] is None


def test_camera_shows_fewer_corners_as_soon_as_the_light_fades_and_is_still_relied_on():
    cameras, found = make_camera_monitor(CONFIGURATION), []
    walk = load_scenario('walk').only('aid_camera')
    light = walk.with_sensor('aid_camera', rate_hz=CONFIGURATION.image.sample_rate_hz)
    # Into the passage, which the daylight reaches for a metre or two.
    for message in Rig(replace(light, duration_s=12.0)).messages():
        if message.topic == '/aid/image_raw':
            cameras.add_picture('aid_camera', message.payload.pixels, message.stamp_ns,
                                message.publish_ns)
            figures = cameras.verdict(message.publish_ns).figures
            found.append((figures['aid_sees'], figures['aid_corners']))
    assert found[0] == (1.0, 1.0)
    assert any(sees == 1.0 and corners < 0.5 for sees, corners in found)
    assert found[-1] == (0.0, None)


def test_pose_is_judged_at_the_points_that_the_cameras_see():
    camera = replace(STREAMS['/aid/image_raw'], role='capture', aids_unit=True,
                     mount_xyz_m=(0.0, 1.0, 0.0), mount_rpy_rad=(0.0, 0.0, np.pi / 2))
    other = replace(camera, name='back', mount_rpy_rad=(0.0, 0.0, np.pi))
    configuration = replace(CONFIGURATION, streams=(UNIT, camera, other))
    left_m, back_m = make_pose_monitor(configuration).distance.levers_m
    # From the unit 1 m to the camera and 3 m on to the structure, all to the left.
    assert left_m == pytest.approx((0.0, 4.0, 0.0))
    assert back_m == pytest.approx((-3.0, 1.0, 0.0))
