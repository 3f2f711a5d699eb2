# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The node that says whether inspection pictures may be taken now."""

from __future__ import annotations

from dataclasses import replace
import sys

from diagnostic_msgs.msg import DiagnosticArray
from robot_mapping_qa.capture.causes import CAMERAS, MONITORS, RECORDER
from robot_mapping_qa.capture.gate import Decision, Gate
from robot_mapping_qa.capture.redo_watch import RedoWatch
from robot_mapping_qa.capture.trail import Trail
from robot_mapping_qa.configuration import ConfigurationError
from robot_mapping_qa.configuration.problems import shown
from robot_mapping_qa.messages.markers import RunMarkers
from robot_mapping_qa.messages.outputs import (
    gate_diagnostic, gate_status, lamp, light_message, redo_diagnostic)
from robot_mapping_qa.messages.serialized import MalformedMessage, read_pose_with_covariance
from robot_mapping_qa.messages.topics import (
    CAMERA_VERDICT, CAPTURE_ALLOWED, GATE, HOLD_SERVICE, LIGHT, MARKERS, POSE, POSE_VERDICT,
    RECORDING_VERDICT, TIMING_VERDICT)
from robot_mapping_qa.messages.verdict_message import verdict_from_message
from robot_mapping_qa.nodes.base import QualityNode
from robot_mapping_qa.nodes.live_budget import LiveBudget
from robot_mapping_qa.nodes.live_settings import LiveSetting, settings_in
from robot_mapping_qa.nodes.qos import GATE_QOS, LATCHED_QOS, OUTPUT_QOS, VERDICT_QOS
from robot_mapping_qa.nodes.running import run_node
from robot_mapping_qa.nodes.ticks import on_every_tick
from robot_mapping_qa.nodes.watched_topic import NO_EVENTS
from robot_mapping_qa.rates import TICK_HZ
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.verdicts import Event
from robot_mapping_qa.views import capture_views
from std_msgs.msg import Bool
from std_srvs.srv import SetBool

REPEAT_S = 0.1
"""`capture_allowed` is sent this often, twice as often as is promised."""

FLASH_NS = 250_000_000
"""A flashing lamp is on and dark for so long in turn: 2 flashes a second (IEC 60073)."""

GATE_PHASE_NS = 10_000_000
"""The gate looks at the time so long after the monitors did, when their verdicts are there."""


