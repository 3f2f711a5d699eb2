# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A robot's sensors at full rate: IMU at 200 Hz, two lidars at 10 Hz, two cameras at 15 Hz."""

import sys
import time

import numpy as np
from rclpy.node import Node
from rclpy.serialization import serialize_message
from robot_mapping_qa.nodes.qos import stream_qos
from robot_mapping_qa.nodes.running import run_node
from sensor_msgs.msg import Image, Imu, PointCloud2, PointField

POINTS = 65_536
WIDTH, HEIGHT = 1280, 720


def _stamped(message, frame):
    message.header.stamp.sec, message.header.stamp.nanosec = divmod(time.time_ns(), 10 ** 9)
    message.header.frame_id = frame
    return message


def _cloud():
    """Return one revolution in a hall of 20 x 20 x 5 m."""
    random = np.random.default_rng(1)
    beams = random.standard_normal((POINTS, 3)) * (1.0, 1.0, 0.3)
    beams /= np.linalg.norm(beams, axis=1, keepdims=True)
    points = (beams * (np.array([10.0, 10.0, 2.5]) / np.abs(beams)).min(axis=1)[:, None]
              + 0.01 * random.standard_normal((POINTS, 3))).astype(np.float32)
    fields = [PointField(name=name, offset=4 * number, datatype=PointField.FLOAT32, count=1)
              for number, name in enumerate('xyz')]
    return PointCloud2(height=1, width=POINTS, fields=fields, point_step=12,
                       row_step=12 * POINTS, is_dense=True, data=points.tobytes())


def _picture():
    grey = np.random.default_rng(2).integers(0, 256, (HEIGHT // 8, WIDTH // 8, 3), np.uint8)
    pixels = grey.repeat(8, axis=0).repeat(8, axis=1)
    return Image(height=HEIGHT, width=WIDTH, encoding='rgb8', step=3 * WIDTH,
                 data=pixels.tobytes())


class SensorLoad(Node):
    """Publishes the same bytes again and again: what they cost is in those who take them."""

    def __init__(self):
        """Start the timers."""
        super().__init__('sensor_load')
        for topic, kind, message, rate_hz in (
                ('/imu', Imu, Imu(), 200.0),
                ('/lidar_1', PointCloud2, _cloud(), 10.0),
                ('/lidar_2', PointCloud2, _cloud(), 10.0),
                ('/camera_1', Image, _picture(), 15.0), ('/camera_2', Image, _picture(), 15.0)):
            publisher = self.create_publisher(kind, topic, stream_qos(rate_hz))
            data = serialize_message(_stamped(message, topic.strip('/')))
            if kind is Imu:
                self.create_timer(1.0 / rate_hz, lambda publisher=publisher: publisher.publish(
                    _stamped(Imu(), 'imu')))
            else:
                self.create_timer(1.0 / rate_hz, lambda publisher=publisher, data=data:
                                  publisher.publish(data))


if __name__ == '__main__':
    sys.exit(run_node(SensorLoad))
