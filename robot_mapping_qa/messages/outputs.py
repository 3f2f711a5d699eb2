# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The package's outgoing messages, made alike for publishing and for the annotated bag."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, Iterable, Mapping, Sequence

import numpy as np
from robot_mapping_qa.capture.gate import Decision, Hold
from robot_mapping_qa.capture.redo_watch import Place
from robot_mapping_qa.configuration import Stream
from robot_mapping_qa.messages.factory import fits_time, make_header, make_time, MessageFactory
from robot_mapping_qa.messages.hold_values import course_values, hold_values
from robot_mapping_qa.messages.verdict_message import ERROR, make_status, OK, WARN
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.timing.figures import StreamFigures
from robot_mapping_qa.verdicts import Condition, Event, Severity, Verdict

DIAGNOSTIC_PREFIX = 'robot_mapping_qa: '
"""Statuses on /diagnostics are named 'package: thing', so that an aggregator can group them."""

GREEN = (0.0, 1.0, 0.0)
YELLOW = (1.0, 0.75, 0.0)
RED = (1.0, 0.0, 0.0)
BLUE = (0.0, 0.0, 1.0)
DARK = (0.0, 0.0, 0.0)

NOT_KNOWN = np.diag([-1.0] + [0.0] * 5)
"""Stands for a covariance that there is none of."""

_NOT_BROKEN = ('settling', 'manual_hold')
"""Kinds of hard conditions that pass by themselves or by the hand that made them."""


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
        make_status(factory, event.kind, WARN if event.kind in BAD_NEWS else OK, event.text,
                    {'onset_ns': event.onset_ns, 'detected_ns': event.detected_ns,
                     **event.values}, event.subject)
        for event in events]
    onset_ns = min((event.onset_ns for event in events), default=stamp_ns)
    return diagnostics_message(factory, statuses, onset_ns)


BAD_NEWS = frozenset((
    'hold', 'suspect', 'limit_near', 'clock_step',
    'stream_lost', 'time_restarted', 'delay_rose', 'pose_jump',
    'covariance_distrusted', 'message_malformed', 'frame_changed',
    'qos_mismatch', 'type_mismatch', 'storm'))
"""Kinds of events that are a warning to a person; the others only inform."""


def _gate_values(decision: Decision, hold: Hold | None, last: Hold | None) -> dict[str, Any]:
    values: dict[str, Any] = {
        'state': 'open' if decision.allowed else 'held',
        'since_ns': decision.since_ns,
        'waiting_s': decision.waiting_s}
    if hold is not None:
        values['onset_ns'] = hold.onset_ns
    by_key = {condition.key: condition.text for condition in decision.conditions}
    for cause, consequences in decision.reasons.items():
        values[f'reason/{cause}'] = by_key[cause]
        for key in consequences:
            values[f'consequence/{key}'] = f'{by_key[key]} (follows from {cause})'
    for condition in decision.notices:
        values[f'notice/{condition.key}'] = condition.text
    values.update(decision.figures)
    kept = hold or last
    return values if kept is None else {**values, **hold_values(kept)}


def _gate_level(decision: Decision) -> int:
    return (WARN if decision.conditions else OK) if decision.allowed else ERROR


def gate_status(factory: MessageFactory, decision: Decision, hold: Hold | None,
                last: Hold | None = None) -> Any:
    """
    Return state, reasons and figures of the gate as a DiagnosticStatus for `gate`.

    ``hold`` is the present hold, ``last`` the one before while the gate is open.
    """
    kept = hold or last
    return make_status(factory, 'gate', _gate_level(decision), decision.text, {
        **_gate_values(decision, hold, last), **({} if kept is None else course_values(kept))})


def gate_diagnostic(factory: MessageFactory, decision: Decision, hold: Hold | None,
                    more: Mapping[str, float] = {}) -> Any:
    """Return the same for /diagnostics, with ``more`` figures."""
    return make_status(factory, DIAGNOSTIC_PREFIX + 'gate', _gate_level(decision), decision.text,
                       {**_gate_values(decision, hold, None), **more})


def redo_diagnostic(factory: MessageFactory, places: Sequence[Place]) -> Any:
    """
    Return the places to visit again for /diagnostics: where, how far along, and why.

    Of place N, the values ``place/N/xyz_m`` and ``place/N/path_m`` hold three numbers and two.
    """
    values: dict[str, Any] = {'places': len(places)}
    for place in places:
        head = f'place/{place.number}'
        values[f'{head}/xyz_m'] = ' '.join(f'{part:.3f}' for part in place.position_m)
        values[f'{head}/path_m'] = f'{place.path_from_m:.2f} {place.path_to_m:.2f}'
        values[f'{head}/reasons'] = '; '.join(place.reasons)
    count = len(places)
    text = 'no place' if count == 0 else '1 place' if count == 1 else f'{count} places'
    return make_status(factory, DIAGNOSTIC_PREFIX + 'redo', WARN if places else OK,
                       f'{text} to visit again', values)


