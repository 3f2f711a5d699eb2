# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
What the package expects of tf_transformations and message_filters.

The same assertions run on the real packages where they are installed (a robot) and on the
stand-ins elsewhere (a bare machine), so that code tested on one behaves alike on the other.
"""

from importlib.machinery import PathFinder
from importlib.util import find_spec
import math
from pathlib import Path
import sys

import numpy as np
import pytest

for needed in ('message_filters', 'tf_transformations', 'std_msgs'):
    # Absent is a reason to skip; present and broken is not.
    if find_spec(needed) is None:
        pytest.skip(f'{needed} is not installed here', allow_module_level=True)

from builtin_interfaces.msg import Time  # noqa: E402, I100
import message_filters  # noqa: E402
from sensor_msgs.msg import TimeReference  # noqa: E402
from std_msgs.msg import Bool, Header  # noqa: E402
import tf_transformations  # noqa: E402

HALF = math.sqrt(0.5)


@pytest.mark.parametrize('name', ['message_filters', 'tf_transformations'])
def test_a_stand_in_never_hides_the_real_package(name):
    origins = [spec.origin for entry in sys.path
               if (spec := PathFinder.find_spec(name, [entry])) and spec.origin]
    real = [origin for origin in origins if Path(origin).parent.name != 'stand_ins']
    assert sys.modules[name].__file__ == (real or origins)[0]


def test_quarter_turn_left_about_z():
    """REP 103: yaw is positive to the left, from x towards y."""
    quaternion = tf_transformations.quaternion_from_euler(0.0, 0.0, math.pi / 2)
    assert quaternion == pytest.approx((0.0, 0.0, HALF, HALF), abs=1e-12)
    matrix = tf_transformations.quaternion_matrix(quaternion)
    assert matrix == pytest.approx(np.array(
        [[0.0, -1.0, 0.0, 0.0], [1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0], [0.0, 0.0, 0.0, 1.0]]),
        abs=1e-12)


def test_euler_angles_are_roll_pitch_yaw_about_fixed_axes():
    """REP 103: R = Rz(yaw) Ry(pitch) Rx(roll), written out here from the three matrices."""
    roll, pitch, yaw = 0.3, -0.4, 1.1
    rotation_x = np.array([[1, 0, 0], [0, math.cos(roll), -math.sin(roll)],
                           [0, math.sin(roll), math.cos(roll)]])
    rotation_y = np.array([[math.cos(pitch), 0, math.sin(pitch)], [0, 1, 0],
                           [-math.sin(pitch), 0, math.cos(pitch)]])
    rotation_z = np.array([[math.cos(yaw), -math.sin(yaw), 0],
                           [math.sin(yaw), math.cos(yaw), 0], [0, 0, 1]])
    quaternion = tf_transformations.quaternion_from_euler(roll, pitch, yaw)
    matrix = tf_transformations.quaternion_matrix(quaternion)
    assert matrix[:3, :3] == pytest.approx(rotation_z @ rotation_y @ rotation_x, abs=1e-12)
    assert tf_transformations.euler_from_quaternion(quaternion) == pytest.approx(
        (roll, pitch, yaw), abs=1e-12)


def test_matrix_of_a_quaternion_that_is_not_normalized_is_a_rotation():
    matrix = tf_transformations.quaternion_matrix((0.0, 0.0, 2.0, 2.0))
    assert matrix[:3, :3] == pytest.approx(
        np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]), abs=1e-12)


def test_quaternion_from_matrix_ignores_the_translation():
    matrix = np.array([[0.0, -1.0, 0.0, 7.0], [1.0, 0.0, 0.0, 8.0], [0.0, 0.0, 1.0, 9.0],
                       [0.0, 0.0, 0.0, 1.0]])
    quaternion = tf_transformations.quaternion_from_matrix(matrix)
    assert quaternion == pytest.approx((0.0, 0.0, HALF, HALF), abs=1e-12)


def test_product_applies_the_right_hand_factor_first():
    about_x = tf_transformations.quaternion_from_euler(math.pi / 2, 0.0, 0.0)
    about_z = tf_transformations.quaternion_from_euler(0.0, 0.0, math.pi / 2)
    product = tf_transformations.quaternion_multiply(about_z, about_x)
    assert product == pytest.approx((0.5, 0.5, 0.5, 0.5), abs=1e-12)
    assert tf_transformations.quaternion_matrix(product) == pytest.approx(
        tf_transformations.quaternion_matrix(about_z)
        @ tf_transformations.quaternion_matrix(about_x), abs=1e-12)


def test_product_of_plain_numbers():
    """Hamilton's product; the example in the documentation of the real call."""
    product = tf_transformations.quaternion_multiply([1, -2, 3, 4], [-5, 6, 7, 8])
    assert product == pytest.approx((-44, -14, 48, 28))


