# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What stands around the relay when it is measured: camera, bare republisher, taker."""

import array
import json
import sys
import time

from rclpy.node import Node
from rclpy.qos import QoSProfile
from rclpy.serialization import serialize_message
from robot_mapping_qa.messages.serialized import read_stamp
from robot_mapping_qa.nodes.running import run_node
from sensor_msgs.msg import Image

TOPIC = '/front/image_raw'
WIDTH, HEIGHT, RATE_HZ = 1920, 1080, 15.0
QOS = QoSProfile(depth=10)


def camera():
    """Publish pictures of 6.2 MB, serialized beforehand but for their stamp."""
    node = Node('camera')
    publisher = node.create_publisher(Image, TOPIC, QOS)
    image = Image(width=WIDTH, height=HEIGHT, encoding='rgb8', step=3 * WIDTH,
                  data=array.array('B', bytes(3 * WIDTH * HEIGHT)))
    head, rest = serialize_message(image)[:4], serialize_message(image)[12:]

    def take():
        seconds, nanoseconds = divmod(time.time_ns(), 10**9)
        publisher.publish(b''.join((head, seconds.to_bytes(4, 'little'),
                                    nanoseconds.to_bytes(4, 'little'), rest)))
    node.create_timer(1.0 / RATE_HZ, take)
    return node


def bare():
    """Republish raw pictures, and nothing else."""
    node = Node('bare_republisher')
    publisher = node.create_publisher(Image, f'{TOPIC}/bare', QOS)
    node.create_subscription(
        Image, TOPIC, lambda data, info: publisher.publish(data), QOS, raw=True)
    return node


class Taker(Node):
    """Takes pictures straight and by one detour; writes when the middleware received each."""

    def __init__(self):
        super().__init__('taker')
        self.received_ns = {way: {} for way in ('', sys.argv[3])}
        for way, received_ns in self.received_ns.items():
            self.create_subscription(
                Image, TOPIC + way,
                lambda data, info, of=received_ns: of.setdefault(
                    read_stamp(data), info['received_timestamp']), QOS, raw=True)

    def close(self):
        ways = self.received_ns.values()
        complete = set.intersection(*map(set, ways))
        with open(sys.argv[2], 'w') as file:
            json.dump({'counts': [len(of) for of in ways],
                       'received_ns': [[of[stamp] for of in ways] for stamp in complete]}, file)


if __name__ == '__main__':
    sys.exit(run_node({'camera': camera, 'bare': bare, 'taker': Taker}[sys.argv[1]], sys.argv[:1]))