def lamp(decision: Decision) -> tuple[tuple[float, float, float], bool]:
    """
    Return the colour of an indicator lamp and whether it flashes.

    Colours after IEC 60073 for the state of a process: green normal, yellow abnormal, red
    faulty, blue for what a person must do. Flashing calls for attention.
    """
    if decision.allowed:
        near = decision.conditions or any(c.kind == 'limit_near' for c in decision.notices)
        return (YELLOW, True) if near else (GREEN, False)
    if decision.conditions and all(c.kind == 'manual_hold' for c in decision.conditions):
        return BLUE, False
    broken = any(c.severity is Severity.HARD and c.kind not in _NOT_BROKEN
                 for c in decision.conditions)
    return (RED, True) if broken else (YELLOW, False)


def light_message(factory: MessageFactory, decision: Decision, lit: bool = True) -> Any:
    """Return the colour of `lamp` as a std_msgs/ColorRGBA; dark in the pauses of a flash."""
    colour, flashes = lamp(decision)
    red, green, blue = DARK if flashes and not lit else colour
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


def camera_diagnostic(factory: MessageFactory, camera: Stream,
                      figures: Mapping[str, float | None],
                      conditions: Sequence[Condition]) -> Any:
    """Return the state of one camera's pictures for /diagnostics, with the newest figures."""
    return make_status(
        factory, f'{DIAGNOSTIC_PREFIX}camera {camera.name}', _conditions_level(conditions),
        _conditions_text(conditions, 'healthy'), figures, camera.topic)


def pose_diagnostic(factory: MessageFactory, name: str, verdict: Verdict,
                    brief: Mapping[str, Any], more: Mapping[str, float] = {}) -> Any:
    """
    Return the state of the unit's pose, with ``more`` figures, for /diagnostics.

    ``brief`` is that of `PoseMonitor`.
    """
    values = {**verdict.figures, **more, **brief}
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

    ``offset_s`` is the stream's clock less the host's. None where the instant is beyond what a
    message holds, as just after the host's time leapt by years.
    """
    time_ns = host_ns + round(offset_s * 1e9)
    return factory.make(
        'sensor_msgs/msg/TimeReference', header=make_header(factory, host_ns),
        time_ref=make_time(factory, time_ns), source=name) if fits_time(time_ns) else None


def point_error_message(factory: MessageFactory, error_m: float) -> Any:
    """Return the 95 % error of a point on the structure as a std_msgs/Float64."""
    return factory.make('std_msgs/msg/Float64', data=error_m)


def pose_message(factory: MessageFactory, pose: Odometry) -> Any:
    """Return a pose with its covariance as geometry_msgs/PoseWithCovarianceStamped."""
    return factory.make(
        'geometry_msgs/msg/PoseWithCovarianceStamped',
        header=make_header(factory, pose.stamp_ns, pose.frame),
        pose=_pose_with_covariance(factory, pose, pose.covariance))


def judged_pose_message(factory: MessageFactory, pose: Odometry, is_known: bool) -> Any:
    """
    Return a pose as nav_msgs/Odometry, by which pictures are judged.

    ``is_known`` is False while its covariance is not worth anything. As in sensor_msgs/Imu, a
    covariance that begins with -1 says that there is none, or no twist;
    `serialized.read_judged_pose` reads it so.
    """
    make = factory.make
    linear, angular, covariance = pose.linear_mps, pose.angular_radps, pose.twist_covariance
    if linear is None or angular is None:
        linear = angular = np.zeros(3)
        covariance = NOT_KNOWN
    twist = make('geometry_msgs/msg/Twist', **{
        name: make('geometry_msgs/msg/Vector3', **dict(zip('xyz', part.tolist())))
        for name, part in (('linear', linear), ('angular', angular))})
    return make(
        'nav_msgs/msg/Odometry', header=make_header(factory, pose.stamp_ns, pose.frame),
        child_frame_id=pose.child_frame,
        pose=_pose_with_covariance(factory, pose, pose.covariance if is_known else NOT_KNOWN),
        twist=make('geometry_msgs/msg/TwistWithCovariance', twist=twist,
                   covariance=np.zeros(36) if covariance is None else covariance.ravel()))


def _pose_with_covariance(factory: MessageFactory, pose: Odometry, covariance: np.ndarray) -> Any:
    x, y, z = pose.position_m.tolist()
    qx, qy, qz, qw = pose.quaternion.tolist()
    make = factory.make
    return make('geometry_msgs/msg/PoseWithCovariance',
                pose=make('geometry_msgs/msg/Pose',
                          position=make('geometry_msgs/msg/Point', x=x, y=y, z=z),
                          orientation=make('geometry_msgs/msg/Quaternion',
                                           x=qx, y=qy, z=qz, w=qw)),
                covariance=covariance.ravel())
