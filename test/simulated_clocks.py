# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Bags of streams with known clocks, for comparing the offline tool with the truth.

Made with nothing of the package: the robot turns about its vertical axis only, everything is
drawn in whole arrays, and messages are serialized by rosbags. The rig simulates another robot in
another way, so an error would have to be made three times to pass unseen.
"""

from dataclasses import dataclass, field
from typing import Callable

import numpy as np
from rosbags.rosbag2 import StoragePlugin, Writer
from rosbags.typesys import get_typestore, Stores

START_NS = 1_760_000_000 * 10 ** 9
S = 10 ** 9
STEP_S = 0.002
ODOMETRY, IMU, INFO, CLOUD = (
    'nav_msgs/msg/Odometry', 'sensor_msgs/msg/Imu', 'sensor_msgs/msg/CameraInfo',
    'sensor_msgs/msg/PointCloud2')

Delays = Callable[[np.random.Generator, np.ndarray], np.ndarray]
"""Return the delay, s, of messages measured at times (n,), s since the start."""


@dataclass(frozen=True)
class Stream:
    """A stream's clock (its reading minus host time), its delays and its losses."""

    topic: str
    type: str
    rate_hz: float
    delay: Delays
    offset_s: float = 0.0
    skew_ppm: float = 0.0
    steps: tuple[tuple[float, float], ...] = ()
    lost: float = 0.0
    jitter_s: float = 0.0
    in_order: bool = True

    def clock_s(self, times):
        """Return the true offset at host times, s since the start."""
        times = np.asarray(times, dtype=float)
        return self.offset_s + 1e-6 * self.skew_ppm * times + sum(
            size * (times >= at) for at, size in self.steps)


@dataclass(frozen=True)
class Truth:
    """What was put in: per topic host time of the last message, least delay and messages."""

    end_s: dict = field(default_factory=dict)
    least_delay_s: dict = field(default_factory=dict)
    messages: dict = field(default_factory=dict)


def gamma(least_s, mean_s, shape=2.0):
    return lambda rng, t: least_s + rng.gamma(shape, mean_s / shape, len(t))


def lognormal(least_s, median_s, spread=0.8):
    return lambda rng, t: least_s + median_s * rng.lognormal(0.0, spread, len(t))


def two_ways(short_s, long_s, share_long=0.3, scatter_s=0.0004):
    def draw(rng, t):
        way = np.where(rng.random(len(t)) < share_long, long_s, short_s)
        return way + rng.exponential(scatter_s, len(t))
    return draw


def with_bursts(delay, every_s, longest_s):
    """Hold everything back now and then, for up to ``longest_s``, and let it go at once."""
    def draw(rng, t):
        delays = delay(rng, t)
        for begin in np.arange(every_s / 2, t[-1], every_s):
            end = begin + rng.uniform(0.2, 1.0) * longest_s
            inside = (t >= begin) & (t < end)
            delays[inside] = np.maximum(delays[inside], end - t[inside])
        return delays
    return draw


def rising(delay, at_s, by_s):
    """Add to the delay from a time on: the way got longer, the clock did not move."""
    return lambda rng, t: delay(rng, t) + by_s * (t >= at_s)


class Walk:
    """Planar motion at 0.5 m/s: sums of sines as its turn rate, pose by summing up."""

    def __init__(self, rng, duration_s):
        self._t = np.arange(-1.0, duration_s + 1.0, STEP_S)
        periods = rng.uniform(1.5, 14.0, 9)
        phases = rng.uniform(0.0, 2 * np.pi, 9)
        self._rate = 0.14 * np.sin(
            2 * np.pi * self._t[:, None] / periods + phases).sum(axis=1)
        self._yaw = np.cumsum(self._rate) * STEP_S
        self._x = np.cumsum(0.5 * np.cos(self._yaw)) * STEP_S
        self._y = np.cumsum(0.5 * np.sin(self._yaw)) * STEP_S

    def at(self, times):
        """Return turn rate, yaw, x and y at times (n,)."""
        return [np.interp(times, self._t, values)
                for values in (self._rate, self._yaw, self._x, self._y)]


