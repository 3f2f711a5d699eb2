# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A process that loads the network of a robot: `topics COUNT`, or `storm TOPIC HZ SECONDS`.

A storm is made of IMU messages with good stamps, from one more publisher on the topic.
"""

import sys
import time

import rclpy
from robot_mapping_qa.messages.factory import message_class
from std_msgs.msg import Empty


def topics(node, count):
    kept = [node.create_publisher(Empty, f'/crowd/topic_{number}', 1) for number in range(count)]
    print(len(kept), flush=True)
    time.sleep(3600.0)


def storm(node, topic, rate_hz, seconds):
    message = message_class('sensor_msgs/msg/Imu')()
    publisher = node.create_publisher(type(message), topic, 50)
    time.sleep(0.5)
    sent, start = 0, time.monotonic()
    print('begins', flush=True)
    while (elapsed_s := time.monotonic() - start) < seconds:
        due = round(elapsed_s * rate_hz)
        while sent < due:
            if sent % 20 == 0:
                stamp = message.header.stamp
                stamp.sec, stamp.nanosec = divmod(time.time_ns(), 10 ** 9)
            publisher.publish(message)
            sent += 1
        time.sleep(0.0005)
    print(f'{sent / seconds:.0f} Hz', flush=True)


if __name__ == '__main__':
    rclpy.init()
    what, *arguments = sys.argv[1:]
    if what == 'topics':
        topics(rclpy.create_node('crowd'), int(arguments[0]))
    else:
        storm(rclpy.create_node('crowd'), arguments[0], float(arguments[1]), float(arguments[2]))
