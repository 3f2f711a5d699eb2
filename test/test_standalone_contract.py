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

import pytest
from scipy.spatial.transform import Rotation

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
    assert tf_transformations.euler_from_quaternion((0.0, 0.0, HALF, HALF)) == pytest.approx(
        (0.0, 0.0, math.pi / 2), abs=1e-12)


@pytest.mark.parametrize('length', [1.0, 2.5])
def test_euler_angles_are_roll_pitch_yaw_about_fixed_axes(length):
    """REP 103: R = Rz(yaw) Ry(pitch) Rx(roll), written out here from the three quaternions."""
    roll, pitch, yaw = 0.3, -0.4, 1.1
    about_x = Rotation.from_quat((math.sin(roll / 2), 0.0, 0.0, math.cos(roll / 2)))
    about_y = Rotation.from_quat((0.0, math.sin(pitch / 2), 0.0, math.cos(pitch / 2)))
    about_z = Rotation.from_quat((0.0, 0.0, math.sin(yaw / 2), math.cos(yaw / 2)))
    quaternion = length * (about_z * about_y * about_x).as_quat()
    assert tf_transformations.euler_from_quaternion(quaternion) == pytest.approx(
        (roll, pitch, yaw), abs=1e-12)


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


def test_callback_arguments_follow_the_message(inputs):
    received = []
    inputs[0].registerCallback(lambda *args: received.append(args), 'left', 2)
    inputs[0].signalMessage('message')
    assert received == [('message', 'left', 2)]