def write(path, streams, duration_s, seed):
    """Write the bag and return the truth; the clock truths are in the streams themselves."""
    rng = np.random.default_rng(seed)
    walk = Walk(rng, duration_s)
    store = get_typestore(Stores.ROS2_JAZZY)
    truth = Truth()
    messages = []
    for stream in streams:
        t = np.arange(rng.uniform(0.0, 1.0 / stream.rate_hz), duration_s, 1.0 / stream.rate_hz)
        t += stream.jitter_s * rng.standard_normal(len(t))
        delays = stream.delay(rng, t)
        kept = rng.random(len(t)) >= stream.lost
        t, delays = t[kept], delays[kept]
        arrivals = t + delays
        if stream.in_order:
            arrivals = np.maximum.accumulate(arrivals)
        stamps = START_NS + np.rint(1e9 * (t + stream.clock_s(t))).astype(np.int64)
        logs = START_NS + np.rint(1e9 * arrivals).astype(np.int64)
        truth.end_s[stream.topic] = float(t[-1])
        truth.least_delay_s[stream.topic] = float(np.min(arrivals - t))
        truth.messages[stream.topic] = len(t)
        contents = _contents(store, stream, walk, t, stamps, rng)
        messages += zip(logs.tolist(), [stream.topic] * len(t), contents)
    messages.sort(key=lambda message: message[0])
    with Writer(path, version=9, storage_plugin=StoragePlugin.MCAP) as writer:
        connections = {stream.topic: writer.add_connection(
            stream.topic, stream.type, typestore=store) for stream in streams}
        for log_ns, topic, data in messages:
            writer.write(connections[topic], log_ns, data)
    return truth


def _contents(store, stream, walk, t, stamps, rng):
    """Yield serialized messages: one is serialized, and its numbers are replaced in the others."""
    kind, make = stream.type, store.types
    head = make['std_msgs/msg/Header'](
        stamp=make['builtin_interfaces/msg/Time'](sec=0, nanosec=0), frame_id='abc')
    empty = bytes(store.serialize_cdr(_example(make, kind, head), kind))
    stamps_cdr = np.column_stack(np.divmod(stamps, S)).astype('<u4')
    rows = np.tile(np.frombuffer(empty, dtype=np.uint8), (len(t), 1))
    rows[:, 4:12] = np.ascontiguousarray(stamps_cdr).view(np.uint8).reshape(-1, 8)
    rate, yaw, x, y = walk.at(t)
    noise = 0.003 * rng.standard_normal((3, len(t)))
    if kind == ODOMETRY:
        # The example's numbers say where each belongs: x, y, qz, qw, turn rate, first variance.
        grown = 4e-6 * (1.0 + 1e-4 * t)
        fields = {101.0: x, 102.0: y, 103.0: np.sin(yaw / 2), 104.0: np.cos(yaw / 2),
                  105.0: rate + noise[2], 106.0: grown}
    elif kind == IMU:
        # Mounted on its side and with a bias: its y axis points down.
        fields = {201.0: noise[0] + 0.004, 202.0: noise[1] - rate - 0.002, 203.0: noise[2]}
    else:
        fields = {}
    for mark, values in fields.items():
        place = empty.index(np.float64(mark).tobytes())
        rows[:, place:place + 8] = values.astype('<f8').view(np.uint8).reshape(-1, 8)
    return [row.tobytes() for row in rows]


def _example(make, kind, head):
    vector, point = make['geometry_msgs/msg/Vector3'], make['geometry_msgs/msg/Point']
    quaternion = make['geometry_msgs/msg/Quaternion']
    if kind == IMU:
        return make[kind](
            header=head, orientation=quaternion(x=0.0, y=0.0, z=0.0, w=1.0),
            orientation_covariance=np.full(9, -1.0), angular_velocity_covariance=np.full(9, 1e-5),
            angular_velocity=vector(x=201.0, y=202.0, z=203.0),
            linear_acceleration=vector(x=0.0, y=-9.8, z=0.0),
            linear_acceleration_covariance=np.full(9, 1e-3))
    if kind == INFO:
        return make[kind](
            header=head, height=480, width=640, distortion_model='plumb_bob', d=np.zeros(5),
            k=np.zeros(9), r=np.zeros(9), p=np.zeros(12), binning_x=0, binning_y=0,
            roi=make['sensor_msgs/msg/RegionOfInterest'](
                x_offset=0, y_offset=0, height=0, width=0, do_rectify=False))
    if kind == CLOUD:
        return make[kind](
            header=head, height=1, width=0, fields=[], is_bigendian=False, point_step=16,
            row_step=0, data=np.zeros(0, dtype=np.uint8), is_dense=True)
    covariance = np.diag([106.0, 4e-6, 4e-6, 1e-6, 1e-6, 1e-6]).ravel()
    return make[kind](
        header=head, child_frame_id='unit',
        pose=make['geometry_msgs/msg/PoseWithCovariance'](
            pose=make['geometry_msgs/msg/Pose'](
                position=point(x=101.0, y=102.0, z=0.0),
                orientation=quaternion(x=0.0, y=0.0, z=103.0, w=104.0)), covariance=covariance),
        twist=make['geometry_msgs/msg/TwistWithCovariance'](
            twist=make['geometry_msgs/msg/Twist'](
                linear=vector(x=0.5, y=0.0, z=0.0), angular=vector(x=0.0, y=0.0, z=105.0)),
            covariance=np.diag([1e-4] * 6).ravel()))
