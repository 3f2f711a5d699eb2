# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The node that writes the ledger of captures while the robot works."""

from __future__ import annotations

from pathlib import Path
import sys
import time

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from robot_mapping_qa.bag.ledger_file import (
    CAPTURES_FILE, finish_ledger, LedgerError, LedgerFile)
from robot_mapping_qa.capture.live_ledger import LiveLedger
from robot_mapping_qa.capture.time_error import time_error
from robot_mapping_qa.configuration import ConfigurationError, Stream
from robot_mapping_qa.messages.outputs import DIAGNOSTIC_PREFIX
from robot_mapping_qa.messages.serialized import (
    MalformedMessage, read_pose_with_covariance, read_stamp)
from robot_mapping_qa.messages.topics import GATE, POSE, POSE_VERDICT, TIMING_VERDICT
from robot_mapping_qa.messages.verdict_message import ERROR, make_status, OK, verdict_from_message
from robot_mapping_qa.nodes.base import QualityNode
from robot_mapping_qa.nodes.qos import LATCHED_QOS, VERDICT_QOS
from robot_mapping_qa.nodes.running import run_node
from robot_mapping_qa.rates import TICK_HZ
from robot_mapping_qa.verdicts import Verdict
from robot_mapping_qa.views import capture_views

WRITE_S = 0.5
"""Rows are written this often: what a kill can take is half a second and what waits for a pose."""

TELL_S = 1.0

GATE_LOST_NS = 1_500_000_000
"""The gate tells its status twice a second."""


class CaptureLedger(QualityNode):
    """
    Pictures, poses, verdicts and the gate's word in, rows of ``captures.csv`` out.

    Parameter ``folder``: where the ledger is, or is to be. At the end, and at the start on a
    ledger that is there, each capture has one row and ``redo.csv`` lies beside it.
    """

    def __init__(self) -> None:
        """Begin or go on with the ledger of ``folder``; raises `ConfigurationError`."""
        super().__init__('capture_ledger', {'folder': ''})
        configuration = self.configuration
        folder = self.get_parameter('folder').value
        if not isinstance(folder, str) or not folder:
            raise ConfigurationError(
                ['folder: found nothing, expected the folder of the ledger, such as '
                 '-p folder:=run_1_ledger'], 'parameters of capture_ledger')
        self._folder = Path(folder).expanduser()
        try:
            if (self._folder / CAPTURES_FILE).exists():
                # A node that was killed has left rows that count no more.
                finish_ledger(self._folder, configuration.gate)
            self._file = LedgerFile(self._folder)
        except (LedgerError, OSError) as error:
            raise ConfigurationError([str(error)], 'parameters of capture_ledger') from error
        self._ledger = LiveLedger(
            configuration.point_error_limit_m, capture_views(configuration),
            configuration.pose.stale_s)
        for capture in self._file.known.captures:
            # The numbers go on: a row must not be taken for a correction of an older one.
            if capture.stream in self._ledger.counts:
                self._ledger.counts[capture.stream] = max(
                    self._ledger.counts[capture.stream], capture.number)
        self._rows = 0
        self._trouble = ''
        self._pose_verdict: Verdict | None = None
        self._timing_verdict: Verdict | None = None
        self._heard_ns = (self.now_ns(), time.monotonic_ns())
        for topic in (TIMING_VERDICT, POSE_VERDICT):
            self.create_subscription(
                DiagnosticArray, topic.name, self._take_verdict, VERDICT_QOS)
        self.create_subscription(DiagnosticStatus, GATE.name, self._take_gate, LATCHED_QOS)
        self.watch(POSE.name, POSE.type, TICK_HZ, self._take_pose)
        for stream in configuration.with_role('capture'):
            self._watch_stream(stream)
        self.create_timer(WRITE_S, self._write)
        self.create_timer(TELL_S, self._tell)

    def _watch_stream(self, stream: Stream) -> None:
        name = stream.name

        def take(data: bytes, receive_ns: int, _source_ns: int | None, _now_ns: int) -> None:
            try:
                stamp_ns = read_stamp(data)
            except MalformedMessage as error:
                self.get_logger().error(f'{name}: {error}', throttle_duration_sec=1.0)
                return
            self._ledger.add_capture(
                name, stamp_ns, receive_ns, time_error(self._timing_verdict, name))
        self.watch(stream.watched_topic, stream.watched_type, stream.rate_hz, take)

    def _take_verdict(self, message: DiagnosticArray) -> None:
        try:
            verdict = verdict_from_message(message)
        except ValueError as error:
            self.get_logger().error(f'verdict refused: {error}', throttle_duration_sec=1.0)
            return
        if verdict.source == 'pose':
            self._pose_verdict = verdict
        else:
            self._timing_verdict = verdict

    def _take_pose(self, data: bytes, _receive_ns: int, _source_ns: int | None,
                   _now_ns: int) -> None:
        if self._pose_verdict is None:
            return
        try:
            pose = read_pose_with_covariance(data)
        except MalformedMessage as error:
            self.get_logger().error(f'{POSE.name}: {error}', throttle_duration_sec=1.0)
            return
        figures = self._pose_verdict.figures
        self._ledger.set_distance(figures.get('working_distance_m'))
        self._ledger.add_pose(pose, figures.get('path_length_m') or 0.0,
                              figures.get('sigma_position_m') is not None)

    def _take_gate(self, status: DiagnosticStatus) -> None:
        self._heard_ns = (self.now_ns(), time.monotonic_ns())
        values = {item.key: item.value for item in status.values}
        try:
            if 'hold/closed_ns' not in values:
                return
            released = values['hold/released_ns']
            reasons = [values[key] for key in values if key.startswith('hold/reason_')]
            self._ledger.tell_hold(
                int(values['hold/onset_ns']), int(values['hold/closed_ns']),
                int(released) if released else None, tuple(reasons), self._heard_ns[0])
        except (KeyError, ValueError) as error:
            self.get_logger().error(f'{GATE.name} refused: {error!r}', throttle_duration_sec=1.0)

    def _write(self) -> None:
        if time.monotonic_ns() - self._heard_ns[1] > GATE_LOST_NS:
            self._ledger.lose_gate(self._heard_ns[0])
        self._append(at_end=False)

    def _append(self, at_end: bool) -> None:
        news = self._ledger.take_news(self.now_ns(), at_end)
        try:
            self._file.append(news)
        except OSError as error:
            self._trouble = f'{self._file.path}: rows are lost: {error.strerror}'
            self.get_logger().error(self._trouble, throttle_duration_sec=5.0)
        else:
            self._rows += len(news)

    def _tell(self) -> None:
        self.publish_diagnostics([make_status(
            self.factory, DIAGNOSTIC_PREFIX + 'ledger', ERROR if self._trouble else OK,
            self._trouble or f'ledger in {self._folder}',
            {'rows': self._rows, **{
                f'captures/{name}': count for name, count in self._ledger.counts.items()}})])

    def close(self) -> None:
        """Write what is left, one row a capture, and where to go again."""
        self._append(at_end=True)
        try:
            self._file.close()
            places = finish_ledger(self._folder, self.configuration.gate)
        except (LedgerError, OSError) as error:
            self.get_logger().error(f'the ledger stays as it was written: {error}')
        else:
            self.get_logger().info(f'places to visit again: {len(places)}')


def main() -> int:
    """Run the node; the exit status is 2 where its parameters were refused."""
    return run_node(CaptureLedger)


if __name__ == '__main__':
    sys.exit(main())