def test_inverse_undoes_a_rotation_whatever_its_norm():
    quaternion = np.array([0.2, -0.4, 0.6, 1.6])
    inverse = tf_transformations.quaternion_inverse(quaternion)
    assert isinstance(inverse, np.ndarray)
    assert tf_transformations.quaternion_multiply(quaternion, inverse) == pytest.approx(
        (0.0, 0.0, 0.0, 1.0), abs=1e-12)


def stamped(seconds, nanoseconds=0):
    """Return a small message with that stamp."""
    stamp = Time(sec=seconds, nanosec=nanoseconds)
    return TimeReference(header=Header(stamp=stamp))


@pytest.fixture
def inputs():
    return [message_filters.SimpleFilter() for _ in range(3)]


@pytest.fixture
def sets():
    return []


def collect(synchronizer, into):
    synchronizer.registerCallback(lambda *members: into.append(members))


def test_set_is_completed_by_the_last_message_in_the_order_of_the_inputs(inputs, sets):
    collect(message_filters.ApproximateTimeSynchronizer(inputs, 10, 0.02), sets)
    third, first, second = stamped(5, 10**7), stamped(5, 0), stamped(5, 5 * 10**6)
    inputs[2].signalMessage(third)
    inputs[0].signalMessage(first)
    assert sets == []
    inputs[1].signalMessage(second)
    assert len(sets) == 1
    assert [a is b for a, b in zip(sets[0], (first, second, third))] == [True, True, True]


def test_spread_must_be_below_the_slop(inputs, sets):
    collect(message_filters.ApproximateTimeSynchronizer(inputs[:2], 10, 0.02), sets)
    inputs[0].signalMessage(stamped(5, 0))
    inputs[1].signalMessage(stamped(5, 20_000_000))
    assert sets == []
    inputs[1].signalMessage(stamped(5, 19_999_999))
    assert len(sets) == 1


def test_nearest_message_is_taken_and_used_once(inputs, sets):
    collect(message_filters.ApproximateTimeSynchronizer(inputs[:2], 10, 0.05), sets)
    near, far = stamped(9, 998 * 10**6), stamped(9, 970 * 10**6)
    for message in (far, near):
        inputs[0].signalMessage(message)
    inputs[1].signalMessage(stamped(10))
    assert len(sets) == 1 and sets[0][0] is near
    inputs[1].signalMessage(stamped(10, 1))
    assert len(sets) == 2 and sets[1][0] is far
    inputs[1].signalMessage(stamped(10, 2))
    assert len(sets) == 2


def test_queue_forgets_the_oldest_stamp(inputs, sets):
    collect(message_filters.ApproximateTimeSynchronizer(inputs[:2], 2, 0.01), sets)
    for seconds in (1, 2, 3):
        inputs[0].signalMessage(stamped(seconds))
    inputs[1].signalMessage(stamped(1))
    assert sets == []
    inputs[1].signalMessage(stamped(2))
    assert len(sets) == 1


def test_message_without_a_header_is_left_out(inputs, sets):
    collect(message_filters.ApproximateTimeSynchronizer(inputs[:2], 10, 0.01), sets)
    inputs[0].signalMessage(Bool(data=True))
    inputs[1].signalMessage(stamped(1))
    inputs[0].signalMessage(stamped(1))
    assert len(sets) == 1


def test_exact_synchronizer_takes_only_equal_stamps(inputs, sets):
    collect(message_filters.TimeSynchronizer(inputs[:2], 10), sets)
    inputs[0].signalMessage(stamped(5, 1))
    inputs[1].signalMessage(stamped(5, 2))
    assert sets == []
    inputs[1].signalMessage(stamped(5, 1))
    assert len(sets) == 1


def test_callback_arguments_follow_the_message(inputs):
    received = []
    inputs[0].registerCallback(lambda *args: received.append(args), 'left', 2)
    inputs[0].signalMessage('message')
    assert received == [('message', 'left', 2)]


def test_subscriber_passes_what_it_needs_to_the_node():
    class RecordingNode:
        def create_subscription(self, msg_type, topic, callback, qos_profile, **kwargs):
            self.made = (msg_type, topic, qos_profile, kwargs)
            self.callback = callback
            return self

    node, received = RecordingNode(), []
    subscriber = message_filters.Subscriber(
        node, Header, '/front/camera_info', qos_profile=5, callback_group='group')
    subscriber.registerCallback(received.append)
    node.callback('message')
    assert node.made == (
        Header, '/front/camera_info', 5, {'callback_group': 'group'})
    assert received == ['message']
