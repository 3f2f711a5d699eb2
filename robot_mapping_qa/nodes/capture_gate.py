# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The node that says whether inspection pictures may be taken now."""

from __future__ import annotations

from functools import partial
import sys
from typing import Callable, Iterable

from diagnostic_msgs.msg import DiagnosticArray
from robot_mapping_qa.capture.causes import CAMERAS, MONITORS, RECORDER
from robot_mapping_qa.capture.gate import Decision, Gate
from robot_mapping_qa.capture.redo_watch import RedoWatch
from robot_mapping_qa.capture.trail import Trail
from robot_mapping_qa.configuration.validation import POINT_ERROR_LIMIT
from robot_mapping_qa.messages.markers import RunMarkers
from robot_mapping_qa.messages.outputs import (
    gate_diagnostic, gate_status, lamp, light_message, redo_diagnostic)
from robot_mapping_qa.messages.serialized import (
    MalformedMessage, read_judged_pose, read_pose_with_covariance)
from robot_mapping_qa.messages.topics import (
    CAPTURE_ALLOWED, GATE, HOLD_SERVICE, JUDGED_POSE, LIGHT, MARKERS, POSE, VERDICTS)
from robot_mapping_qa.messages.verdict_message import verdict_from_message
from robot_mapping_qa.nodes.base import INFO, QualityNode, WARN
from robot_mapping_qa.nodes.kept_hold import KeptHold
from robot_mapping_qa.nodes.live_budget import LiveBudget
from robot_mapping_qa.nodes.live_settings import LiveSetting, settings_in
from robot_mapping_qa.nodes.own_parameters import OwnParameters
from robot_mapping_qa.nodes.qos import (
    GATE_QOS, LATCHED_QOS, NO_EVENTS, OUTPUT_QOS, VERDICT_QOS)
from robot_mapping_qa.nodes.running import run_node
from robot_mapping_qa.nodes.ticks import on_every_tick
from robot_mapping_qa.rates import is_due, TICK_HZ, TICK_NS
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.verdicts import Event
from robot_mapping_qa.views import capture_views
from std_msgs.msg import Bool
from std_srvs.srv import SetBool

REPEAT_NS = 100_000_000
"""`capture_allowed` is sent this often, twice as often as is promised."""

DETAILS_NS = 500_000_000
DIAGNOSTICS_NS = LIGHT_NS = 1_000_000_000
"""The rest is repeated this often while nothing changes."""

FLASH_NS = 250_000_000
"""A flashing lamp is on and dark for so long in turn: 2 flashes a second (IEC 60073)."""

STILL_HELD_S = 10.0
"""A gate that has not opened by then tells its log why: streams settle in 2 s."""

GATE_PHASE_NS = 10_000_000
"""The gate looks at the time so long after the monitors did, when their verdicts are there."""


