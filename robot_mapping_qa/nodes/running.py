# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Starting, running and ending nodes so that a user never meets a traceback."""

from __future__ import annotations

import gc
from pathlib import Path
import signal
import sys
import threading
from typing import Callable, Iterable, Sequence

import rclpy
from rclpy.executors import ExternalShutdownException, SingleThreadedExecutor
from rclpy.impl.implementation_singleton import rclpy_implementation
from rclpy.node import Node
from rclpy.signals import SignalHandlerOptions
from rclpy.utilities import remove_ros_args
from robot_mapping_qa.configuration import check_parameter_files, ConfigurationError
from robot_mapping_qa.configuration.parameter_file import EMPTY_LIST

BAD_INPUT = 2
"""Exit status where the user's input was refused."""

LONGEST_WAIT_S = 0.2
"""How long an idle node may take to notice a signal."""


class NodeDone(Exception):
    """Raised in a callback by a node that has finished its work."""


def run_node(make_node: Callable[[], Node], arguments: Sequence[str] | None = None) -> int:
    """Spin one node until it is interrupted or done, and return the exit status."""
    return run_nodes((make_node,), arguments)


def run_nodes(make_nodes: Iterable[Callable[[], Node]],
              arguments: Sequence[str] | None = None) -> int:
    """
    Spin nodes in one executor until interrupted or one is done, and return the exit status.

    A node may have a ``close()`` for last words such as a final message or a closed file: it
    runs while the middleware is still up, which is why the signals are handled here. The node
    made last is closed first.
    """
    given = list(sys.argv if arguments is None else arguments)
    usage = f'{Path(given[0]).stem} --ros-args --params-file FILE [-p NAME:=VALUE]'
    if {'-h', '--help'} & set(given[1:]):
        print(f'usage: {usage}\n\n'
              'A ROS 2 node. FILE names the streams: start from config/streams.yaml; the README '
              'lists every key.')
        return 0
    try:
        _check_arguments(given, usage)
        rclpy.init(args=given, signal_handler_options=SignalHandlerOptions.NO)
    except ConfigurationError as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except RuntimeError as error:
        # An error of rcl: its first line says which file or argument is wrong.
        print(str(error).splitlines()[0], file=sys.stderr)
        return BAD_INPUT
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda _number, _frame: stop.set())
    nodes: list[Node] = []
    executor = SingleThreadedExecutor()
    try:
        for make_node in make_nodes:
            try:
                nodes.append(make_node())
            except LookupError as error:
                # A message type that is not installed. Later on it would be a fault of the node.
                raise ConfigurationError([str(error)], 'parameters') from error
            except rclpy_implementation.RCLError as error:
                # The middleware cannot do what is asked for, such as security without keys.
                raise ConfigurationError([str(error).splitlines()[0]], 'middleware') from error
            executor.add_node(nodes[-1])
        # What imports and nodes have made stays: without this the garbage collector's look
        # through it stops everything for some 30 ms now and then.
        gc.freeze()
        while not stop.is_set():
            executor.spin_once(timeout_sec=LONGEST_WAIT_S)
    except ConfigurationError as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except (NodeDone, ExternalShutdownException):
        pass
    finally:
        for node in reversed(nodes):
            if hasattr(node, 'close'):
                node.close()
            executor.remove_node(node)
            node.destroy_node()
        executor.shutdown(timeout_sec=1.0)
        rclpy.try_shutdown()
    return 0


def _check_arguments(given: Sequence[str], usage: str) -> None:
    """
    Refuse what rcl and rclpy would pass over without a word.

    Raises `ConfigurationError`, and RuntimeError with rcl's own words.
    """
    try:
        stray = str(remove_ros_args(given)[1:])
    except RuntimeError as error:
        # rclpy does not export this class. Its text is the list of the arguments.
        if type(error).__name__ != 'UnknownROSArgsError':
            raise
        stray = str(error)
    if stray != '[]':
        raise ConfigurationError([f'unknown {stray}, expected {usage}'], 'arguments')
    pairs = list(zip(given, given[1:]))
    check_parameter_files(file for flag, file in pairs if flag == '--params-file')
    for flag, rule in pairs:
        name, _, value = rule.partition(':=')
        if flag in ('-p', '--param') and value.strip() == '[]':
            raise ConfigurationError([f'{name}: {EMPTY_LIST}'], 'arguments')
