# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A node's own parameters: each is what it should be, or is refused in one line."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Callable

from rclpy.node import Node
from robot_mapping_qa.configuration import ConfigurationError
from robot_mapping_qa.configuration.problems import shown
from robot_mapping_qa.configuration.validation import Range, TOPIC_NAME, TYPE_NAME


class OwnParameters:
    """Reads declared parameters of a node; each call raises `ConfigurationError`."""

    def __init__(self, node: Node, origin: str | None = None) -> None:
        """``origin`` begins every refusal; None stands for the node's parameters."""
        self._node = node
        self._origin = origin or f'parameters of {node.get_name()}'

    def refused(self, problem: str) -> ConfigurationError:
        """Return what to raise for a problem in words."""
        return ConfigurationError([problem], self._origin)

    def get(self, name: str, kind: type | tuple[type, ...], expected: str,
            is_good: Callable[[Any], Any] = lambda value: True) -> Any:
        """Return a value of a kind that ``is_good``; ``expected`` says in words what that is."""
        value = self._node.get_parameter(name).value
        # To Python a truth value is also a whole number.
        is_kind = isinstance(value, kind) and (kind is bool or not isinstance(value, bool))
        if not is_kind or not is_good(value):
            found = 'nothing' if value == '' else shown(value)
            raise self.refused(f'{name}: found {found}, expected {expected}')
        return value

    def path(self, name: str, expected: str) -> Path | None:
        """Return a path, with ~ as a shell has it, None where none is given."""
        text = self.get(name, str, expected)
        return Path(os.path.expanduser(text)) if text else None

    def needed_path(self, name: str, expected: str) -> Path:
        """Return a path that must be given, with ~ as a shell has it."""
        return Path(os.path.expanduser(self.get(name, str, expected, bool)))

    def flag(self, name: str) -> bool:
        """Return true or false."""
        return self.get(name, bool, 'true or false')

    def number(self, name: str, accepted: Range) -> float:
        """Return a number of a range."""
        return float(self.get(name, (int, float), str(accepted), accepted.has))

    def topics(self, name: str) -> dict[str, str | None]:
        """Return a list of topics as full names, each with its type where it is given."""
        found: dict[str, str | None] = {}
        value = self._node.get_parameter(name).value
        for text in value if isinstance(value, (list, tuple)) else [value]:
            topic, _, type_name = text.partition(' ') if isinstance(text, str) else ('', '', '')
            if not TOPIC_NAME.fullmatch(topic) or (
                    type_name and not TYPE_NAME.fullmatch(type_name)):
                raise self.refused(
                    f'{name}: found {shown(text)}, expected a list of topics, each with or '
                    "without its type, such as '/arm/scan sensor_msgs/msg/LaserScan'")
            found[self._node.resolve_topic_name(topic)] = type_name or None
        return found
