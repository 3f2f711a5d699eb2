# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The node that watches every stream's clock, delay and regularity."""

from __future__ import annotations

import sys
from typing import Sequence

from robot_mapping_qa.configuration import Stream
from robot_mapping_qa.messages.outputs import clock_offset_message, stream_diagnostic
from robot_mapping_qa.messages.serialized import MalformedMessage, read_stamp
from robot_mapping_qa.messages.topics import CLOCK_OFFSET, TIMING_VERDICT
from robot_mapping_qa.monitors import make_timing_monitor
from robot_mapping_qa.nodes.base import QualityNode
from robot_mapping_qa.nodes.clock_survey import ClockSurvey
from robot_mapping_qa.nodes.qos import OUTPUT_QOS, VERDICT_QOS
from robot_mapping_qa.nodes.running import run_node
from robot_mapping_qa.nodes.ticks import on_every_tick
from robot_mapping_qa.verdicts import Event

DETAILS_S = 1.0
"""Offsets and diagnostics are sent this often."""


class SyncMonitor(QualityNode):
    """Stamps in; verdicts on time, clock offsets and diagnostics out."""

    def __init__(self) -> None:
        """Subscribe to every stream; raises `ConfigurationError` or LookupError."""
        super().__init__('sync_monitor')
        self._monitor = make_timing_monitor(self.configuration)
        self._verdicts = self.advertise(TIMING_VERDICT, VERDICT_QOS)
        self._offsets = self.advertise(CLOCK_OFFSET, OUTPUT_QOS)
        self._survey = ClockSurvey(self.configuration, self.simulated_time)
        for stream in self.configuration.streams:
            self._watch_stream(stream)
        on_every_tick(self, self.now_ns, self._tick)
        self.create_timer(DETAILS_S, self._send_details)

    def _watch_stream(self, stream: Stream) -> None:
        monitor, name = self._monitor, stream.name
        survey = self._survey.taker(stream)

        def take(data: bytes, receive_ns: int, source_ns: int | None, callback_ns: int) -> None:
            try:
                stamp_ns = read_stamp(data)
            except MalformedMessage as error:
                events = monitor.malformed(name, receive_ns, str(error))
            else:
                events = monitor.add(name, stamp_ns, receive_ns, source_ns, callback_ns)
                survey(stamp_ns, receive_ns, data)
            if events:
                self._happened(events)
        self.watch(stream.watched_topic, stream.watched_type, stream.rate_hz, take)

    def tell_of_publisher(self, kind: str, topic: str, text: str) -> None:
        """Tell as an event, too, what every node that watches the topic writes to its log."""
        now_ns = self.now_ns()
        self.send_events([Event(kind, topic, now_ns, now_ns, text)])
        super().tell_of_publisher(kind, topic, text)

    def _happened(self, events: Sequence[Event]) -> None:
        self._survey.happened(events)
        self.publish_events(events)

    def _tick(self) -> None:
        now_ns = self.now_ns()
        events = self._monitor.tick(now_ns)
        self.publish_verdict(self._verdicts, self._monitor.verdict(now_ns), tick=True)
        self._happened(events)

    def _send_details(self) -> None:
        now_ns = self.now_ns()
        conditions = self._monitor.verdict(now_ns).conditions
        figures = {stream.name: self._monitor.figures(stream.name)
                   for stream in self.configuration.streams}
        self._survey.update(figures, [c.subject for c in conditions if c.kind == 'silent'])
        statuses = []
        for stream in self.configuration.streams:
            own = figures[stream.name]
            statuses.append(stream_diagnostic(
                self.factory, stream, own, [c for c in conditions if c.subject == stream.name],
                self._survey.sentence(stream.name, own)))
            if own.offset_s is not None:
                message = clock_offset_message(
                    self.factory, stream.name, now_ns, own.offset_s)
                if message is not None:
                    self._offsets.publish(message)
        self.publish_diagnostics([*statuses, *self._survey.statuses(self.factory)])

    def close(self) -> None:
        """End the background threads."""
        self._survey.close()


def main() -> int:
    """Run the node; the exit status is 2 where its parameters were refused."""
    return run_node(SyncMonitor)


if __name__ == '__main__':
    sys.exit(main())
