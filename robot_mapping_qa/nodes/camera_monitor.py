# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The node that looks at samples of the cameras' pictures, and at motion that needs a camera."""

from __future__ import annotations

import sys
from typing import Callable

from robot_mapping_qa.camera_inputs import picture_input, unit_input
from robot_mapping_qa.messages.outputs import camera_diagnostic
from robot_mapping_qa.messages.topics import CAMERA_VERDICT
from robot_mapping_qa.monitors import make_camera_monitor
from robot_mapping_qa.nodes.base import QualityNode, Take
from robot_mapping_qa.nodes.own_parameters import OwnParameters
from robot_mapping_qa.nodes.qos import VERDICT_QOS
from robot_mapping_qa.nodes.running import run_node
from robot_mapping_qa.nodes.ticks import on_every_tick

DETAILS_S = 1.0
"""Diagnostics are sent this often."""


class CameraMonitorNode(QualityNode):
    """
    Pictures and odometry in; verdicts on cameras and motion out.

    A node of its own: decoding a picture takes milliseconds, which the pose must not wait for.
    """

    def __init__(self) -> None:
        """Subscribe to pictures and unit; raises `ConfigurationError` or LookupError."""
        super().__init__('camera_monitor')
        if not self.configuration.check_cameras:
            raise OwnParameters(self).refused(
                'check_cameras: found false, expected true: the gate does not listen to this '
                'node without it')
        self._monitor = make_camera_monitor(self.configuration)
        self._verdicts = self.advertise(CAMERA_VERDICT, VERDICT_QOS)
        unit = self.configuration.pose_stream
        self.watch(unit.topic, unit.type, unit.rate_hz,
                   _by_receive_time(unit_input(unit, self._monitor)))
        for camera in self.configuration.cameras:
            self.watch_newest(camera.topic, camera.type,
                              _by_receive_time(picture_input(
                                  camera, self.configuration, self._monitor)))
        on_every_tick(self, self.now_ns, self._tick)
        self.create_timer(DETAILS_S, self._send_details)

    def _tick(self) -> None:
        now_ns = self.now_ns()
        self._monitor.tick(now_ns)
        self.publish_verdict(self._verdicts, self._monitor.verdict(now_ns), tick=True)

    def _send_details(self) -> None:
        now_ns, monitor = self.now_ns(), self._monitor
        self.publish_diagnostics([
            camera_diagnostic(self.factory, camera, monitor.figures(camera.name, now_ns),
                              monitor.conditions(camera.name, now_ns))
            for camera in self.configuration.cameras])


def _by_receive_time(tell: Callable[[int, bytes], None]) -> Take:
    def take(data: bytes, receive_ns: int, _source_ns: int | None, _callback_ns: int) -> None:
        tell(receive_ns, data)
    return take


def main() -> int:
    """Run the node; the exit status is 2 where its parameters were refused."""
    return run_node(CameraMonitorNode)


if __name__ == '__main__':
    sys.exit(main())