class CaptureGate(QualityNode):
    """Verdicts in, leave to capture out."""

    def __init__(self) -> None:
        """Begin held; raises `ConfigurationError` where the parameters are wrong."""
        super().__init__('capture_gate', {'hold_reason': '', 'needs_recording': False})
        recorded = self.get_parameter('needs_recording').value
        if not isinstance(recorded, bool):
            raise ConfigurationError(
                [f'needs_recording: found {shown(recorded)}, expected true or false'],
                'parameters of capture_gate')
        configuration = self.configuration
        views = capture_views(configuration)
        self._gate = Gate(configuration.gate, configuration.point_error_limit_m, self.now_ns(),
                          configuration.pose_stream.name, views,
                          {**MONITORS, **(CAMERAS if configuration.check_cameras else {}),
                           **(RECORDER if recorded else {})}, configuration.useful_streams)
        self._budget = LiveBudget(views)
        self.settings.offer([
            LiveSetting('point_error_limit_m', configuration.point_error_limit_m, 0.001, 100.0,
                        'Largest 95 % error of a point on the structure.'),
            *settings_in('gate', configuration.gate)], self._change, ['hold_reason'])
        self._allowed = self.advertise(CAPTURE_ALLOWED, GATE_QOS)
        self._status = self.advertise(GATE, LATCHED_QOS)
        self._light = self.advertise(LIGHT, LATCHED_QOS)
        for topic in (TIMING_VERDICT, POSE_VERDICT,
                      *([CAMERA_VERDICT] * configuration.check_cameras),
                      *([RECORDING_VERDICT] * recorded)):
            self.create_subscription(
                DiagnosticArray, topic.name, self._take_verdict, VERDICT_QOS,
                event_callbacks=NO_EVENTS)
        self.create_service(SetBool, HOLD_SERVICE, self._hold)
        self._trail = Trail()
        self._pose: Odometry | None = None
        self._markers = self.advertise(MARKERS, OUTPUT_QOS)
        self._run_markers = RunMarkers(self.factory)
        self._redo = RedoWatch(configuration.gate)
        self.watch(POSE.name, POSE.type, TICK_HZ, self._take_pose)
        self.create_timer(1.0, self._tell_of_run)
        self._sent: Decision | None = None
        self._repeat_ns = 0
        self._details_ns = 0
        self._diagnostics_ns = 0
        self._light_ns = 0
        self._shown: tuple | None = None
        on_every_tick(self, self.now_ns, self._update, GATE_PHASE_NS)
        self._update()

    def _take_verdict(self, message: DiagnosticArray) -> None:
        try:
            verdict = verdict_from_message(message)
            self._gate.receive(verdict, message.header.frame_id)
            self._budget.take_verdict(verdict)
        except ValueError as error:
            # The last good verdict ages and closes the gate; the log says why.
            self.get_logger().error(f'verdict refused: {error}', throttle_duration_sec=1.0)
        self._update()

    def _take_pose(self, data: bytes, receive_ns: int, _source_ns: int | None,
                   _callback_ns: int) -> None:
        try:
            self._pose = read_pose_with_covariance(data)
        except MalformedMessage as error:
            self.get_logger().error(f'{POSE.name}: {error}', throttle_duration_sec=1.0)
            return
        self._budget.take_pose(self._pose)
        if self._sent is not None:
            self._follow(self._pose, self._sent, receive_ns)

    def _follow(self, pose: Odometry, decision: Decision, now_ns: int) -> None:
        """Note where the robot is and whether a picture can be trusted there."""
        x, y, z = pose.position_m.tolist()
        qx, qy, qz, qw = pose.quaternion.tolist()
        self._trail.add(x, y, z, decision.allowed)
        self._redo.add(
            now_ns, (x, y, z), (qx, qy, qz, qw), decision.figures.get('path_length_m') or 0.0,
            decision.allowed,
            {c.key: c.for_the_record for c in decision.conditions if c.key in decision.reasons})

    def _tell_of_run(self) -> None:
        places = self._redo.places
        self.publish_diagnostics([redo_diagnostic(self.factory, places)])
        if self._pose is not None and self._markers.get_subscription_count():
            self._markers.publish(self._run_markers.message(self._trail, places, self._pose))

    def _hold(self, request: SetBool.Request, response: SetBool.Response) -> SetBool.Response:
        why = self.get_parameter('hold_reason').value
        self._gate.set_manual_hold(request.data, self.now_ns(), why)
        response.success = True
        response.message = self._update().text
        return response

    def _change(self, name: str, old: float, new: float) -> None:
        """Take a setting that was changed while running."""
        if name == 'point_error_limit_m':
            self._gate.point_error_limit_m = new
        else:
            self._gate.limits = replace(self._gate.limits, **{name.partition('.')[2]: new})
            self._redo.limits = self._gate.limits
        now_ns = self.now_ns()
        self.publish_events([Event(
            'parameter_changed', 'gate', now_ns, now_ns,
            f'{name} changed from {old:g} to {new:g}', {'from': old, 'to': new})])

    def _update(self) -> Decision:
        now_ns = self.now_ns()
        decision = self._gate.update(now_ns)
        changed = self._sent is None or self._sent.allowed != decision.allowed
        self._sent = decision
        if self._gate.hold_now is not None:
            self._redo.set_onset(self._gate.hold_now.onset_ns)
        if changed or self._due(now_ns, self._repeat_ns, REPEAT_S):
            self._repeat_ns = now_ns
            self._allowed.publish(Bool(data=decision.allowed))
        self.publish_events(decision.events)
        if changed or self._due(now_ns, self._details_ns, 0.5):
            self._details_ns = now_ns
            self._gate.set_publishers(self.count_publishers(CAPTURE_ALLOWED.name), now_ns)
            self._status.publish(gate_status(
                self.factory, decision, self._gate.hold_now, self._gate.last_hold))
        self._show(decision, now_ns)
        if changed or self._due(now_ns, self._diagnostics_ns, 1.0):
            self._diagnostics_ns = now_ns
            self.publish_diagnostics([gate_diagnostic(
                self.factory, decision, self._gate.hold_now, self._budget.figures())])
        return decision

    def _show(self, decision: Decision, now_ns: int) -> None:
        """Send the lamp's colour when it changes, which is also how it flashes."""
        lit = now_ns // FLASH_NS % 2 == 0
        colour, flashes = lamp(decision)
        shown = colour, lit or not flashes
        if shown != self._shown or self._due(now_ns, self._light_ns, 1.0):
            self._shown, self._light_ns = shown, now_ns
            self._light.publish(light_message(self.factory, decision, lit))

    @staticmethod
    def _due(now_ns: int, last_ns: int, period_s: float) -> bool:
        return abs(now_ns - last_ns) >= period_s * 1e9

    def close(self) -> None:
        """Withdraw the leave to capture before the node goes."""
        self._allowed.publish(Bool(data=False))


def main() -> int:
    """Run the node; the exit status is 2 where its parameters were refused."""
    return run_node(CaptureGate)


if __name__ == '__main__':
    sys.exit(main())
