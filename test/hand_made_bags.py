# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Small bags written by hand for the tests of the offline tool.

The robot stands for 8 s and then drives along x at 0.5 m/s. Odometry at 50 Hz arrives 5 ms after
its stamp, the camera's info at 10 Hz 20 ms after its own, all clocks agree.
"""

from dataclasses import dataclass, replace
from math import cos, sin

import numpy as np
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.bag.operator_acts import OPERATOR
from robot_mapping_qa.bag.reading import Recording
from robot_mapping_qa.bag.summary import summarize
from rosbags.rosbag1 import Writer as Writer1
from rosbags.rosbag2 import StoragePlugin, Writer as Writer2
from rosbags.typesys import get_typestore, Stores

S = 1_000_000_000
MS = 1_000_000
START_NS = 1_760_000_000 * S
STANDS_S = 8.0
SPEED_MPS = 0.5
SIGMA_M = 0.004

ODOMETRY, CAMERA = '/unit/odometry', '/front/camera_info'
TYPES = {
    ODOMETRY: 'nav_msgs/msg/Odometry', CAMERA: 'sensor_msgs/msg/CameraInfo',
    '/notes': 'std_msgs/msg/String'}

CONFIGURATION = """
/**:
  ros__parameters:
    streams: [unit_odometry, front_camera]
    unit_odometry: {topic: /unit/odometry, type: nav_msgs/msg/Odometry, role: pose, rate_hz: 50.0}
    front_camera: {topic: /front/image_raw, timing_topic: /front/camera_info,
      type: sensor_msgs/msg/Image, role: capture, rate_hz: 10.0}
    working_distance_m: 2.0
    point_error_limit_m: 0.05
"""


@dataclass(frozen=True)
class Sent:
    """A message before it is written; ``data`` replaces its bytes where given."""

    topic: str
    stamp_ns: int
    log_ns: int
    x_m: float = 0.0
    sigma_m: float = SIGMA_M
    yaw_rad: float = 0.0
    turn_rate_radps: float = 0.0
    data: bytes | None = None

    def late(self, seconds):
        return replace(self, log_ns=self.log_ns + round(seconds * S))


def drive(duration_s=24.0):
    """Return the messages of a healthy run, in the order of their log time."""
    sent = []
    for number in range(round(duration_s * 50)):
        stamp_ns = START_NS + number * 20 * MS
        moved_s = max(0.0, number * 0.02 - STANDS_S)
        # A covariance that grows a little, as one that is worked out does.
        sent.append(Sent(ODOMETRY, stamp_ns, stamp_ns + 5 * MS, SPEED_MPS * moved_s,
                         SIGMA_M + 1e-5 * moved_s + 1e-7 * number))
    for number in range(round(duration_s * 10)):
        stamp_ns = START_NS + number * 100 * MS + 7 * MS
        sent.append(Sent(CAMERA, stamp_ns, stamp_ns + 20 * MS))
    return in_order(sent)


def in_order(sent):
    return sorted(sent, key=lambda message: message.log_ns)


def between(sent, topic, from_s, to_s):
    """Return whether a message is of the topic and stamped in the interval."""
    return (sent.topic == topic
            and START_NS + from_s * S <= sent.stamp_ns < START_NS + to_s * S)


def write(path, sent, storage='mcap', topics=(ODOMETRY, CAMERA), types=None):
    """Write messages as rosbag2 ('mcap', 'sqlite3') or as 'rosbag1'; return the path."""
    types = {**TYPES, **(types or {})}
    is_rosbag1 = storage == 'rosbag1'
    store = get_typestore(Stores.ROS1_NOETIC if is_rosbag1 else Stores.ROS2_HUMBLE)
    serialize = store.serialize_ros1 if is_rosbag1 else store.serialize_cdr
    writer = Writer1(path) if is_rosbag1 else Writer2(
        path, version=9, storage_plugin=StoragePlugin[storage.upper()])
    with writer:
        connections = {topic: writer.add_connection(topic, types[topic], typestore=store)
                       for topic in topics}
        for message in sent:
            data = message.data
            if data is None:
                data = serialize(_message(store, message, types, is_rosbag1),
                                 types[message.topic])
            writer.write(connections[message.topic], message.log_ns, bytes(data))
    return path


def _message(store, sent, types, is_rosbag1):
    kind = types[sent.topic]
    make = store.types

    def header(frame):
        stamp = make['builtin_interfaces/msg/Time'](
            sec=sent.stamp_ns // S, nanosec=sent.stamp_ns % S)
        number = {'seq': 0} if is_rosbag1 else {}
        return make['std_msgs/msg/Header'](stamp=stamp, frame_id=frame, **number)
    if kind == 'std_msgs/msg/String':
        return make[kind](data='a note')
    if kind == 'sensor_msgs/msg/CameraInfo':
        letters = 'DKRP' if is_rosbag1 else 'dkrp'
        matrices = dict(zip(letters, (np.zeros(0), np.zeros(9), np.zeros(9), np.zeros(12))))
        return make[kind](
            header=header('front_camera'), height=480, width=640, distortion_model='plumb_bob',
            **matrices, binning_x=0, binning_y=0, roi=make['sensor_msgs/msg/RegionOfInterest'](
                x_offset=0, y_offset=0, height=0, width=0, do_rectify=False))
    geometry = 'geometry_msgs/msg/'
    vector, point = make[geometry + 'Vector3'], make[geometry + 'Point']
    pose = make[geometry + 'Pose'](
        position=point(x=sent.x_m, y=0.0, z=0.0),
        orientation=make[geometry + 'Quaternion'](
            x=0.0, y=0.0, z=sin(sent.yaw_rad / 2), w=cos(sent.yaw_rad / 2)))
    speed = SPEED_MPS if sent.stamp_ns >= START_NS + STANDS_S * S else 0.0
    twist = make[geometry + 'Twist'](
        linear=vector(x=speed, y=0.0, z=0.0), angular=vector(x=0.0, y=0.0, z=sent.turn_rate_radps))
    covariance = np.diag([sent.sigma_m ** 2] * 3 + [1e-6] * 3).ravel()
    return make[kind](
        header=header('map'), child_frame_id='unit',
        pose=make[geometry + 'PoseWithCovariance'](pose=pose, covariance=covariance),
        twist=make[geometry + 'TwistWithCovariance'](
            twist=twist, covariance=np.diag([1e-4] * 6).ravel()))


def judge(bag, configuration):
    """Return assessment, summary and recording of a bag, without files."""
    with Recording(bag, configuration.streams, configuration.cameras, [OPERATOR]) as recording:
        assessment = Assessment(configuration, recording.start_ns)
        for stream, log_ns, data in recording.messages():
            assessment.take(stream, log_ns, data)
        assessment.finish(recording.end_ns)
        return assessment, summarize(assessment, recording.message_count), recording
