# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The floor: raw subscriptions to the watched topics that do nothing with what they get."""

import sys

from rclpy.node import Node
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.messages.factory import message_class
from robot_mapping_qa.nodes.qos import stream_qos
from robot_mapping_qa.nodes.running import run_node


def main():
    """Subscribe to the streams of the file given whose roles are given, or to all."""
    file, *roles = sys.argv[1:]
    configuration = load_configuration(file)
    streams = configuration.with_role(*roles) if roles else configuration.streams

    def bare():
        node = Node('bare_subscriber')
        for stream in streams:
            node.create_subscription(
                message_class(stream.watched_type), stream.watched_topic,
                lambda data, info: None, stream_qos(stream.rate_hz), raw=True)
        return node
    return run_node(bare, sys.argv[:1])


if __name__ == '__main__':
    sys.exit(main())
