# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Reading serialized messages, against the serializer of `rosbags` as the reference."""

import numpy as np
import pytest
from robot_mapping_qa.messages.factory import make_header, RosbagsFactory
from robot_mapping_qa.messages.serialized import (
    MalformedMessage, POSE_READERS, read_header, read_imu, read_odometry, read_stamp)
from rosbags.typesys import get_typestore, Stores

STORE = get_typestore(Stores.ROS2_JAZZY)
FACTORY = RosbagsFactory(STORE)
STAMP_NS = 1_795_597_457_224_057_257
NUMBERS = np.random.default_rng(3).normal(size=200)


def point(values):
    return dict(zip('xyz', values))


def pose(numbers):
    make = FACTORY.make
    return make('geometry_msgs/msg/PoseWithCovariance',
                pose=make('geometry_msgs/msg/Pose',
                          position=make('geometry_msgs/msg/Point', **point(numbers[:3])),
                          orientation=make('geometry_msgs/msg/Quaternion',
                                           **dict(zip('xyzw', numbers[3:7])))),
                covariance=numbers[7:43].copy())


def odometry(frame='map', child='unit'):
    make = FACTORY.make
    vector = 'geometry_msgs/msg/Vector3'
    return make('nav_msgs/msg/Odometry', header=make_header(FACTORY, STAMP_NS, frame),
                child_frame_id=child, pose=pose(NUMBERS),
                twist=make('geometry_msgs/msg/TwistWithCovariance',
                           twist=make('geometry_msgs/msg/Twist',
                                      linear=make(vector, **point(NUMBERS[43:46])),
                                      angular=make(vector, **point(NUMBERS[46:49]))),
                           covariance=NUMBERS[49:85].copy()))


def imu(covariance_first=0.0):
    make = FACTORY.make
    vector = 'geometry_msgs/msg/Vector3'
    covariance = np.zeros(9)
    covariance[0] = covariance_first
    return make('sensor_msgs/msg/Imu', header=make_header(FACTORY, STAMP_NS, 'imu'),
                orientation=make('geometry_msgs/msg/Quaternion', x=0., y=0., z=0., w=1.),
                orientation_covariance=np.zeros(9),
                angular_velocity=make(vector, **point(NUMBERS[:3])),
                angular_velocity_covariance=covariance,
                linear_acceleration=make(vector, **point(NUMBERS[3:6])),
                linear_acceleration_covariance=np.zeros(9))


def serialized(message, little_endian=True):
    return bytes(STORE.serialize_cdr(message, message.__msgtype__, little_endian=little_endian))


@pytest.mark.parametrize('little_endian', [True, False])
@pytest.mark.parametrize('frame, child', [
    ('map', 'unit'), ('', ''), ('a', 'bc'), ('odom', 'base_link'), ('Brücke', 'räder')])
def test_odometry_of_any_frame_names_and_byte_order(frame, child, little_endian):
    read = read_odometry(serialized(odometry(frame, child), little_endian))
    assert (read.stamp_ns, read.frame, read.child_frame) == (STAMP_NS, frame, child)
    assert np.array_equal(read.position_m, NUMBERS[:3])
    assert np.array_equal(read.quaternion, NUMBERS[3:7])
    assert np.array_equal(read.covariance.ravel(), NUMBERS[7:43])
    assert np.array_equal(read.linear_mps, NUMBERS[43:46])
    assert np.array_equal(read.angular_radps, NUMBERS[46:49])
    assert np.array_equal(read.twist_covariance.ravel(), NUMBERS[49:85])


def test_poses_without_twist_or_covariance():
    make = FACTORY.make
    header = make_header(FACTORY, STAMP_NS, 'map')
    full = pose(NUMBERS)
    with_covariance = make('geometry_msgs/msg/PoseWithCovarianceStamped', header=header, pose=full)
    bare = make('geometry_msgs/msg/PoseStamped', header=header, pose=full.pose)
    for message, covariance in ((with_covariance, NUMBERS[7:43]), (bare, np.zeros(36))):
        read = POSE_READERS[message.__msgtype__](serialized(message))
        assert np.array_equal(read.position_m, NUMBERS[:3])
        assert np.array_equal(read.covariance.ravel(), covariance)
        assert read.linear_mps is None and read.twist_covariance is None


def test_imu_and_what_it_does_not_measure():
    read = read_imu(serialized(imu()))
    assert np.array_equal(read.angular_radps, NUMBERS[:3])
    assert np.array_equal(read.acceleration_mps2, NUMBERS[3:6])
    # sensor_msgs/Imu: "If you have no estimate ... please set element 0 of the associated
    # covariance matrix to -1".
    assert read_imu(serialized(imu(-1.0))).angular_radps is None


@pytest.mark.parametrize('seconds', [0, 1, -5, 2 ** 31 - 1])
def test_stamps_of_every_sign(seconds):
    message = odometry()
    message.header.stamp.sec = seconds
    expected = seconds * 10 ** 9 + STAMP_NS % 10 ** 9
    assert read_stamp(serialized(message)) == expected
    assert read_header(serialized(message)) == (expected, 'map')


def test_every_cut_is_refused_with_a_sentence_and_never_misread():
    data = serialized(odometry())
    for length in range(len(data)):
        with pytest.raises(MalformedMessage):
            read_odometry(data[:length])
    assert read_odometry(data + b'\x00\x00\x00').stamp_ns == STAMP_NS


def test_what_is_wrong_is_said():
    data = serialized(odometry())
    cases = {
        b'\x00\x03' + data[2:]: 'encapsulation 0003, expected CDR',
        data[:8] + b'\xff\xff\xff\xff' + data[12:]: 'stamp with 4294967295 nanoseconds',
        data[:12] + b'\xff\xff\xff\x7f' + data[16:]: 'frame name of 2147483647 bytes',
        data[:16] + b'\xff\xfe' + data[18:]: 'frame name is not UTF-8',
        b'': 'encapsulation missing',
    }
    for broken, text in cases.items():
        with pytest.raises(MalformedMessage, match=text):
            read_odometry(broken)


def test_random_bytes_end_in_a_refusal_or_a_record_and_nothing_else():
    generator = np.random.default_rng(11)
    data = np.frombuffer(serialized(odometry()), dtype=np.uint8)
    refused = 0
    for _ in range(3000):
        broken = data[:generator.integers(0, len(data) + 1)].copy()
        if len(broken):
            places = generator.integers(0, len(broken), size=generator.integers(1, 8))
            broken[places] = generator.integers(0, 256, size=len(places))
        for reader in (read_odometry, read_imu, read_header):
            try:
                reader(broken.tobytes())
            except MalformedMessage:
                refused += 1
    assert refused > 3000
