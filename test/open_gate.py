# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A gate that is always open, to be killed and stopped, or to be one gate too many."""

import sys

from rclpy.node import Node
from robot_mapping_qa.messages.topics import CAPTURE_ALLOWED
from robot_mapping_qa.nodes.qos import GATE_QOS
from robot_mapping_qa.nodes.running import run_node
from std_msgs.msg import Bool


def make_gate():
    node = Node('open_gate')
    allowed = node.create_publisher(Bool, CAPTURE_ALLOWED.name, GATE_QOS)
    node.create_timer(0.1, lambda: allowed.publish(Bool(data=True)))
    return node


if __name__ == '__main__':
    sys.exit(run_node(make_gate))
