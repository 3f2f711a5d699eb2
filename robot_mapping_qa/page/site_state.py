# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The robot as the page shows it, put together from the package's own topics."""

from __future__ import annotations

from collections import deque
from itertools import islice
from math import atan2, isfinite
from typing import Any

from robot_mapping_qa.messages.factory import time_ns
from robot_mapping_qa.messages.markers import DELETE, DELETE_ALL, PATH, TRUSTED
from robot_mapping_qa.messages.outputs import DIAGNOSTIC_PREFIX
from robot_mapping_qa.messages.verdict_message import OK, status_level
from robot_mapping_qa.page.feed import event_text
from robot_mapping_qa.page.gate_view import GateView
from robot_mapping_qa.records import Odometry

EVENTS_KEPT = 20

MOST_PIECES, MOST_POINTS, MOST_PLACES = 40, 400, 200
"""Twice what the gate sends: a stranger on a topic must not fill the memory."""

FARTHEST_M = 1e9
"""No path on the planet leads farther; what does, or is not a number, is left out."""

DIAGNOSTICS_LOST_NS = 5_000_000_000
"""Diagnostics come once a second; for so long what they said last is shown."""

_S = 1_000_000_000


class SiteState:
    """
    Messages in, server-sent events out; memory is bounded whatever comes.

    ``steady_ns`` is always a clock that nobody sets. Messages are those of rclpy or of rosbags.
    """

    def __init__(self, robot: str = '') -> None:
        """Begin with nothing known; ``robot`` is the namespace before the names of statuses."""
        self.gate = GateView()
        self._prefix = (f'{robot}/' if robot else '') + DIAGNOSTIC_PREFIX
        self._pose: tuple[Odometry, int] | None = None
        self._recording: tuple[dict[str, Any], int] | None = None
        self._places: list[dict[str, Any]] = []
        self._events: deque[dict[str, Any]] = deque(maxlen=EVENTS_KEPT)
        self._pieces: dict[int, list[int]] = {}
        self._unsent: dict[str, bytes] = {}

    def take_gate(self, status: Any) -> None:
        """Take a message of `gate`."""
        self.gate.take_status({v.key: v.value for v in status.values})

    def take_pose(self, pose: Odometry, steady_ns: int) -> None:
        """Take a message of `pose`."""
        if _plausible(*pose.position_m.tolist(), *pose.quaternion.tolist()):
            self._pose = pose, steady_ns

    def take_diagnostics(self, message: Any, steady_ns: int) -> None:
        """Take a message of `/diagnostics`: disk and places to visit again."""
        for status in message.status:
            if status.name == self._prefix + 'recording':
                values = {item.key: item.value for item in status.values}
                self._recording = {
                    'text': status.message, 'good': status_level(status) == OK,
                    'minutes': _number(values, 'remaining_minutes'),
                    'free_bytes': _number(values, 'free_bytes')}, steady_ns
            elif status.name == self._prefix + 'redo':
                places = _places({item.key: item.value for item in status.values})
                if places != self._places:
                    self._places = places
                    self._unsent['places'] = event_text('places', places)

    def take_events(self, message: Any) -> None:
        """Take a message of `events`."""
        for status in message.status:
            values = {item.key: item.value for item in status.values}
            found_ns = _number(values, 'detected_ns')
            self._events.append({
                'kind': status.name, 'subject': status.hardware_id, 'text': status.message,
                'bad': status_level(status) != OK,
                'at_ms': round(time_ns(message.header.stamp) / 1e6 if found_ns is None
                               else found_ns / 1e6)})
        self._unsent['events'] = event_text('events', list(self._events))

    def take_markers(self, message: Any) -> None:
        """Take a message of `markers`: the path by trust, piece by piece."""
        for marker in message.markers:
            if marker.action == DELETE_ALL:
                for number in self._pieces:
                    self._set_piece(number, [])
            elif marker.ns == PATH and 0 <= marker.id < MOST_PIECES:
                self._set_piece(marker.id, [] if marker.action == DELETE else _flat(marker))

    def _set_piece(self, number: int, points: list[int]) -> None:
        if points != self._pieces.get(number, []):
            self._pieces[number] = points
            self._unsent[f'path/{number}'] = event_text(
                'path', {'piece': number, 'points': points})

    def take_unsent(self, steady_ns: int, now_ns: int) -> dict[str, bytes]:
        """Return the texts that have changed since the last call, the present state always."""
        unsent, self._unsent = self._unsent, {}
        unsent['state'] = event_text('state', self.state(steady_ns, now_ns))
        return unsent

    def state(self, steady_ns: int, now_ns: int) -> dict[str, Any]:
        """Return what changes all the time; ``now_ns`` is the time by which messages are dated."""
        gate = self.gate
        return {
            'now_ms': round(now_ns / 1e6),
            'gate': gate.shown(steady_ns, now_ns),
            'error': {'now_m': gate.figure('point_error_m'),
                      'limit_m': gate.figure('point_error_limit_m'),
                      'until_s': gate.figure('until_limit_s'),
                      'until_m': gate.figure('until_limit_m'),
                      'path_m': gate.figure('path_length_m')},
            'disk': self._disk(steady_ns),
            'pose': self._place(steady_ns)}

    def _disk(self, steady_ns: int) -> dict[str, Any] | None:
        if self._recording is None or steady_ns - self._recording[1] > DIAGNOSTICS_LOST_NS:
            return None
        return self._recording[0]

    def _place(self, steady_ns: int) -> dict[str, Any] | None:
        if self._pose is None:
            return None
        pose, heard_ns = self._pose
        x, y, z = pose.position_m.tolist()
        qx, qy, qz, qw = pose.quaternion.tolist()
        yaw = atan2(2.0 * (qw * qz + qx * qy), 1.0 - 2.0 * (qy * qy + qz * qz))
        return {'x': round(x, 3), 'y': round(y, 3), 'z': round(z, 3), 'yaw': round(yaw, 4),
                'age_s': round((steady_ns - heard_ns) / _S, 2)}


