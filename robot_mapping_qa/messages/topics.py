# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The topics that the package publishes: names, types and whether the last message is kept."""

from __future__ import annotations

from typing import Mapping, NamedTuple

NAMESPACE = 'mapping_qa'
"""Every topic and service of the package lies below it, relative to the node's namespace."""


class Topic(NamedTuple):
    """One published topic; ``latched`` means that late subscribers get the last message."""

    name: str
    type: str
    latched: bool = False


CAPTURE_ALLOWED = Topic(f'{NAMESPACE}/capture_allowed', 'std_msgs/msg/Bool', latched=True)
GATE = Topic(f'{NAMESPACE}/gate', 'diagnostic_msgs/msg/DiagnosticStatus', latched=True)
EVENTS = Topic(f'{NAMESPACE}/events', 'diagnostic_msgs/msg/DiagnosticArray')
POSE = Topic(f'{NAMESPACE}/pose', 'geometry_msgs/msg/PoseWithCovarianceStamped')
JUDGED_POSE = Topic(f'{NAMESPACE}/judged_pose', 'nav_msgs/msg/Odometry')
POINT_ERROR = Topic(f'{NAMESPACE}/point_error', 'std_msgs/msg/Float64')
CLOCK_OFFSET = Topic(f'{NAMESPACE}/clock_offset', 'sensor_msgs/msg/TimeReference')
LIGHT = Topic(f'{NAMESPACE}/light', 'std_msgs/msg/ColorRGBA', latched=True)
MARKERS = Topic(f'{NAMESPACE}/markers', 'visualization_msgs/msg/MarkerArray')
DIAGNOSTICS = Topic('/diagnostics', 'diagnostic_msgs/msg/DiagnosticArray')

QUALITY_TOPICS = (
    CAPTURE_ALLOWED, GATE, EVENTS, POSE, JUDGED_POSE, POINT_ERROR, CLOCK_OFFSET, LIGHT, MARKERS,
    DIAGNOSTICS)
"""What the recorder takes."""

TIMING_VERDICT = Topic(f'{NAMESPACE}/timing_verdict', 'diagnostic_msgs/msg/DiagnosticArray')
POSE_VERDICT = Topic(f'{NAMESPACE}/pose_verdict', 'diagnostic_msgs/msg/DiagnosticArray')
CAMERA_VERDICT = Topic(f'{NAMESPACE}/camera_verdict', 'diagnostic_msgs/msg/DiagnosticArray')
RECORDING_VERDICT = Topic(f'{NAMESPACE}/recording_verdict', 'diagnostic_msgs/msg/DiagnosticArray')
"""Between the monitors, the recorder and the gate."""

VERDICTS: Mapping[str, Topic] = {
    'timing': TIMING_VERDICT, 'pose': POSE_VERDICT, 'camera': CAMERA_VERDICT,
    'recording': RECORDING_VERDICT}
"""The same by the source that a verdict names: each speaks on a topic of its own."""

HOLD_SERVICE = f'{NAMESPACE}/hold'
REBASE_SERVICE = f'{NAMESPACE}/rebase'
