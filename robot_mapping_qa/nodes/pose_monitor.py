# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The node that judges the mapping unit's pose and its reported covariance."""

from __future__ import annotations

from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
import sys
from typing import Any, Callable

from diagnostic_msgs.msg import DiagnosticArray
from robot_mapping_qa.capture.gate import changes_the_gate, leaves_the_gate_alone
from robot_mapping_qa.configuration import Stream
from robot_mapping_qa.contents import Reader
from robot_mapping_qa.messages.outputs import (
    judged_pose_message, point_error_message, pose_diagnostic, pose_message)
from robot_mapping_qa.messages.serialized import MalformedMessage, POSE_READERS
from robot_mapping_qa.messages.topics import (
    CAMERA_VERDICT, JUDGED_POSE, POINT_ERROR, POSE, POSE_VERDICT, REBASE_SERVICE)
from robot_mapping_qa.messages.verdict_message import verdict_from_message
from robot_mapping_qa.monitors import make_pose_monitor
from robot_mapping_qa.nodes.base import QualityNode
from robot_mapping_qa.nodes.qos import OUTPUT_QOS, VERDICT_QOS
from robot_mapping_qa.nodes.running import run_node
from robot_mapping_qa.nodes.ticks import on_every_tick
from robot_mapping_qa.pose_inputs import pose_input
from std_srvs.srv import Trigger
from tf_transformations import euler_from_quaternion

OUTPUTS_S = 0.1
"""Poses and point error are sent this often; the verdicts do not wait for it."""

DETAILS_S = 1.0
"""Diagnostics are sent this often."""


class PoseMonitor(QualityNode):
    """Odometry in; verdicts on the pose, its covariance and the error on the structure out."""

    def __init__(self) -> None:
        """Subscribe to the unit; raises `ConfigurationError` or LookupError."""
        super().__init__('pose_monitor')
        stream = self.configuration.pose_stream
        self._read = POSE_READERS[stream.type]
        self._monitor = make_pose_monitor(self.configuration)
        self._verdicts = self.advertise(POSE_VERDICT, VERDICT_QOS)
        self._poses = self.advertise(POSE, OUTPUT_QOS)
        self._judged_poses = self.advertise(JUDGED_POSE, OUTPUT_QOS)
        self._point_errors = self.advertise(POINT_ERROR, OUTPUT_QOS)
        self._sent_stamp_ns: int | None = None
        self.create_service(Trigger, REBASE_SERVICE, self._rebase)
        self.watch(stream.topic, stream.type, stream.rate_hz, self._take)
        # A cloud takes tens of milliseconds on a busy computer: the verdicts do not wait for it.
        self._worker = ThreadPoolExecutor(1, 'geometry')
        self._jobs: deque[tuple[Future, Callable[[Any], None]]] = deque()
        for stream in self.configuration.streams:
            self._watch_for_pose(stream)
        if self.configuration.check_cameras:
            self.create_subscription(
                DiagnosticArray, CAMERA_VERDICT.name, self._take_camera_verdict, VERDICT_QOS)
        on_every_tick(self, self.now_ns, self._tick)
        self.create_timer(OUTPUTS_S, self._send_outputs)
        self.create_timer(DETAILS_S, self._send_details)

    def _watch_for_pose(self, stream: Stream) -> None:
        """Subscribe to another stream where it tells something of the pose."""
        tell = pose_input(
            stream, self.configuration, self._monitor, self.publish_events, self._beside)
        if tell is None:
            return

        def take(data: bytes, receive_ns: int, _source_ns: int | None,
                 _callback_ns: int) -> None:
            tell(receive_ns, data)
        self.watch(stream.topic, stream.type, stream.rate_hz, take)

    def _take_camera_verdict(self, message: DiagnosticArray) -> None:
        try:
            self._monitor.add_camera_verdict(
                verdict_from_message(message, 'camera'), self.now_ns())
        except ValueError:
            # The gate, which takes the same messages, writes to the log what is wrong with it.
            return

    def _beside(self, data: bytes, read: Reader, done: Callable[[Any], None]) -> None:
        """Have a message read by the worker, if it has finished the last; see `_collect`."""
        if not self._jobs:
            self._jobs.append((self._worker.submit(read, data), done))

    def _collect(self) -> None:
        """Hand over the results that the worker has by now, in the executor's thread."""
        while self._jobs and self._jobs[0][0].done():
            future, done = self._jobs.popleft()
            done(future.result())

    def _take(self, data: bytes, receive_ns: int, _source_ns: int | None,
              _callback_ns: int) -> None:
        self._collect()
        try:
            odometry = self._read(data)
        except MalformedMessage as error:
            events = self._monitor.malformed(receive_ns, str(error))
        else:
            events = self._monitor.add(odometry, receive_ns)
        self._send_verdict_if_it_matters()
        self.publish_events(events)

    def _send_verdict_if_it_matters(self) -> None:
        now_ns, limit_m = self.now_ns(), self.configuration.point_error_limit_m
        if self.last_sent is not None and leaves_the_gate_alone(self.last_sent, limit_m) \
                and self._monitor.surely_within(now_ns, limit_m):
            # The usual case: nothing the gate does not know. The timer repeats the verdict.
            return
        if self.last_sent is None or changes_the_gate(
                self.last_sent, self._monitor.gist(now_ns), limit_m):
            self.publish_verdict(self._verdicts, self._monitor.verdict(now_ns), tick=False)

    def _tick(self) -> None:
        self._collect()
        now_ns = self.now_ns()
        events = self._monitor.tick(now_ns)
        self.publish_verdict(self._verdicts, self._monitor.verdict(now_ns), tick=True)
        self.publish_events(events)

    def _send_outputs(self) -> None:
        pose, judgement = self._monitor.corrected_pose(), self._monitor.judged_pose()
        # While the unit is silent its last pose is not sent again: it would look like a new one.
        if judgement is not None and judgement[0].stamp_ns != self._sent_stamp_ns:
            self._sent_stamp_ns = judgement[0].stamp_ns
            self._judged_poses.publish(judged_pose_message(self.factory, *judgement))
            if pose is not None:
                self._poses.publish(pose_message(self.factory, pose))
        error_m = self._monitor.gist(self.now_ns()).figures['point_error_m']
        if error_m is not None:
            self._point_errors.publish(point_error_message(self.factory, error_m))

    def _send_details(self) -> None:
        now_ns = self.now_ns()
        self.publish_diagnostics([pose_diagnostic(
            self.factory, self._monitor.name, self._monitor.verdict(now_ns),
            self._monitor.brief(now_ns), self._orientation())])

    def _orientation(self) -> dict[str, float]:
        """Return roll, pitch and yaw (REP 103): a person cannot read a quaternion."""
        pose = self._monitor.corrected_pose()
        if pose is None:
            return {}
        angles = euler_from_quaternion(pose.quaternion)
        return {f'{name}_rad': angle for name, angle in zip(('roll', 'pitch', 'yaw'), angles)}

    def _rebase(self, _request: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        now_ns = self.now_ns()
        problem = self._monitor.no_pose_because(now_ns)
        response.success = not problem
        if problem:
            response.message = f'{problem}: there is no present pose that could count as good'
        else:
            self.publish_events(self._monitor.rebase(now_ns))
            response.message = 'the present pose counts as good from now on'
        return response


def main() -> int:
    """Run the node; the exit status is 2 where its parameters were refused."""
    return run_node(PoseMonitor)


if __name__ == '__main__':
    sys.exit(main())
