# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Turn rates of units that fill in their twist and of those that do not, live and for a bag."""

from dataclasses import replace
import math
import time

import numpy as np
import pytest
from robot_mapping_qa.bag.motion import RecordedMotion
from robot_mapping_qa.configuration import configuration_from_parameters
from robot_mapping_qa.messages.angular_velocity import read_angular_velocity, TurnRates
from robot_mapping_qa.messages.factory import make_header, RosbagsFactory
from robot_mapping_qa.messages.outputs import judged_pose_message
from robot_mapping_qa.messages.serialized import MalformedMessage, read_imu, read_odometry
from robot_mapping_qa.monitors import make_timing_monitor
from robot_mapping_qa.nodes.clock_survey import ClockSurvey
from robot_mapping_qa.timing.comparison import offset_sentence
from rosbags.typesys import get_typestore, Stores

STORE = get_typestore(Stores.ROS2_JAZZY)
FACTORY = RosbagsFactory(STORE)
MAKE = FACTORY.make
START_NS = 1_700_000_000_000_000_000
MS = 1_000_000
OFFSETS_S = {'imu': 0.02, 'wheels': -0.03}
ODOMETRY, IMU = 'nav_msgs/msg/Odometry', 'sensor_msgs/msg/Imu'
CONFIGURATION = configuration_from_parameters({
    'streams': ['unit', 'imu', 'wheels'],
    'unit.topic': '/unit', 'unit.type': ODOMETRY, 'unit.role': 'pose', 'unit.rate_hz': 50.0,
    'imu.topic': '/imu', 'imu.type': IMU, 'imu.role': 'motion', 'imu.rate_hz': 100.0,
    'wheels.topic': '/wheels', 'wheels.type': ODOMETRY, 'wheels.role': 'motion',
    'wheels.rate_hz': 50.0})


def rate(at_s):
    """Return the robot's turn rate about z, rad/s."""
    return 0.6 * math.sin(1.1 * at_s) + 0.4 * math.sin(2.7 * at_s + 1.0)


def yaw(at_s):
    return -0.6 / 1.1 * math.cos(1.1 * at_s) - 0.4 / 2.7 * math.cos(2.7 * at_s + 1.0)


def vector(z=0.0):
    return MAKE('geometry_msgs/msg/Vector3', x=0.0, y=0.0, z=z)


def as_bytes(message):
    return bytes(STORE.serialize_cdr(message, message.__msgtype__))


def odometry(stamp_ns, at_s, with_twist):
    turn = MAKE('geometry_msgs/msg/Quaternion', x=0.0, y=0.0, z=math.sin(yaw(at_s) / 2),
                w=math.cos(yaw(at_s) / 2))
    pose = MAKE('geometry_msgs/msg/Pose', orientation=turn,
                position=MAKE('geometry_msgs/msg/Point', x=0.0, y=0.0, z=0.0))
    given = MAKE('geometry_msgs/msg/Twist', linear=vector(),
                 angular=vector(rate(at_s) if with_twist else 0.0))
    return as_bytes(MAKE(
        ODOMETRY, header=make_header(FACTORY, stamp_ns, 'odom'), child_frame_id='base',
        pose=MAKE('geometry_msgs/msg/PoseWithCovariance', pose=pose, covariance=np.zeros(36)),
        twist=MAKE('geometry_msgs/msg/TwistWithCovariance', twist=given,
                   covariance=np.zeros(36))))


def imu(stamp_ns, at_s):
    return as_bytes(MAKE(
        IMU, header=make_header(FACTORY, stamp_ns, 'imu'), orientation_covariance=np.zeros(9),
        orientation=MAKE('geometry_msgs/msg/Quaternion', x=0.0, y=0.0, z=0.0, w=1.0),
        angular_velocity=vector(rate(at_s)), angular_velocity_covariance=np.zeros(9),
        linear_acceleration=vector(9.8), linear_acceleration_covariance=np.zeros(9)))


def messages(with_twist):
    """Yield stream, stamp and bytes of 35 s, those of each stream by its own clock."""
    for step in range(3500):
        stamp_ns, at_s = START_NS + step * 10 * MS, step * 0.01
        yield 'imu', stamp_ns, imu(stamp_ns, at_s - OFFSETS_S['imu'])
        if step % 2 == 0:
            yield 'unit', stamp_ns, odometry(stamp_ns, at_s, with_twist)
            yield 'wheels', stamp_ns, odometry(stamp_ns, at_s - OFFSETS_S['wheels'], with_twist)


@pytest.mark.parametrize('with_twist', [True, False])
def test_live_and_for_a_bag_the_offset_from_motion_is_found_without_a_twist(with_twist):
    timing = make_timing_monitor(CONFIGURATION)
    streams = {stream.name: stream for stream in CONFIGURATION.streams}
    recorded = RecordedMotion(CONFIGURATION, timing)
    readers = {name: recorded.reader(streams[name]) for name in OFFSETS_S}
    survey = ClockSurvey(CONFIGURATION, simulated_time=True)
    try:
        takers = {name: survey.taker(stream) for name, stream in streams.items()}
        for name, stamp_ns, data in messages(with_twist):
            timing.add(name, stamp_ns, stamp_ns, stamp_ns, stamp_ns)
            takers[name](stamp_ns, stamp_ns, data)
            if name == 'unit':
                recorded.add_unit(stamp_ns, read_odometry(data))
            else:
                readers[name](stamp_ns, data)
        recorded.finish()
        figures = {name: timing.figures(name) for name in streams}
        deadline = time.monotonic() + 60.0
        found = {}
        while len(found) < len(OFFSETS_S):
            assert time.monotonic() < deadline, found
            survey.update(figures, ())
            for status in survey.statuses(FACTORY):
                values = {item.key: item.value for item in status.values}
                if values.get('motion_s'):
                    found[status.name.split()[-1]] = float(values['motion_s'])
            time.sleep(0.01)
    finally:
        survey.close()
    offline = recorded.offsets(START_NS + 35_000 * MS)
    for name, offset_s in OFFSETS_S.items():
        assert found[name] == pytest.approx(offset_s, abs=1e-3)
        assert offline[name].usable
        assert offline[name].value_s == pytest.approx(found[name], abs=1e-4)


