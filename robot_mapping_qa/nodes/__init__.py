# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Thin rclpy nodes: parameters, subscriptions, timers and publishers."""

import os
from pathlib import Path
import signal
import sys


def _end_silently() -> None:
    """
    End the process at a signal, with status 0, until `running` takes the signals over.

    A node's imports take a second, in which Ctrl-C would print a traceback.
    """
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda _number, _frame: os._exit(0))


def _is_started_as_a_node() -> bool:
    command = sys.argv[0] if sys.argv else ''
    # Python's own argument is -m while it looks for the module to run.
    return command == '-m' or Path(__file__).with_name(f'{Path(command).name}.py').is_file()


if _is_started_as_a_node():
    _end_silently()
