# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Starting the package's nodes as separate processes and ending every one of them."""

from __future__ import annotations

import ctypes
from importlib import metadata
import os
from pathlib import Path
import signal
import subprocess
import sys
from typing import Mapping

from robot_mapping_qa.resources import share_file

SHARED_MEMORY_PROFILE = 'config/fastdds_large_messages.xml'


def dds_environment(domain: int | None = None) -> dict[str, str]:
    """
    Return an environment for nodes of this machine only.

    It sets the Fast DDS profile with a large shared-memory segment unless the user chose one,
    and keeps discovery on this host, so that a demo does not disturb a robot on the network.
    """
    environment = dict(os.environ)
    # Fast DDS 2, which came with rclpy 7 (Jazzy), knows the variable by its former name; later
    # versions warn of that one.
    former = int(metadata.version('rclpy').partition('.')[0]) < 8
    environment.setdefault(
        f'{"FASTRTPS" if former else "FASTDDS"}_DEFAULT_PROFILES_FILE',
        str(share_file(SHARED_MEMORY_PROFILE)))
    environment.setdefault('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST')
    if domain is not None:
        environment['ROS_DOMAIN_ID'] = str(domain)
    return environment


def _end_with_parent() -> None:
    """Ask the kernel to end this process when the one that started it dies, even by SIGKILL."""
    _LIBC.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


# Loaded beforehand: little may be done between fork and exec.
_LIBC = ctypes.CDLL(None)
_PR_SET_PDEATHSIG = 1  # prctl(2)


class NodeProcesses:
    """Nodes by name, each a process of its own with its output in a log file."""

    def __init__(self, folder: Path, environment: Mapping[str, str]) -> None:
        """Write the logs into ``folder``, which must exist."""
        self.folder = folder
        # A hold by hand that is kept there is no business of other gates of this user.
        self.environment = {**environment, 'ROS_HOME': str(folder)}
        self._running: dict[str, subprocess.Popen] = {}

    def start(self, node: str, *parameters: str, parameter_files: tuple = ()) -> None:
        """Start an executable of `robot_mapping_qa.nodes` with ROS parameters ``name:=value``."""
        command = [sys.executable, '-m', f'robot_mapping_qa.nodes.{node}', '--ros-args']
        for file in parameter_files:
            command += ['--params-file', str(file)]
        for parameter in parameters:
            command += ['-p', parameter]
        with (self.folder / f'{node}.log').open('w') as log:
            self._running[node] = subprocess.Popen(
                command, env=self.environment, stdin=subprocess.DEVNULL, stdout=log,
                stderr=subprocess.STDOUT, start_new_session=True,
                preexec_fn=_end_with_parent)

    def process(self, node: str) -> subprocess.Popen:
        """Return the process of a node that was started."""
        return self._running[node]

    def ended(self) -> dict[str, int]:
        """Return the exit status of each node that has ended, by name."""
        return {node: process.returncode for node, process in self._running.items()
                if process.poll() is not None}

    def log(self, node: str) -> str:
        """Return what a node has printed."""
        return (self.folder / f'{node}.log').read_text(errors='replace')

    def stop(self, wait_s: float = 5.0) -> dict[str, int]:
        """Interrupt every node, kill what does not end, and return the exit statuses."""
        for process in self._running.values():
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
        for process in self._running.values():
            try:
                process.wait(wait_s)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        return {node: process.returncode for node, process in self._running.items()}

    def __enter__(self) -> NodeProcesses:
        """Return the processes, to be stopped at the end of the block."""
        return self

    def __exit__(self, *_: object) -> None:
        """End every process, whatever happened."""
        self.stop()
