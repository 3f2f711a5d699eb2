# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Starting, running and ending nodes so that a user never meets a traceback."""

from __future__ import annotations

from contextlib import ExitStack
import gc
from pathlib import Path
import signal
import sys
import threading
from typing import Any, Callable, Iterable, Iterator, Sequence

import rclpy
from rclpy.executors import ExternalShutdownException, SingleThreadedExecutor
from rclpy.impl.implementation_singleton import rclpy_implementation
from rclpy.node import Node
from rclpy.signals import SignalHandlerOptions
from robot_mapping_qa.configuration import ConfigurationError
from robot_mapping_qa.exit_status import BAD_INPUT
from robot_mapping_qa.nodes.arguments import read_arguments, refusal
from robot_mapping_qa.nodes.node_help import help_text, usage

LONGEST_WAIT_S = 0.2
"""How long an idle node may take to notice a signal."""

SWITCH_S = 0.0005
"""
How soon a thread beside the executor's, as the one that judges clouds, must give way to it.

With Python's 5 ms a message that comes meanwhile waits so long, and again each time that the
operating system takes the other thread from its core before those are over.
"""


class NodeDone(Exception):
    """Raised in a callback by a node that has finished its work."""


def run_node(make_node: Callable[[], Node], arguments: Sequence[str] | None = None) -> int:
    """Spin one node until it is interrupted or done, and return the exit status."""
    return run_nodes((make_node,), arguments)


def run_nodes(make_nodes: Iterable[Callable[[], Node]],
              arguments: Sequence[str] | None = None) -> int:
    """
    Spin nodes in one executor until interrupted or one is done, and return the exit status.

    It is 0, however early SIGINT or SIGTERM comes, and 2 where the user's input was refused,
    be it only at the end, such as a file whose folder is gone.

    A node may have a ``close()`` for last words such as a final message or a closed file: it
    runs while the middleware is still up, which is why the signals are handled here. The node
    made last is closed first.
    """
    given = list(sys.argv if arguments is None else arguments)
    name = Path(given[0]).stem
    if {'-h', '--help'} & set(given[1:]):
        print(help_text(name))
        return 0
    stop = _stop_on_signals()
    try:
        sources = read_arguments(given, usage(name))
        rclpy.init(args=given, signal_handler_options=SignalHandlerOptions.NO)
    except ConfigurationError as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except RuntimeError as error:
        # An error of rcl: its first line says which file or argument is wrong.
        print(str(error).splitlines()[0], file=sys.stderr)
        return BAD_INPUT
    status = 0
    nodes: list[Node] = []
    executor = SingleThreadedExecutor()
    try:
        for node in _made(make_nodes, stop):
            nodes.append(node)
            executor.add_node(node)
        # What imports and nodes have made stays: without this the garbage collector's look
        # through it stops everything for some 30 ms now and then.
        gc.freeze()
        sys.setswitchinterval(SWITCH_S)
        while not stop.is_set():
            executor.spin_once(timeout_sec=LONGEST_WAIT_S)
    except ConfigurationError as error:
        print(refusal(error, sources), file=sys.stderr)
        status = BAD_INPUT
    except (NodeDone, ExternalShutdownException):
        pass
    finally:
        closed = _end(nodes, executor)
    return status or closed


def _stop_on_signals() -> threading.Event:
    """Take the signals over; return what is set by one."""
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda _number, _frame: stop.set())
    return stop


def _end(nodes: Iterable[Node], executor: SingleThreadedExecutor) -> int:
    """
    Close and destroy the nodes, the one made last first, each whatever befalls the others.

    Returns 2 where one of them could not do what was asked of it, else 0.
    """
    status = 0

    def close(node: Any) -> None:
        nonlocal status
        try:
            node.close()
        except (ConfigurationError, OSError) as error:
            name = '' if isinstance(error, ConfigurationError) else f'{node.get_name()}: '
            print(f'{name}{error}', file=sys.stderr)
            status = BAD_INPUT
    with ExitStack() as ends:
        ends.callback(rclpy.try_shutdown)
        ends.callback(executor.shutdown, timeout_sec=1.0)
        for node in nodes:
            ends.callback(node.destroy_node)
            ends.callback(executor.remove_node, node)
            if hasattr(node, 'close'):
                ends.callback(close, node)
    return status


def _made(make_nodes: Iterable[Callable[[], Node]], stop: threading.Event) -> Iterator[Node]:
    """Make the nodes one after another, until told to stop; raises `ConfigurationError`."""
    for make_node in make_nodes:
        if stop.is_set():
            return
        try:
            node = make_node()
        except LookupError as error:
            # A message type that is not installed. Later on it would be a fault of the node.
            raise ConfigurationError([str(error)], 'parameters') from error
        except rclpy_implementation.RCLError as error:
            # The middleware cannot do what is asked for, such as security without keys.
            raise ConfigurationError([str(error).splitlines()[0]], 'middleware') from error
        yield node