def _number(values: dict[str, str], key: str) -> float | None:
    try:
        value = float(values[key])
    except (KeyError, ValueError):
        return None
    return value if isfinite(value) else None


def _plausible(*values: float) -> bool:
    """Return whether all are numbers that can be shown; a NaN compares false."""
    return all(abs(value) <= FARTHEST_M for value in values)


def _numbers(text: str, count: int) -> list[float]:
    """Return the numbers of a text; ValueError where they are not so many or not finite."""
    numbers = [float(word) for word in text.split()]
    if len(numbers) != count or not all(map(isfinite, numbers)):
        raise ValueError(text)
    return numbers


def _place_number(text: str) -> int:
    """Return the number of a place; ValueError for anything else."""
    if not text.isdecimal() or len(text) > 9:
        raise ValueError(text)
    return int(text)


def _places(values: dict[str, str]) -> list[dict[str, Any]]:
    """Read the values of the status `redo`; what cannot be read is left out."""
    places = []
    for key, text in islice(values.items(), 3 * MOST_PLACES):
        head, number, what = (*key.split('/'), '', '')[:3]
        if head != 'place' or what != 'xyz_m':
            continue
        try:
            place = _place_number(number)
            x, y, z = _numbers(text, 3)
            from_m, to_m = _numbers(values.get(f'place/{number}/path_m', ''), 2)
        except ValueError:
            continue
        places.append({'number': place, 'x': x, 'y': y, 'z': z, 'from_m': from_m,
                       'to_m': to_m, 'reasons': values.get(f'place/{number}/reasons', '')})
    return places


def _flat(marker: Any) -> list[int]:
    """Return x and y in cm and whether the gate was open, of each point one after the other."""
    flat: list[int] = []
    for point, colour in islice(zip(marker.points, marker.colors), MOST_POINTS):
        if _plausible(point.x, point.y):
            flat += (round(point.x * 100.0), round(point.y * 100.0),
                     int(abs(colour.r - TRUSTED[0]) < 0.1))
    return flat
