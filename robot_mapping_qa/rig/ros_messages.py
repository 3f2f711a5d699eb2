# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
ROS messages of what the rig measures.

The message classes are handed in, so the same code fills those of a ROS installation and those
of a bag library; neither is imported here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from robot_mapping_qa.rig.lidar import POINT, POINT_FIELDS
from robot_mapping_qa.rig.records import (
    CameraInfo, Cloud, ImuSample, Message, OdometrySample, Picture, PoseSample)
from robot_mapping_qa.rig.rotation import Quaternion, Vector

MESSAGE_TYPES = (
    'builtin_interfaces/msg/Time', 'std_msgs/msg/Header',
    'geometry_msgs/msg/Point', 'geometry_msgs/msg/Quaternion', 'geometry_msgs/msg/Vector3',
    'geometry_msgs/msg/Pose', 'geometry_msgs/msg/PoseWithCovariance',
    'geometry_msgs/msg/PoseWithCovarianceStamped',
    'geometry_msgs/msg/Twist', 'geometry_msgs/msg/TwistWithCovariance',
    'nav_msgs/msg/Odometry', 'sensor_msgs/msg/Imu', 'sensor_msgs/msg/CameraInfo',
    'sensor_msgs/msg/Image', 'sensor_msgs/msg/PointCloud2', 'sensor_msgs/msg/PointField',
    'sensor_msgs/msg/RegionOfInterest')
"""The message types that are used."""

_DATATYPES = {'<u2': 4, '<f4': 7}
"""Values of sensor_msgs/msg/PointField.datatype: UINT16, FLOAT32."""

_NO_ORIENTATION = np.array([-1.0] + [0.0] * 8)


class MessageBuilder:
    """Builds messages of given classes."""

    def __init__(
            self, types: Mapping[str, Any], sequence: Callable[[np.ndarray], Any],
            ros1: bool = False) -> None:
        """
        Build from types, which maps MESSAGE_TYPES to classes taking their fields as keywords.

        sequence turns a flat array into what those classes hold in a field of variable length.
        ros1 gives the fields of ROS 1, where they differ.
        """
        self._types = types
        self._sequence = sequence
        self._ros1 = ros1
        self._builders: dict[type, Callable[[Any, Any], Any]] = {
            OdometrySample: self._odometry, PoseSample: self._pose_stamped, ImuSample: self._imu,
            CameraInfo: self._camera_info, Picture: self._image, Cloud: self._cloud}
        self._point_fields = [
            types['sensor_msgs/msg/PointField'](
                name=name, offset=offset, datatype=_DATATYPES[form], count=1)
            for name, form, offset in POINT_FIELDS]

    def build(self, message: Message) -> Any:
        """Return the ROS message that carries a rig's message."""
        seconds, nanoseconds = divmod(message.stamp_ns, 10 ** 9)
        header = {
            'stamp': self._types['builtin_interfaces/msg/Time'](
                sec=seconds, nanosec=nanoseconds),
            'frame_id': message.frame}
        if self._ros1:
            header['seq'] = 0
        return self._builders[type(message.payload)](
            self._types['std_msgs/msg/Header'](**header), message.payload)

    def _vector(self, value: Vector) -> Any:
        return self._types['geometry_msgs/msg/Vector3'](x=value[0], y=value[1], z=value[2])

    def _quaternion(self, value: Quaternion) -> Any:
        return self._types['geometry_msgs/msg/Quaternion'](
            x=value[0], y=value[1], z=value[2], w=value[3])

    def _pose(self, position: Vector, quaternion: Quaternion, covariance: np.ndarray) -> Any:
        types = self._types
        x, y, z = position
        pose = types['geometry_msgs/msg/Pose'](
            position=types['geometry_msgs/msg/Point'](x=x, y=y, z=z),
            orientation=self._quaternion(quaternion))
        return types['geometry_msgs/msg/PoseWithCovariance'](pose=pose, covariance=covariance)

    def _pose_stamped(self, header: Any, sample: PoseSample) -> Any:
        return self._types['geometry_msgs/msg/PoseWithCovarianceStamped'](
            header=header, pose=self._pose(sample.position, sample.quaternion, sample.covariance))

    def _odometry(self, header: Any, sample: OdometrySample) -> Any:
        types = self._types
        twist = types['geometry_msgs/msg/Twist'](
            linear=self._vector(sample.linear), angular=self._vector(sample.angular))
        return types['nav_msgs/msg/Odometry'](
            header=header, child_frame_id=sample.child_frame,
            pose=self._pose(sample.position, sample.quaternion, sample.pose_covariance),
            twist=types['geometry_msgs/msg/TwistWithCovariance'](
                twist=twist, covariance=sample.twist_covariance))

    def _imu(self, header: Any, sample: ImuSample) -> Any:
        eye = np.eye(3).ravel()
        # A first element of -1 says that there is no orientation (sensor_msgs/msg/Imu).
        return self._types['sensor_msgs/msg/Imu'](
            header=header, orientation=self._quaternion((0.0, 0.0, 0.0, 1.0)),
            orientation_covariance=_NO_ORIENTATION,
            angular_velocity=self._vector(sample.angular),
            angular_velocity_covariance=eye * sample.angular_variance,
            linear_acceleration=self._vector(sample.acceleration),
            linear_acceleration_covariance=eye * sample.acceleration_variance)

    def _camera_info(self, header: Any, info: CameraInfo) -> Any:
        f, cx, cy = info.focal_px, (info.width - 1) / 2, (info.height - 1) / 2
        matrices = {
            'd': self._sequence(np.zeros(5)),
            'k': np.array([f, 0.0, cx, 0.0, f, cy, 0.0, 0.0, 1.0]),
            'r': np.eye(3).ravel(),
            'p': np.array([f, 0.0, cx, 0.0, 0.0, f, cy, 0.0, 0.0, 0.0, 1.0, 0.0])}
        if self._ros1:
            matrices = {name.upper(): value for name, value in matrices.items()}
        return self._types['sensor_msgs/msg/CameraInfo'](
            header=header, height=info.height, width=info.width, distortion_model='plumb_bob',
            binning_x=0, binning_y=0, roi=self._types['sensor_msgs/msg/RegionOfInterest'](
                x_offset=0, y_offset=0, height=0, width=0, do_rectify=False), **matrices)

    def _image(self, header: Any, picture: Picture) -> Any:
        height, width = picture.pixels.shape
        return self._types['sensor_msgs/msg/Image'](
            header=header, height=height, width=width, encoding='mono8', is_bigendian=0,
            step=width, data=self._sequence(picture.pixels.ravel()))

    def _cloud(self, header: Any, cloud: Cloud) -> Any:
        height, width = cloud.points.shape
        return self._types['sensor_msgs/msg/PointCloud2'](
            header=header, height=height, width=width, fields=self._point_fields,
            is_bigendian=False, point_step=POINT.itemsize, row_step=width * POINT.itemsize,
            data=self._sequence(cloud.points.ravel().view(np.uint8)), is_dense=cloud.dense)
