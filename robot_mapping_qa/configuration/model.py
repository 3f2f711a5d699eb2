# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a valid configuration holds."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.pose.degradation_limits import DegradationLimits
from robot_mapping_qa.pose.geometry_limits import GeometryLimits
from robot_mapping_qa.pose.image_limits import ImageLimits
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.motion_limits import MotionLimits
from robot_mapping_qa.pose.trust_limits import TrustLimits
from robot_mapping_qa.timing.limits import TimingLimits

ROLE_TYPES = {
    'pose': ('nav_msgs/msg/Odometry', 'geometry_msgs/msg/PoseWithCovarianceStamped'),
    'motion': ('sensor_msgs/msg/Imu', 'nav_msgs/msg/Odometry'),
    'geometry': ('sensor_msgs/msg/PointCloud2',),
    'capture': ('sensor_msgs/msg/Image', 'sensor_msgs/msg/CompressedImage'),
    'aid': ('sensor_msgs/msg/Image', 'sensor_msgs/msg/CompressedImage'),
    'timing': None,
    'map_pose': (
        'nav_msgs/msg/Odometry', 'geometry_msgs/msg/PoseWithCovarianceStamped',
        'geometry_msgs/msg/PoseStamped',
    ),
    'distance': ('sensor_msgs/msg/Range',),
}
"""Message types that each role can be read from; None stands for any type with a header."""

REQUIRED_ROLES = ('pose', 'geometry', 'capture')
"""Roles whose loss closes the gate unless the stream says otherwise."""

CAMERA_INFO = 'sensor_msgs/msg/CameraInfo'


@dataclass(frozen=True, slots=True)
class Stream:
    """
    One watched topic; see `configuration.validation.STREAM_KEYS` for every key's meaning.

    ``mount_xyz_m`` and ``mount_rpy_rad`` place the sensor in the unit's frame (REP 103), with
    standard deviations ``mount_sigma_m`` and ``mount_sigma_rad`` per axis. ``clock_sigma_s`` is
    that of the constant offset of a camera's clock against the unit's.
    """

    name: str
    topic: str
    type: str
    role: str
    rate_hz: float | None = None
    timing_topic: str | None = None
    timing_type: str = CAMERA_INFO
    aids_unit: bool = False
    required: bool = False
    useful: bool = False
    delay_limit_s: float | None = None
    silence_s: float | None = None
    mount_xyz_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    mount_rpy_rad: tuple[float, float, float] = (0.0, 0.0, 0.0)
    mount_sigma_m: float = 0.0
    mount_sigma_rad: float = 0.0
    clock_sigma_s: float = 0.0
    time_server: str | None = None

    @property
    def aids(self) -> bool:
        """Whether it is a camera that the unit localizes with."""
        return self.role == 'aid' or (self.aids_unit and self.role == 'capture')

    @property
    def pictures(self) -> Stream:
        """
        Its pictures: itself, or where another topic times it a stream of their own.

        That is named ``<camera>/picture``, which no stream of a file can be.
        """
        if self.timing_topic is None:
            return self
        return replace(self, name=f'{self.name}/picture', timing_topic=None)

    @property
    def watched_topic(self) -> str:
        """The topic whose messages time the stream."""
        return self.timing_topic or self.topic

    @property
    def watched_type(self) -> str:
        """The message type on `watched_topic`."""
        return self.timing_type if self.timing_topic else self.type


@dataclass(frozen=True, slots=True)
class Configuration:
    """Everything that the monitors, the gate and the offline tool are told."""

    streams: tuple[Stream, ...]
    working_distance_m: float = 3.0
    point_error_limit_m: float = 0.05
    check_cameras: bool = False
    timing: TimingLimits = field(default_factory=TimingLimits)
    pose: PoseLimits = field(default_factory=PoseLimits)
    trust: TrustLimits = field(default_factory=TrustLimits)
    degradation: DegradationLimits = field(default_factory=DegradationLimits)
    geometry: GeometryLimits = field(default_factory=GeometryLimits)
    image: ImageLimits = field(default_factory=ImageLimits)
    motion: MotionLimits = field(default_factory=MotionLimits)
    gate: GateLimits = field(default_factory=GateLimits)

    @property
    def pose_stream(self) -> Stream:
        """The mapping unit's odometry: exactly one stream has this role."""
        return next(stream for stream in self.streams if stream.role == 'pose')

    @property
    def cameras(self) -> tuple[Stream, ...]:
        """The streams whose pictures are looked at: none unless ``check_cameras`` is set."""
        return tuple(stream for stream in self.streams if self.check_cameras and (
            stream.role == 'capture' or stream.aids))

    @property
    def useful_streams(self) -> frozenset[str]:
        """The names of the streams that may be missing for a while, and no longer."""
        return frozenset(stream.name for stream in self.streams if stream.useful)

    def with_role(self, *roles: str) -> tuple[Stream, ...]:
        """Return the streams that have one of the roles, in the order of the file."""
        return tuple(stream for stream in self.streams if stream.role in roles)