@pytest.mark.parametrize('streams', [['unit', 'imu'], ['unit']])
@pytest.mark.parametrize('with_twist, noise_rad', [(True, 0.0), (False, 0.005)])
def test_largest_turn_rate_is_the_same_live_and_for_a_bag(streams, with_twist, noise_rad):
    given = {'unit.topic': '/unit', 'unit.type': ODOMETRY, 'unit.role': 'pose',
             'imu.topic': '/imu', 'imu.type': IMU, 'imu.role': 'motion'}
    configuration = configuration_from_parameters({
        'streams': streams,
        **{key: value for key, value in given.items() if key.partition('.')[0] in streams}})
    timing = make_timing_monitor(configuration)
    recorded = RecordedMotion(configuration, timing)
    survey = ClockSurvey(configuration, simulated_time=True)
    noise = np.random.default_rng(1)
    try:
        take = survey.taker(configuration.pose_stream)
        for step in range(1500):
            stamp_ns, at_s = START_NS + step * 20 * MS, step * 0.02
            sent = read_odometry(odometry(stamp_ns, at_s, with_twist))
            sent.quaternion[2] += noise.normal(0.0, 0.5 * noise_rad)
            # Once in a while a number that no carrier reaches, or none.
            if step % 300 == 7 and with_twist:
                sent.angular_radps[2] = 16.0 if step == 307 else np.nan
            elif step % 300 == 7:
                sent.quaternion[:] = sent.quaternion[[1, 0, 3, 2]]
            data = as_bytes(judged_pose_message(FACTORY, sent, True))
            timing.add('unit', stamp_ns, stamp_ns, stamp_ns, stamp_ns)
            take(stamp_ns, stamp_ns, data)
            recorded.add_unit(stamp_ns, read_odometry(data))
        figures = timing.figures('unit')
        live = survey.sentence('unit', figures)
    finally:
        survey.close()
    radps = recorded.peak_turn_rate.radps
    # Three standard deviations of the difference of two orientations a tenth of a second apart.
    within = 0.02 + 3.0 * math.sqrt(2.0) * noise_rad / 0.1
    assert radps == pytest.approx(max(abs(rate(0.02 * step)) for step in range(1500)), abs=within)
    assert live == offset_sentence('unit', figures, radps, configuration.working_distance_m)
    assert f'at {radps:.3g} rad/s' in live


def test_a_twist_that_was_once_filled_in_is_believed_at_rest():
    rates = TurnRates()
    step = 20 * MS
    still = read_odometry(odometry(START_NS, 0.0, False))
    assert rates.of(still) is None
    turned = read_odometry(odometry(START_NS + step, 0.02, False))
    stamp_ns, *turn = rates.of(turned)
    assert stamp_ns == START_NS + step // 2 and not rates.has_twist
    assert turn == pytest.approx([0.0, 0.0, rate(0.01)], abs=1e-3)
    driving = replace(turned, stamp_ns=START_NS + 2 * step, linear_mps=np.array([0.5, 0.0, 0.0]))
    assert rates.of(driving) == (START_NS + 2 * step, 0.0, 0.0, 0.0) and rates.has_twist
    resting = replace(still, stamp_ns=START_NS + 3 * step)
    assert rates.of(resting) == (START_NS + 3 * step, 0.0, 0.0, 0.0)


def test_a_twist_that_is_not_a_number_is_none():
    rates = TurnRates()
    for step in range(3):
        message = read_odometry(odometry(START_NS + step * 20 * MS, step * 0.02, False))
        found = rates.of(replace(message, angular_radps=np.full(3, np.nan)))
    assert not rates.has_twist
    assert found[1:] == pytest.approx([0.0, 0.0, rate(0.03)], abs=1e-3)


@pytest.mark.parametrize('frame', ['', 'imu', 'imu_link', 'a_longer_frame_id'])
@pytest.mark.parametrize('spoil', [
    lambda data: data, lambda data: data[:-1], lambda data: data[:-100], lambda data: data[:40],
    lambda data: data[:8] + (3_000_000_000).to_bytes(4, 'little') + data[12:]])
def test_the_short_way_to_an_imus_turn_rate_refuses_what_the_careful_one_does(frame, spoil):
    data = spoil(as_bytes(MAKE(
        IMU, header=make_header(FACTORY, START_NS, frame), orientation=MAKE(
            'geometry_msgs/msg/Quaternion', x=0.0, y=0.0, z=0.0, w=1.0),
        orientation_covariance=np.zeros(9), angular_velocity=vector(0.3),
        angular_velocity_covariance=np.zeros(9), linear_acceleration=vector(),
        linear_acceleration_covariance=np.zeros(9))))
    try:
        record = read_imu(data)
    except MalformedMessage as error:
        with pytest.raises(MalformedMessage) as refusal:
            read_angular_velocity(data)
        assert str(refusal.value) == str(error)
    else:
        assert record.angular_radps.tolist() == [0.0, 0.0, 0.3]
        assert read_angular_velocity(data) == (START_NS, 0.0, 0.0, 0.3)
