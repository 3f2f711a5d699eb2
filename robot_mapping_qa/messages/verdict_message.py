# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Verdicts between the monitors and the gate, as diagnostic_msgs/DiagnosticArray.

The first status is the verdict itself with its figures, each further one a condition. Numbers
travel as the shortest text that reads back to the same number, so that nothing is rounded on
the way and the gate decides live as it does offline.
"""

from __future__ import annotations

from math import isnan
from typing import Any, Mapping

from robot_mapping_qa.messages.factory import make_header, MessageFactory, time_ns
from robot_mapping_qa.verdicts import Condition, Severity, Verdict

OK, WARN, ERROR = 0, 1, 2
"""Levels of diagnostic_msgs/DiagnosticStatus."""

_LEVEL = {Severity.NOTICE: OK, Severity.SOFT: WARN, Severity.HARD: ERROR}
_SEVERITY = {level: severity for severity, level in _LEVEL.items()}
_ONSET = 'onset_ns'
_RECORD = 'record'
_SEEN = 'seen_ns'


def number_text(value: float | int | None) -> str:
    """Return a number so that it reads back exactly; an unknown one is an empty text."""
    if value is None:
        return ''
    return str(value) if isinstance(value, int) else repr(float(value))


def make_status(factory: MessageFactory, name: str, level: int, text: str,
                values: Mapping[str, Any], hardware: str = '') -> Any:
    """Return a diagnostic_msgs/DiagnosticStatus; numbers become plain text, None an empty one."""
    return factory.make(
        'diagnostic_msgs/msg/DiagnosticStatus', level=level, name=name, message=text,
        hardware_id=hardware, values=[
            factory.make('diagnostic_msgs/msg/KeyValue', key=key,
                         value=value if isinstance(value, str) else number_text(value))
            for key, value in values.items()])


def verdict_to_message(factory: MessageFactory, verdict: Verdict) -> Any:
    """Return a verdict as a diagnostic_msgs/DiagnosticArray."""
    worst = max((c.severity for c in verdict.conditions), default=Severity.NOTICE)
    statuses = [make_status(factory, verdict.source, _LEVEL[worst],
                            f'{len(verdict.conditions)} conditions', verdict.figures)]
    statuses += [
        make_status(factory, c.key, _LEVEL[c.severity], c.text, {
            _ONSET: c.onset_ns, **({_RECORD: c.record} if c.record else {}),
            **({} if c.seen_ns is None else {_SEEN: c.seen_ns})})
        for c in verdict.conditions]
    return factory.make('diagnostic_msgs/msg/DiagnosticArray',
                        header=make_header(factory, verdict.stamp_ns), status=statuses)


def verdict_from_message(message: Any, source: str | None = None) -> Verdict:
    """
    Read a verdict back from a DiagnosticArray of rclpy or of rosbags.

    Raises ValueError where the message was not made by `verdict_to_message`, where a figure is
    NaN, or where it names another source than ``source``: who may speak for one monitor may not
    for all.
    """
    try:
        head, *rest = message.status
        figures = {item.key: _figure(item) for item in head.values}
        conditions = tuple(_condition(status) for status in rest)
    except (ValueError, KeyError) as error:
        raise ValueError(f'not a verdict: {error!r}') from error
    if source is not None and head.name != source:
        raise ValueError(f'it speaks as {head.name!r}, expected {source!r}')
    return Verdict(head.name, time_ns(message.header.stamp), conditions, figures)


def _figure(item: Any) -> float | None:
    value = float(item.value) if item.value else None
    if value is not None and isnan(value):
        # It is over no limit: as a figure it would count for none.
        raise ValueError(f'{item.key!r} is not a number')
    return value


def _condition(status: Any) -> Condition:
    values = {item.key: item.value for item in status.values}
    return Condition(status.name, status.message, _SEVERITY[status_level(status)],
                     int(values[_ONSET]), values.get(_RECORD, ''),
                     int(values[_SEEN]) if _SEEN in values else None)


def status_level(status: Any) -> int:
    """Return the level of a status of rclpy, which holds it as bytes, or of rosbags."""
    level = status.level
    return level[0] if isinstance(level, bytes) else int(level)
