# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The judgement as a bag of its own, with the topics that the live nodes would have sent."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Sequence

from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.bag.definitions import STORE
from robot_mapping_qa.bag.event_notes import event_notes
from robot_mapping_qa.bag.recorder import Recorder
from robot_mapping_qa.capture.gate import Decision, Hold
from robot_mapping_qa.messages.factory import RosbagsFactory
from robot_mapping_qa.messages.outputs import (
    camera_diagnostic, clock_offset_message, diagnostics_message, events_message,
    gate_diagnostic, gate_status, judged_pose_message, light_message, point_error_message,
    pose_diagnostic, pose_message, stream_diagnostic)
from robot_mapping_qa.messages.topics import (
    CAPTURE_ALLOWED, CLOCK_OFFSET, DIAGNOSTICS, EVENTS, GATE, JUDGED_POSE, LIGHT, POINT_ERROR,
    POSE, Topic)
from robot_mapping_qa.rates import is_due
from robot_mapping_qa.verdicts import Event
from rosbags.typesys import get_typestore

QUALITY_FOLDER = 'quality'

ALLOWED_NS = 150_000_000
"""
`capture_allowed` is written on change and at the first look after this.

Looks are up to 0.05 s apart and 0.2 s is promised for the live topic.
"""

POSE_NS = 200_000_000
"""Poses and point error: half the live rate or less, enough for a plot."""

GATE_NS = 1_000_000_000
"""Gate and lamp, which are also written on change."""

DETAILS_NS = 5_000_000_000
"""Offsets and diagnostics: a fifth of the live rate, as their percentiles take time."""

_WRITTEN = (CAPTURE_ALLOWED, GATE, EVENTS, POSE, JUDGED_POSE, POINT_ERROR, CLOCK_OFFSET, LIGHT,
            DIAGNOSTICS)


class QualityBag:
    """Writes what an assessment finds while it goes on; an `Observer` of the assessment."""

    def __init__(self, path: str | Path) -> None:
        """Create the bag's folder; raises `RecordingError` where that cannot be done."""
        self._recorder = Recorder(path)
        self._typestore = get_typestore(STORE)
        self._factory = RosbagsFactory(self._typestore)
        for topic in _WRITTEN:
            self._recorder.add_topic(_absolute(topic), topic.type)
        self._decision: Decision | None = None
        self._hold: Hold | None = None
        self._sent_stamp_ns: int | None = None
        self._allowed_ns = self._gate_ns = self._pose_ns = self._details_ns = -DETAILS_NS

    def happened(self, events: Sequence[Event], now_ns: int) -> None:
        """Write events."""
        message = events_message(self._factory, events, now_ns)
        self._write(EVENTS, now_ns, message)
        for name, values in event_notes(message):
            self._recorder.note(name, values)

    def decided(self, decision: Decision, hold: Hold | None) -> None:
        """Write the state of the gate when it changes, and otherwise now and then."""
        now_ns = decision.stamp_ns
        changed = self._decision is None or self._decision.allowed != decision.allowed
        self._decision, self._hold = decision, hold
        if changed or is_due(now_ns, self._allowed_ns, ALLOWED_NS):
            self._allowed_ns = now_ns
            self._write(CAPTURE_ALLOWED, now_ns, self._factory.make(
                CAPTURE_ALLOWED.type, data=decision.allowed))
        if changed or is_due(now_ns, self._gate_ns, GATE_NS):
            self._gate_ns = now_ns
            self._write(GATE, now_ns, gate_status(self._factory, decision, hold))
            self._write(LIGHT, now_ns, light_message(self._factory, decision))

    def ticked(self, assessment: Assessment, now_ns: int) -> None:
        """Write poses and point error, and now and then everything else."""
        if is_due(now_ns, self._pose_ns, POSE_NS):
            self._pose_ns = now_ns
            self._write_pose(assessment, now_ns)
        if is_due(now_ns, self._details_ns, DETAILS_NS):
            self._details_ns = now_ns
            self._write_details(assessment, now_ns)

    def close(self) -> None:
        """Finish the bag."""
        self._recorder.close()

    def _write_pose(self, assessment: Assessment, now_ns: int) -> None:
        pose, judgement = assessment.pose.corrected_pose(), assessment.pose.judged_pose()
        if judgement is not None and judgement[0].stamp_ns != self._sent_stamp_ns:
            self._sent_stamp_ns = judgement[0].stamp_ns
            self._write(JUDGED_POSE, now_ns, judged_pose_message(self._factory, *judgement))
            if pose is not None:
                self._write(POSE, now_ns, pose_message(self._factory, pose))
        verdict = assessment.pose_verdict
        error_m = None if verdict is None else verdict.figures['point_error_m']
        if error_m is not None:
            self._write(POINT_ERROR, now_ns, point_error_message(self._factory, error_m))

    def _write_details(self, assessment: Assessment, now_ns: int) -> None:
        timing, pose, cameras = (
            assessment.timing_verdict, assessment.pose_verdict, assessment.cameras)
        if timing is None or pose is None:
            return
        conditions = timing.conditions
        statuses = []
        for stream in assessment.configuration.streams:
            figures = assessment.timing.figures(stream.name)
            statuses.append(stream_diagnostic(
                self._factory, stream, figures,
                [c for c in conditions if c.subject == stream.name]))
            if figures.offset_s is not None:
                message = clock_offset_message(
                    self._factory, stream.name, now_ns, figures.offset_s)
                if message is not None:
                    self._write(CLOCK_OFFSET, now_ns, message)
        statuses.append(pose_diagnostic(
            self._factory, assessment.pose.name, pose, assessment.pose.brief(now_ns)))
        if cameras is not None:
            statuses += [
                camera_diagnostic(self._factory, camera, cameras.figures(camera.name, now_ns),
                                  cameras.conditions(camera.name, now_ns))
                for camera in assessment.configuration.cameras]
        if self._decision is not None:
            statuses.append(gate_diagnostic(self._factory, self._decision, self._hold))
        self._write(DIAGNOSTICS, now_ns, diagnostics_message(self._factory, statuses, now_ns))

    def _write(self, topic: Topic, now_ns: int, message: Any) -> None:
        data = self._typestore.serialize_cdr(message, topic.type)
        self._recorder.write(_absolute(topic), now_ns, bytes(data))


def _absolute(topic: Topic) -> str:
    """Return the topic's name as it is on a robot without a namespace."""
    return topic.name if topic.name.startswith('/') else f'/{topic.name}'
