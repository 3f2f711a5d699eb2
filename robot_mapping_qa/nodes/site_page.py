# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The node that serves the page for a tablet on the robot's network."""

from __future__ import annotations

import asyncio
import sys
import time
from typing import Any

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import PoseWithCovarianceStamped
from rclpy.client import Client
from robot_mapping_qa.configuration.problems import shown
from robot_mapping_qa.messages.outputs import DIAGNOSTIC_PREFIX
from robot_mapping_qa.messages.serialized import MalformedMessage, read_pose_with_covariance
from robot_mapping_qa.messages.topics import (
    CAPTURE_ALLOWED, DIAGNOSTICS, EVENTS, GATE, HOLD_SERVICE, LIGHT, MARKERS, POSE)
from robot_mapping_qa.messages.verdict_message import make_status, OK
from robot_mapping_qa.nodes.base import QualityNode
from robot_mapping_qa.nodes.own_parameters import OwnParameters
from robot_mapping_qa.nodes.qos import (
    EVENT_QOS, GATE_QOS, LATCHED_QOS, NO_EVENTS, OUTPUT_QOS, VERDICT_QOS)
from robot_mapping_qa.nodes.running import run_node
from robot_mapping_qa.page.access import read_tokens, TokenFileError
from robot_mapping_qa.page.listening import ListeningError, open_port
from robot_mapping_qa.page.server import HoldAnswer, HoldRequest, PageServer
from robot_mapping_qa.page.serving import ServerThread
from robot_mapping_qa.page.site_state import SiteState
from std_msgs.msg import Bool, ColorRGBA
from std_srvs.srv import SetBool
from visualization_msgs.msg import MarkerArray

SEND_S = 0.25
"""The page gets the state this often. Without any for a second it says that it has no data."""

TELL_S = 1.0

ANSWER_S = 2.0
"""How long the gate may take to answer a hold."""

PARAMETERS = {'listen_address': '127.0.0.1', 'port': 8642, 'token_file': '', 'host_names': []}
"""The node's own parameters with their defaults."""


class SitePage(QualityNode):
    """
    The package's topics in, a page out.

    Parameters: ``listen_address`` (an IP address; other than this computer's own only with
    tokens), ``port``, ``token_file`` (who may look and who may hold), ``host_names`` (names by
    which the robot is reached, besides its addresses).
    """

    def __init__(self) -> None:
        """Open the port; raises `ConfigurationError`."""
        super().__init__('site_page', PARAMETERS)
        self._state = SiteState(self.get_namespace().strip('/'))
        self._subscribe()
        self._hold: Client = self.create_client(SetBool, HOLD_SERVICE)
        self._server, self._thread = self._serve()
        # The page goes on while simulated time stands still.
        self.create_timer(SEND_S, self._send, clock=self.steady_clock)
        self.create_timer(TELL_S, self._tell, clock=self.steady_clock)

    def _subscribe(self) -> None:
        state, steady_ns = self._state, time.monotonic_ns

        def listen(kind: type, topic: Any, take: Any, qos: Any) -> None:
            self.create_subscription(kind, topic.name, take, qos, event_callbacks=NO_EVENTS)
        listen(Bool, CAPTURE_ALLOWED,
               lambda word: state.gate.take_allowed(word.data, steady_ns()), GATE_QOS)
        listen(DiagnosticStatus, GATE, state.take_gate, LATCHED_QOS)
        listen(ColorRGBA, LIGHT, lambda c: state.gate.take_light((c.r, c.g, c.b)), LATCHED_QOS)
        listen(DiagnosticArray, DIAGNOSTICS,
               lambda message: state.take_diagnostics(message, steady_ns()), OUTPUT_QOS)
        listen(DiagnosticArray, EVENTS, state.take_events, EVENT_QOS)
        listen(MarkerArray, MARKERS, state.take_markers, OUTPUT_QOS)
        self.create_subscription(PoseWithCovarianceStamped, POSE.name, self._take_pose,
                                 VERDICT_QOS, raw=True, event_callbacks=NO_EVENTS)

    def _take_pose(self, data: bytes) -> None:
        try:
            self._state.take_pose(read_pose_with_covariance(data), time.monotonic_ns())
        except MalformedMessage as error:
            self.get_logger().error(f'{POSE.name}: {error}', throttle_duration_sec=1.0)

    def _serve(self) -> tuple[PageServer, ServerThread]:
        own = OwnParameters(self)
        address = own.get('listen_address', str, 'an IP address such as 127.0.0.1')
        port = own.get('port', int, 'a whole number from 0 to 65535',
                       lambda value: 0 <= value <= 65535)
        file = own.path('token_file', 'the path of a file')
        names = self.get_parameter('host_names').value
        if isinstance(names, (str, bytes)) or not hasattr(names, '__iter__') or not all(
                isinstance(name, str) for name in names):
            raise own.refused(f'host_names: found {shown(names)}, expected a list of names')
        try:
            tokens = read_tokens(file) if file else None
            listener = open_port(address, port, tokens is not None)
        except TokenFileError as error:
            raise own.refused(f'token_file: {error}') from error
        except ListeningError as error:
            raise own.refused(str(error)) from error
        address, port = listener.getsockname()[:2]
        server = PageServer(self._ask_gate, tokens, names, f'mapping_qa_page_{port}')
        self.get_logger().info(f'page on http://{address}:{port}/' + (
            '' if tokens is None else '?token=... with a token of the file'))
        return server, ServerThread(server, listener)

    def _send(self) -> None:
        self._state.gate.publishers = self.count_publishers(CAPTURE_ALLOWED.name)
        self._thread.put(self._state.take_unsent(time.monotonic_ns(), self.now_ns()))

    def _tell(self) -> None:
        server = self._server
        self.publish_diagnostics([make_status(
            self.factory, DIAGNOSTIC_PREFIX + 'page', OK, f'{server.viewers} viewers',
            {'viewers': server.viewers, 'refused': server.refused})])

    async def _ask_gate(self, wanted: HoldRequest) -> HoldAnswer:
        """Pass a hold or a release on; runs in the server's thread, alone with the client."""
        if wanted.seen_by_hand != self._state.gate.held_by_hand:
            return HoldAnswer(False, 'The state has changed meanwhile: look again.')
        if not self._hold.service_is_ready():
            return HoldAnswer(False, 'No gate is there to answer.')
        loop = asyncio.get_running_loop()
        answered: asyncio.Future = loop.create_future()

        def tell(future: Any) -> None:
            loop.call_soon_threadsafe(_settle, answered, future.result())
        pending = self._hold.call_async(SetBool.Request(data=wanted.hold))
        pending.add_done_callback(tell)
        try:
            answer = await asyncio.wait_for(answered, ANSWER_S)
        except asyncio.TimeoutError:
            self._hold.remove_pending_request(pending)
            return HoldAnswer(False, f'The gate has not answered for {ANSWER_S:.0f} s.')
        self.get_logger().info(f'{"hold" if wanted.hold else "release"} asked for on the page')
        return HoldAnswer(answer.success, answer.message)

    def close(self) -> None:
        """End every connection."""
        self._thread.close()


def _settle(answered: asyncio.Future, answer: Any) -> None:
    if not answered.done():
        answered.set_result(answer)


def main() -> int:
    """Run the node; the exit status is 2 where its parameters were refused."""
    return run_node(SitePage)


if __name__ == '__main__':
    sys.exit(main())