class CaptureGate(QualityNode):
    """Verdicts in, permission to capture out."""

    def __init__(self) -> None:
        """Begin held; raises `ConfigurationError` where the parameters are wrong."""
        super().__init__('capture_gate', {'hold_reason': '', 'needs_recording': False})
        own = OwnParameters(self)
        # It is read whenever somebody holds: the refusal must not wait until then.
        own.get('hold_reason', str, 'a text')
        configuration = self.configuration
        needed = {**MONITORS, **(CAMERAS if configuration.check_cameras else {}),
                  **(RECORDER if own.flag('needs_recording') else {})}
        views = capture_views(configuration)
        self._gate = Gate(configuration.gate, configuration.point_error_limit_m, self.now_ns(),
                          configuration.pose_stream.name, views, needed,
                          configuration.useful_streams)
        self._budget = LiveBudget(views)
        self._trail = Trail()
        self._run_markers = RunMarkers(self.factory)
        self._redo = RedoWatch(configuration.gate)
        self._pose: tuple[Odometry, int] | None = None
        self._sent: Decision | None = None
        self._shown: tuple | None = None
        self._repeat_ns = self._details_ns = self._diagnostics_ns = self._light_ns = 0
        self.settings.offer([
            LiveSetting('point_error_limit_m', configuration.point_error_limit_m,
                        POINT_ERROR_LIMIT, 'Largest 95 % error of a point on the structure.'),
            *settings_in('gate', configuration.gate)], self._change, ['hold_reason'])
        self._kept_hold = KeptHold(self.get_fully_qualified_name())
        self._advertise()
        self._hold_as_before()
        self._subscribe(needed)
        self.create_timer(1.0, self._tell_of_run)
        self._opening = self.create_timer(1.0, self._open_on_time, autostart=False)
        # By a clock that nobody sets: simulated time may be what the gate waits for.
        self._still_held = self.create_timer(
            STILL_HELD_S, self._tell_that_it_never_opened, clock=self.steady_clock)
        on_every_tick(self, self.now_ns, self._update, GATE_PHASE_NS)
        self._update()

    def _advertise(self) -> None:
        self._allowed = self.advertise(CAPTURE_ALLOWED, GATE_QOS)
        self._status = self.advertise(GATE, LATCHED_QOS)
        self._light = self.advertise(LIGHT, LATCHED_QOS)
        self._markers = self.advertise(MARKERS, OUTPUT_QOS)

    def _subscribe(self, sources: Iterable[str]) -> None:
        for source in sources:
            self.create_subscription(
                DiagnosticArray, VERDICTS[source].name, partial(self._take_verdict, source),
                VERDICT_QOS, event_callbacks=NO_EVENTS)
        self.create_service(SetBool, HOLD_SERVICE, self._hold)
        self.watch(POSE.name, POSE.type, TICK_HZ, self._take_pose)
        self.watch(JUDGED_POSE.name, JUDGED_POSE.type, TICK_HZ, self._take_judged_pose)

    def _take_verdict(self, source: str, message: DiagnosticArray) -> None:
        try:
            verdict = verdict_from_message(message, source)
            self._gate.receive(verdict, message.header.frame_id)
            self._budget.take_verdict(verdict)
        except ValueError as error:
            # The last good verdict ages and closes the gate; the log says why.
            self.get_logger().error(f'verdict refused: {error}', throttle_duration_sec=1.0)
        self._update()

    def _take_pose(self, data: bytes, receive_ns: int, _source_ns: int | None,
                   _callback_ns: int) -> None:
        try:
            self._pose = read_pose_with_covariance(data), receive_ns
        except MalformedMessage as error:
            self.get_logger().error(f'{POSE.name}: {error}', throttle_duration_sec=1.0)
            return
        self._follow()

    def _take_judged_pose(self, data: bytes, _receive_ns: int, _source_ns: int | None,
                          _callback_ns: int) -> None:
        try:
            self._budget.take_judged_pose(*read_judged_pose(data))
        except MalformedMessage as error:
            self.get_logger().error(f'{JUDGED_POSE.name}: {error}', throttle_duration_sec=1.0)

    def _follow(self) -> None:
        """Note where the robot was last seen and whether a picture can be trusted there."""
        decision = self._sent
        if self._pose is None or decision is None:
            return
        pose, receive_ns = self._pose
        x, y, z = pose.position_m.tolist()
        qx, qy, qz, qw = pose.quaternion.tolist()
        self._trail.add(x, y, z, decision.allowed)
        path_m = decision.figures.get('path_length_m')
        if path_m is None:
            # A gate that has just started: the way up to here may be long.
            return
        self._redo.add(
            receive_ns, (x, y, z), (qx, qy, qz, qw), path_m, decision.allowed,
            {c.key: c.for_the_record for c in decision.conditions if c.key in decision.reasons})

    def _tell_of_run(self) -> None:
        # A unit that is silent sends no pose, and the gate may have closed where it was last.
        self._follow()
        places = self._redo.places
        self.publish_diagnostics([redo_diagnostic(self.factory, places)])
        if self._pose is not None and self._markers.get_subscription_count():
            self._markers.publish(
                self._run_markers.message(self._trail, places, self._pose[0]))

    def _hold(self, request: SetBool.Request, response: SetBool.Response) -> SetBool.Response:
        why = self.get_parameter('hold_reason').value
        # Killed at any moment, the gate must come back held if anybody heard that it is.
        if request.data:
            self._remember(partial(self._kept_hold.keep, why), 'of this hold')
        self._set_hold(request.data, why)
        response.success = True
        response.message = self._update().text
        if not request.data:
            self._remember(self._kept_hold.drop, 'that it was let go')
        return response

    def _remember(self, write: Callable[[], None], what: str) -> None:
        try:
            write()
        except OSError as error:
            self.get_logger().warning(
                f'{self._kept_hold.path}: {error.strerror}: a gate that starts again will not '
                f'know {what}')

    def _hold_as_before(self) -> None:
        """Take up a hold by hand that the gate's last run did not live to see let go."""
        try:
            why = self._kept_hold.read()
        except (OSError, ValueError) as error:
            # Better held without need than open without leave.
            why = f'{self._kept_hold.path} cannot be read: {error}'
        if why is not None:
            self._set_hold(True, ', '.join(filter(None, (why, 'since before this start'))))

    def _set_hold(self, held: bool, why: str = '') -> None:
        self.publish_events(self._gate.set_manual_hold(held, self.now_ns(), why))

    def _change(self, name: str, _old: float, new: float) -> None:
        """Take a setting that was changed while running."""
        self.publish_events([self._gate.change(name, new, self.now_ns())])
        self._redo.limits = self._gate.limits

    def _update(self) -> Decision:
        now_ns = self.now_ns()
        decision = self._gate.update(now_ns)
        changed = self._sent is None or self._sent.allowed != decision.allowed
        self._sent = decision
        if self._gate.hold_now is not None:
            self._redo.set_onset(self._gate.hold_now.onset_ns)
        if changed or is_due(now_ns, self._repeat_ns, REPEAT_NS):
            self._repeat_ns = now_ns
            self._allowed.publish(Bool(data=decision.allowed))
        self.send_events(decision.events)
        if changed or is_due(now_ns, self._details_ns, DETAILS_NS):
            self._details_ns = now_ns
            self._gate.set_publishers(self.count_publishers(CAPTURE_ALLOWED.name), now_ns)
            self._status.publish(gate_status(
                self.factory, decision, self._gate.hold_now, self._gate.last_hold))
        self._show(decision, now_ns)
        self._wake_when_it_opens(now_ns)
        if changed or is_due(now_ns, self._diagnostics_ns, DIAGNOSTICS_NS):
            self._diagnostics_ns = now_ns
            self.publish_diagnostics([gate_diagnostic(
                self.factory, decision, self._gate.hold_now, self._budget.figures())])
        # Last: a terminal that is slow to take a line must not delay the gate's word.
        self.log_events(decision.events)
        return decision

    def log_events(self, events: Iterable[Event]) -> None:
        """Write events to the log, with the gate's own in as few words as can be."""
        for event in events:
            if event.kind == 'hold':
                self.write_log(WARN, f'held: {event.text}')
            elif event.kind == 'release':
                self._still_held.cancel()
                self.write_log(INFO, event.text)
            else:
                super().log_events([event])

    def _tell_that_it_never_opened(self) -> None:
        """Say once what it is that keeps the gate held since the start."""
        decision = self._sent
        if decision is not None and decision.waiting_s is None:
            self._still_held.cancel()
            self.write_log(WARN, decision.text)

    def _open_on_time(self) -> None:
        self._update()

    def _wake_when_it_opens(self, now_ns: int) -> None:
        """Look at the time when the gate opens, where no tick comes before."""
        opens_ns = self._gate.opens_ns
        if opens_ns is None or opens_ns - now_ns > TICK_NS:
            self._opening.cancel()
        else:
            self._opening.timer_period_ns = opens_ns - now_ns
            self._opening.reset()

    def _show(self, decision: Decision, now_ns: int) -> None:
        """Send the lamp's colour when it changes, which is also how it flashes."""
        lit = now_ns // FLASH_NS % 2 == 0
        colour, flashes = lamp(decision)
        shown = colour, lit or not flashes
        if shown != self._shown or is_due(now_ns, self._light_ns, LIGHT_NS):
            self._shown, self._light_ns = shown, now_ns
            self._light.publish(light_message(self.factory, decision, lit))

    def close(self) -> None:
        """Withdraw the permission to capture before the node goes."""
        self._allowed.publish(Bool(data=False))


def main() -> int:
    """Run the node; the exit status is 2 where its parameters were refused."""
    return run_node(CaptureGate)


if __name__ == '__main__':
    sys.exit(main())
