# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Writing serialized messages to a rosbag2 MCAP bag as they come."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rosbags.rosbag2 import StoragePlugin, Writer
from rosbags.rosbag2.errors import WriterError
from rosbags.typesys import get_typestore, Stores

STORE = Stores.ROS2_JAZZY
"""Definitions of the standard messages; those used here are alike in Jazzy and Kilted."""

BAG_VERSION = 9
"""rosbag2 metadata version of Jazzy and later."""


class RecordingError(RuntimeError):
    """A bag that cannot be written; the text says which and why."""


class Recorder:
    """One rosbag2 bag that grows by serialized messages; close it to finish its index."""

    def __init__(self, path: str | Path) -> None:
        """
        Create the bag's folder.

        Raises `RecordingError` where it exists already or cannot be made.
        """
        self.path = Path(path)
        self.typestore = get_typestore(STORE)
        self._connections: dict[str, Any] = {}
        try:
            self._writer = Writer(self.path, version=BAG_VERSION,
                                  storage_plugin=StoragePlugin.MCAP)
            self._writer.open()
        except (WriterError, OSError) as error:
            raise RecordingError(f'cannot write the bag {self.path}: {error}') from error

    def add_topic(self, topic: str, type_name: str) -> None:
        """Announce a topic; raises `RecordingError` for a type that is not a standard one."""
        if topic in self._connections:
            return
        if type_name not in self.typestore.types:
            raise RecordingError(f'{topic}: the definition of {type_name} is not known')
        self._connections[topic] = self._writer.add_connection(
            topic, type_name, typestore=self.typestore)

    def write(self, topic: str, log_time_ns: int, data: bytes) -> None:
        """Append a serialized message of an announced topic."""
        self._writer.write(self._connections[topic], log_time_ns, data)

    def close(self) -> None:
        """Write the index and ``metadata.yaml``."""
        self._writer.close()
