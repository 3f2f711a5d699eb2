# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""One subscription to a stream, which asks for what the stream's publishers offer."""

from __future__ import annotations

import time
from typing import Any, Callable, Mapping

from rclpy.node import Node
from rclpy.qos import ReliabilityPolicy
from rclpy.subscription import Subscription
from robot_mapping_qa.messages.factory import message_class
from robot_mapping_qa.nodes.qos import common_offer, described, NO_EVENTS, stream_qos

LOOK_S = 0.2
"""How often the graph is asked for the publishers of a topic that has none yet."""

LOOKS_BETWEEN = 5
"""A topic that is heard already is looked at this many times less often."""

QOS_MISMATCH, TYPE_MISMATCH, STORM = 'qos_mismatch', 'type_mismatch', 'storm'
"""Kinds of what is told, as in `verdicts.EVENT_KINDS`."""

STORM_TIMES = 5.0
"""A topic that sends so many times more than it should is a storm, if it goes on."""

STORM_HZ = 500.0
"""Fewer messages a second than this are none, whatever the rate should be."""

STORM_LOOKS = 5
"""What was kept during a pause comes at once, but not for so many looks."""

STORM_PAUSE_S = 10.0
"""A storm is looked at again after this: hearing it would leave no time for the other topics."""

UNKNOWN_HZ = 400.0
"""Stands for a rate that is not given: an inertial unit's."""


def arrival_ns(received_ns: int, latest_ns: int, now_ns: int) -> int:
    """
    Return when a message could be heard, given when the topic's last one could.

    A reliable reader keeps back what came after a lost message until that one was sent again;
    the middleware's times then go back. They also do where the host's clock is set back, but
    then ``now_ns`` does as well.
    """
    return latest_ns if received_ns < latest_ns <= now_ns else received_ns


class WatchedTopic:
    """
    A raw subscription that is made once a publisher is known, and made anew when offers change.

    It is reliable where every publisher is, so that nothing is lost that the robot's own nodes
    get, and best effort where one of them is: a subscription that asks for more than a publisher
    offers hears nothing from it. It never asks for messages kept for latecomers: those are too
    old to be judged. What the graph says of the publishers replaces the middleware's events,
    which carry less and cost time at every turn of the executor.

    A topic that sends far more than it should is not heard for a while: one that takes all of
    the executor's time makes every other topic look late or silent.

    ``received(data, info)`` gets every serialized message; ``tell(kind, topic, text)`` is called
    where a publisher's offer or type does not match what was asked for, and of a storm.
    ``stream`` is the topic's name in the parameter file, ``source`` what says which type it has.
    """

    def __init__(self, node: Node, topic: str, type_name: str, rate_hz: float | None,
                 received: Callable[..., None], tell: Callable[[str, str, str], None],
                 stream: str = '', source: str = 'expected') -> None:
        """Wait for `look`; raises LookupError where the type is not installed."""
        self.topic = node.resolve_topic_name(topic)
        self.type = type_name
        self._class = message_class(type_name)
        self._node = node
        self._rate_hz = rate_hz
        self._received = received
        self._tell = tell
        self._said = f'{stream}: {self.topic}' if stream else self.topic
        self._source = source
        self._subscription: Subscription | None = None
        self._reliable = False
        self._strange_types: list[str] = []
        self._looks = 0
        self._count = 0
        self._counted_s = time.monotonic()
        self._stormy_looks = 0
        self._deaf_until_s = 0.0

    def look(self) -> None:
        """Follow the publishers on the graph; to be called every `LOOK_S`."""
        self._looks += 1
        self._look_for_storm()
        if time.monotonic() < self._deaf_until_s:
            return
        if self._subscription is not None and self._looks % LOOKS_BETWEEN:
            return
        publishers = self._node.get_publishers_info_by_topic(self.topic)
        self._note_types({info.topic_type for info in publishers})
        offers = [info.qos_profile for info in publishers if info.topic_type == self.type]
        if not offers:
            return
        reliable = common_offer(offers).reliable
        if self._subscription is None:
            self._subscribe(reliable)
        elif reliable != self._reliable:
            asked = self._subscription.qos_profile
            self._node.destroy_subscription(self._subscription)
            self._subscribe(reliable)
            if not reliable:
                offer = next(offer for offer in offers
                             if offer.reliability is not ReliabilityPolicy.RELIABLE)
                self._tell(QOS_MISMATCH, self.topic, (
                    f'{self._said}: a publisher offers {described(offer)}, asked for was '
                    f'{described(asked)}; best effort is asked for from now on'))

    def _look_for_storm(self) -> None:
        now_s = time.monotonic()
        rate_hz = self._count / max(now_s - self._counted_s, 1e-3)
        self._count, self._counted_s = 0, now_s
        usual_hz = self._rate_hz or UNKNOWN_HZ
        stormy = rate_hz > max(STORM_HZ, STORM_TIMES * usual_hz)
        self._stormy_looks = self._stormy_looks + 1 if stormy else 0
        if self._subscription is None or self._stormy_looks < STORM_LOOKS:
            return
        self._node.destroy_subscription(self._subscription)
        self._subscription = None
        self._stormy_looks = 0
        self._deaf_until_s = now_s + STORM_PAUSE_S
        expected = f'{self._rate_hz:g} Hz' if self._rate_hz else f'at most {UNKNOWN_HZ:g} Hz'
        self._tell(STORM, self.topic, (
            f'{self._said}: more than {rate_hz:.0f} messages a second, expected {expected}: it '
            f'is not heard for {STORM_PAUSE_S:g} s'))

    def _take(self, data: bytes, info: Mapping[str, Any]) -> None:
        self._count += 1
        self._received(data, info)

    def _subscribe(self, reliable: bool) -> None:
        self._reliable = reliable
        self._subscription = self._node.create_subscription(
            self._class, self.topic, self._take, stream_qos(self._rate_hz, reliable), raw=True,
            event_callbacks=NO_EVENTS)

    def _note_types(self, types: set[str]) -> None:
        strange = sorted(types - {self.type})
        if strange and strange != self._strange_types:
            also, it = ('also ', 'that') if self.type in types else ('', 'it')
            self._tell(TYPE_MISMATCH, self.topic, (
                f'{self._said} is {also}sent as {" and ".join(strange)}, {self._source} '
                f'{self.type}: {it} is not heard'))
        self._strange_types = strange
