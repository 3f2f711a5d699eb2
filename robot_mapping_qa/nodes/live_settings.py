# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Thresholds as ROS parameters with ranges, changeable while a node runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Callable, Iterable

from rcl_interfaces.msg import FloatingPointRange, ParameterDescriptor, SetParametersResult
from rclpy.node import Node
from rclpy.parameter import Parameter
from robot_mapping_qa.configuration.problems import shown
from robot_mapping_qa.configuration.validation import is_known_threshold, Range
from robot_mapping_qa.settings import settings_of


@dataclass(frozen=True, slots=True)
class LiveSetting:
    """One number: its parameter, its value at the start, its range and its meaning."""

    name: str
    value: float
    range: Range
    text: str


def settings_in(group: str, limits: Any) -> list[LiveSetting]:
    """Return every threshold of a dataclass as ``group.name``."""
    return [
        LiveSetting(f'{group}.{item.name}', getattr(limits, item.name),
                    Range(item.metadata['low'], item.metadata['high']), item.metadata['text'])
        for item in settings_of(type(limits))]


class LiveSettings:
    """
    Checks what a node's parameters are set to while it runs, and tells of each change.

    What a node reads at its start only is refused, so that nobody believes in a change that has
    no effect; at first that is everything.
    """

    def __init__(self, node: Node) -> None:
        """Refuse from now on whatever is not offered."""
        self._node = node
        self._settings: dict[str, LiveSetting] = {}
        self._texts: frozenset[str] = frozenset()
        self._changed: Callable[[str, float, float], None] = lambda name, old, new: None
        self.values: dict[str, float] = {}
        """The present value of each setting, by the parameter's name."""
        node.add_on_set_parameters_callback(self._check)
        node.add_post_set_parameters_callback(self._apply)

    def offer(self, settings: Iterable[LiveSetting],
              changed: Callable[[str, float, float], None], texts: Iterable[str] = ()) -> None:
        """
        Declare parameters that may be set; ``changed(name, old, new)`` is called after a change.

        ``texts`` names parameters that the node has declared and reads whenever it needs them;
        they may be set to any text.
        """
        self._settings = {setting.name: setting for setting in settings}
        self._texts = frozenset(texts)
        self._changed = changed
        self.values = {name: setting.value for name, setting in self._settings.items()}
        node = self._node
        for setting in self._settings.values():
            if node.has_parameter(setting.name):
                node.undeclare_parameter(setting.name)
            span = FloatingPointRange(
                from_value=setting.range.low, to_value=setting.range.high)
            # Without dynamic typing 3 would be refused for 3.0.
            node.declare_parameter(setting.name, setting.value, ParameterDescriptor(
                description=setting.text, dynamic_typing=True, floating_point_range=[span]),
                ignore_override=True)

    def _check(self, parameters: list[Parameter]) -> SetParametersResult:
        problems = [problem for parameter in parameters
                    if (problem := self._problem(parameter)) is not None]
        return SetParametersResult(successful=not problems, reason='; '.join(problems))

    def _problem(self, parameter: Parameter) -> str | None:
        name, value = parameter.name, parameter.value
        if name in self._texts:
            return None if isinstance(value, str) else (
                f'{name}: found {shown(value)}, expected a text')
        setting = self._settings.get(name)
        if setting is None:
            if self._node.has_parameter(name) or is_known_threshold(name):
                return (f'{name}: is read at the start only; set it in the parameter file and '
                        'start the nodes again')
            return f'{name}: {self._node.get_name()} has no such parameter'
        if not setting.range.has(value):
            return f'{name}: found {shown(value)}, expected {setting.range}'
        return None

    def _apply(self, parameters: list[Parameter]) -> None:
        for parameter in parameters:
            name = parameter.name
            if name in self._settings and parameter.value != self.values[name]:
                old, self.values[name] = self.values[name], float(parameter.value)
                self._changed(name, old, self.values[name])
