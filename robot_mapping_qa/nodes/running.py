# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Starting, running and ending a node so that a user never meets a traceback."""

from __future__ import annotations

from pathlib import Path
import signal
import sys
import threading
from typing import Callable, Sequence

import rclpy
from rclpy.executors import ExternalShutdownException, SingleThreadedExecutor
from rclpy.node import Node
from rclpy.signals import SignalHandlerOptions
from robot_mapping_qa.configuration import ConfigurationError

BAD_INPUT = 2
"""Exit status where the user's input was refused."""

LONGEST_WAIT_S = 0.2
"""How long an idle node may take to notice a signal."""


class NodeDone(Exception):
    """Raised in a callback by a node that has finished its work."""


def run_node(make_node: Callable[[], Node], arguments: Sequence[str] | None = None) -> int:
    """
    Spin one node until it is interrupted or done, and return the exit status.

    A node may have a ``close()`` for last words such as a final message or a closed file: it
    runs while the middleware is still up, which is why the signals are handled here.
    """
    if {'-h', '--help'} & set(sys.argv[1:]):
        print(f'usage: {Path(sys.argv[0]).name} --ros-args --params-file FILE [-p NAME:=VALUE]\n\n'
              'A ROS 2 node. FILE names the streams: start from config/streams.yaml; the README '
              'lists every key.')
        return 0
    try:
        rclpy.init(args=arguments, signal_handler_options=SignalHandlerOptions.NO)
    except RuntimeError as error:
        # An error of rcl: its first line says which file or argument is wrong.
        print(str(error).splitlines()[0], file=sys.stderr)
        return BAD_INPUT
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda _number, _frame: stop.set())
    node = None
    executor = SingleThreadedExecutor()
    try:
        node = make_node()
        executor.add_node(node)
        while not stop.is_set():
            executor.spin_once(timeout_sec=LONGEST_WAIT_S)
    except (ConfigurationError, LookupError) as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except (NodeDone, ExternalShutdownException):
        pass
    finally:
        if node is not None:
            if hasattr(node, 'close'):
                node.close()
            executor.remove_node(node)
            node.destroy_node()
        executor.shutdown(timeout_sec=1.0)
        rclpy.try_shutdown()
    return 0
