# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The package's outgoing messages, made alike for publishing and for the annotated bag."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, Iterable, Mapping, Sequence

from robot_mapping_qa.capture.gate import Decision, Hold
from robot_mapping_qa.configuration import Stream
from robot_mapping_qa.messages.factory import make_header, make_time, MessageFactory
from robot_mapping_qa.messages.verdict_message import ERROR, make_status, OK, WARN
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.timing.figures import StreamFigures
from robot_mapping_qa.verdicts import Condition, Event, Severity, Verdict

DIAGNOSTIC_PREFIX = 'robot_mapping_qa: '
"""Statuses on /diagnostics are named 'package: thing', so that an aggregator can group them."""

GREEN = (0.0, 1.0, 0.0)
YELLOW = (1.0, 0.75, 0.0)
RED = (1.0, 0.0, 0.0)


def diagnostics_message(factory: MessageFactory, statuses: Iterable[Any], stamp_ns: int) -> Any:
    """Return statuses as a diagnostic_msgs/DiagnosticArray."""
    return factory.make('diagnostic_msgs/msg/DiagnosticArray',
                        header=make_header(factory, stamp_ns), status=list(statuses))


def events_message(factory: MessageFactory, events: Iterable[Event], stamp_ns: int) -> Any:
    """
    Return events as a DiagnosticArray, stamped with the earliest onset.

    ``stamp_ns`` stands in where there are no events. Each status carries its own onset and the
    time of detection among its values.
    """
    events = tuple(events)
    statuses = [
        make_status(factory, event.kind, WARN if event.kind in _BAD_NEWS else OK, event.text,
                    {'onset_ns': event.onset_ns, 'detected_ns': event.detected_ns,
                     **event.values}, event.subject)
        for event in events]
    onset_ns = min((event.onset_ns for event in events), default=stamp_ns)
    return diagnostics_message(factory, statuses, onset_ns)


_BAD_NEWS = frozenset((
    'hold', 'clock_step', 'stream_lost', 'time_restarted', 'delay_rose', 'pose_jump',
    'covariance_distrusted', 'message_malformed', 'frame_changed'))


def _gate_values(decision: Decision, hold: Hold | None) -> dict[str, Any]:
    values: dict[str, Any] = {
        'state': 'open' if decision.allowed else 'held',
        'since_ns': decision.since_ns,
        'waiting_s': decision.waiting_s}
    if hold is not None:
        values['onset_ns'] = hold.onset_ns
    for condition in decision.conditions:
        values[f'reason/{condition.key}'] = condition.text
    for condition in decision.notices:
        values[f'notice/{condition.key}'] = condition.text
    values.update(decision.figures)
    return values


def _gate_level(decision: Decision) -> int:
    return (WARN if decision.conditions else OK) if decision.allowed else ERROR


def gate_status(factory: MessageFactory, decision: Decision, hold: Hold | None) -> Any:
    """Return state, reasons and figures of the gate as a DiagnosticStatus for `gate`."""
    return make_status(factory, 'gate', _gate_level(decision), decision.text,
                       _gate_values(decision, hold))


def gate_diagnostic(factory: MessageFactory, decision: Decision, hold: Hold | None) -> Any:
    """Return the same for /diagnostics."""
    return make_status(factory, DIAGNOSTIC_PREFIX + 'gate', _gate_level(decision), decision.text,
                       _gate_values(decision, hold))


def light_message(factory: MessageFactory, decision: Decision) -> Any:
    """
    Return the colour of an indicator lamp, a std_msgs/ColorRGBA.

    After IEC 60073 for the state of a process: green normal (capture is open), yellow abnormal
    (held, or about to be), red faulty (held because something needed is missing or broken).
    """
    if decision.allowed:
        colour = YELLOW if decision.conditions else GREEN
    else:
        broken = any(c.severity is Severity.HARD for c in decision.conditions)
        colour = RED if broken else YELLOW
    red, green, blue = colour
    return factory.make('std_msgs/msg/ColorRGBA', r=red, g=green, b=blue, a=1.0)


def _conditions_level(conditions: Sequence[Condition]) -> int:
    worst = max((c.severity for c in conditions), default=None)
    return OK if worst is None else ERROR if worst is Severity.HARD else WARN


def _conditions_text(conditions: Sequence[Condition], healthy: str) -> str:
    return '; '.join(c.text for c in conditions) or healthy


def stream_diagnostic(factory: MessageFactory, stream: Stream, figures: StreamFigures,
                      conditions: Sequence[Condition], sentence: str | None = None) -> Any:
    """
    Return the state of one stream for /diagnostics, with figures that can be plotted.

    ``sentence`` says in words where the stream's stamps lie, None where that is not known.
    """
    values = {item.name: getattr(figures, item.name) for item in fields(figures)
              if item.name not in ('topic', 'clock_steps', 'silences')}
    values['clock_steps'] = len(figures.clock_steps)
    values['silences'] = len(figures.silences)
    return make_status(
        factory, f'{DIAGNOSTIC_PREFIX}stream {stream.name}', _conditions_level(conditions),
        _conditions_text(conditions, sentence or f'{stream.name}: no clock offset yet'), values,
        stream.watched_topic)


def pose_diagnostic(factory: MessageFactory, name: str, verdict: Verdict,
                    summary: Mapping[str, Any], more: Mapping[str, float] = {}) -> Any:
    """Return the state of the unit's pose, with ``more`` figures, for /diagnostics."""
    values = {**verdict.figures, **more, 'reported_covariance': summary['reported_covariance'],
              'jumps': len(summary['jumps'])}
    error_m = verdict.figures['point_error_m']
    healthy = 'healthy' if error_m is None else (
        f'a point on the structure is known to {error_m:.3f} m (95 %)')
    return make_status(
        factory, f'{DIAGNOSTIC_PREFIX}pose {name}', _conditions_level(verdict.conditions),
        _conditions_text(verdict.conditions, healthy), values)


def clock_offset_message(factory: MessageFactory, name: str, host_ns: int,
                         offset_s: float) -> Any:
    """
    Return a sensor_msgs/TimeReference: host time, and the same instant on the stream's clock.

    ``offset_s`` is the stream's clock less the host's.
    """
    return factory.make(
        'sensor_msgs/msg/TimeReference', header=make_header(factory, host_ns),
        time_ref=make_time(factory, host_ns + round(offset_s * 1e9)), source=name)


def point_error_message(factory: MessageFactory, error_m: float) -> Any:
    """Return the 95 % error of a point on the structure as a std_msgs/Float64."""
    return factory.make('std_msgs/msg/Float64', data=error_m)


def pose_message(factory: MessageFactory, pose: Odometry) -> Any:
    """Return a pose with its covariance as geometry_msgs/PoseWithCovarianceStamped."""
    x, y, z = pose.position_m.tolist()
    qx, qy, qz, qw = pose.quaternion.tolist()
    make = factory.make
    return make(
        'geometry_msgs/msg/PoseWithCovarianceStamped',
        header=make_header(factory, pose.stamp_ns, pose.frame),
        pose=make('geometry_msgs/msg/PoseWithCovariance',
                  pose=make('geometry_msgs/msg/Pose',
                            position=make('geometry_msgs/msg/Point', x=x, y=y, z=z),
                            orientation=make('geometry_msgs/msg/Quaternion',
                                             x=qx, y=qy, z=qz, w=qw)),
                  covariance=pose.covariance.ravel()))
