# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The node that writes the ledger of captures while the robot works."""

from __future__ import annotations

from functools import partial
import sys
import time

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from robot_mapping_qa.bag.ledger_file import LedgerError
from robot_mapping_qa.bag.ledger_writer import LedgerWriter
from robot_mapping_qa.capture.time_error import time_error
from robot_mapping_qa.configuration import Stream
from robot_mapping_qa.messages.hold_values import hold_from_values
from robot_mapping_qa.messages.outputs import DIAGNOSTIC_PREFIX
from robot_mapping_qa.messages.serialized import (
    MalformedMessage, read_judged_pose, read_stamp)
from robot_mapping_qa.messages.topics import GATE, JUDGED_POSE, VERDICTS
from robot_mapping_qa.messages.verdict_message import (
    ERROR, make_status, OK, verdict_from_message, WARN)
from robot_mapping_qa.nodes.base import QualityNode
from robot_mapping_qa.nodes.own_parameters import OwnParameters
from robot_mapping_qa.nodes.qos import LATCHED_QOS, VERDICT_QOS
from robot_mapping_qa.nodes.running import run_node
from robot_mapping_qa.rates import TICK_HZ
from robot_mapping_qa.verdicts import Verdict

WRITE_S = 0.5
"""Rows are written this often: what a kill can take is half a second and what waits for a pose."""

TELL_S = 1.0

GATE_LOST_NS = 1_500_000_000
"""The gate tells its status twice a second."""


class CaptureLedger(QualityNode):
    """
    Pictures, judged poses, verdicts and the gate's word in, rows of ``captures.csv`` out.

    Parameter ``folder``: where the ledger is, or is to be; a ledger that is there is gone on
    with. At the end each capture has one row and ``redo.csv`` lies beside it.
    """

    def __init__(self) -> None:
        """Begin or go on with the ledger of ``folder``; raises `ConfigurationError`."""
        super().__init__('capture_ledger', {'folder': ''})
        configuration = self.configuration
        own = OwnParameters(self)
        self._folder = own.needed_path(
            'folder', 'the folder of the ledger, such as -p folder:=run_1_ledger').absolute()
        try:
            self._writer = LedgerWriter(self._folder, configuration, self.now_ns())
        except (LedgerError, OSError) as error:
            raise own.refused(f'folder: {error}') from error
        self._ledger = self._writer.ledger
        self.get_logger().info(f'ledger in {self._writer.file.path}')
        if self._writer.broken_rows:
            self.get_logger().warning(
                f'{self._writer.file.path}: {self._writer.broken_rows} rows that were cut are '
                'left out')
        self._trouble = ''
        self._pose_verdict: Verdict | None = None
        self._timing_verdict: Verdict | None = None
        self._heard_ns = (self.now_ns(), time.monotonic_ns())
        for source in ('timing', 'pose'):
            self.create_subscription(
                DiagnosticArray, VERDICTS[source].name, partial(self._take_verdict, source),
                VERDICT_QOS)
        self.create_subscription(DiagnosticStatus, GATE.name, self._take_gate, LATCHED_QOS)
        self.watch(JUDGED_POSE.name, JUDGED_POSE.type, TICK_HZ, self._take_pose)
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

    def _take_verdict(self, source: str, message: DiagnosticArray) -> None:
        try:
            verdict = verdict_from_message(message, source)
        except ValueError as error:
            self.get_logger().error(f'verdict refused: {error}', throttle_duration_sec=1.0)
            return
        if source == 'pose':
            self._pose_verdict = verdict
        else:
            self._timing_verdict = verdict

    def _take_pose(self, data: bytes, _receive_ns: int, _source_ns: int | None,
                   _now_ns: int) -> None:
        if self._pose_verdict is None:
            return
        try:
            pose, is_known = read_judged_pose(data)
        except MalformedMessage as error:
            self.get_logger().error(f'{JUDGED_POSE.name}: {error}', throttle_duration_sec=1.0)
            return
        figures = self._pose_verdict.figures
        self._ledger.set_distance(figures.get('working_distance_m'))
        self._ledger.add_pose(pose, figures.get('path_length_m') or 0.0, is_known)

    def _take_gate(self, status: DiagnosticStatus) -> None:
        self._heard_ns = (self.now_ns(), time.monotonic_ns())
        values = {item.key: item.value for item in status.values}
        try:
            hold = hold_from_values(values)
            if hold is not None:
                self._ledger.tell_hold(*hold[:4], self._heard_ns[0], hold.courses)
        except (KeyError, ValueError) as error:
            self.get_logger().error(f'{GATE.name} refused: {error!r}', throttle_duration_sec=1.0)

    def _write(self) -> None:
        if time.monotonic_ns() - self._heard_ns[1] > GATE_LOST_NS:
            self._ledger.lose_gate(self._heard_ns[0])
        self._append(at_end=False)

    def _append(self, at_end: bool) -> None:
        try:
            self._writer.write(self.now_ns(), at_end)
        except OSError as error:
            file = self._writer.file
            self._trouble = (f'{file.path}: {file.waiting_rows} rows wait for the disk: '
                             f'{error.strerror}')
            self.get_logger().error(self._trouble, throttle_duration_sec=5.0)
        else:
            self._trouble = ''

    def _tell(self) -> None:
        writer = self._writer
        lost, broken = writer.file.lost_rows, writer.broken_rows
        texts = [self._trouble] * bool(self._trouble)
        if lost:
            texts.append(f'{lost} rows are lost: the disk took none for too long')
        if broken:
            texts.append(f'{broken} rows that were cut before the start are left out')
        self.publish_diagnostics([make_status(
            self.factory, DIAGNOSTIC_PREFIX + 'ledger',
            ERROR if self._trouble or lost else WARN if broken else OK,
            '; '.join(texts) or f'ledger in {self._folder}',
            {'rows': writer.rows, 'waiting_rows': writer.file.waiting_rows, 'lost_rows': lost,
             'broken_rows': broken, **{
                 f'captures/{name}': count for name, count in self._ledger.counts.items()}})])

    def close(self) -> None:
        """Write what is left and where to go again, and leave one row a capture."""
        self._append(at_end=True)
        try:
            places = self._writer.close().places
        except (LedgerError, OSError) as error:
            self.get_logger().error(f'the ledger stays as it was written: {error}')
        else:
            self.get_logger().info(f'places to visit again: {len(places)}')


def main() -> int:
    """Run the node; the exit status is 2 where its parameters were refused."""
    return run_node(CaptureLedger)


if __name__ == '__main__':
    sys.exit(main())
