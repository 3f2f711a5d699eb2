# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Whether time began anew, or only a clock was set back.

Where a bag is played again or simulated time was reset, host time and the unit's stamps both go
back: the unit stands somewhere else. Host time alone goes back where the host's clock is set, the
stamps alone after one stamp that was wrong or where the unit's clock is set. Then the unit is
where it was, and what it has lost it has lost.
"""

from __future__ import annotations

from robot_mapping_qa.restart import RESTART_NS
from robot_mapping_qa.verdicts import Event


class NewStart:
    """
    Takes the going back of host time and of the stamps of the unit ``name``, in any order.

    Either returns whether it is a new start, and the event that tells of it. All ``*_ns``
    arguments but ``by_ns`` are host time.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._host_ns: int | None = None
        self._stamps_ns: int | None = None

    def host_went_back(self, by_ns: int, now_ns: int) -> tuple[bool, Event]:
        """Take note that host time went back by ``by_ns``, to ``now_ns``."""
        stamps_ns, self._stamps_ns, self._host_ns = self._stamps_ns, None, now_ns
        is_new = stamps_ns is not None and now_ns + by_ns - stamps_ns <= RESTART_NS
        return is_new, self._event('host time', is_new, by_ns, now_ns)

    def stamps_went_back(self, by_ns: int, now_ns: int) -> tuple[bool, Event]:
        """Take note that the stamps went back."""
        host_ns, self._host_ns, self._stamps_ns = self._host_ns, None, now_ns
        is_new = host_ns is not None
        return is_new, self._event(f'the stamps of {self._name}', is_new, by_ns, now_ns)

    def stamps_went_on(self, now_ns: int) -> None:
        """Take note of a stamp that did not go back: soon after host time it may be an old one."""
        if self._host_ns is not None and now_ns - self._host_ns > RESTART_NS:
            self._host_ns = None

    def _event(self, whose: str, is_new: bool, by_ns: int, now_ns: int) -> Event:
        if is_new:
            whose = f'host time and the stamps of {self._name}'
            so = 'the pose is judged anew'
        else:
            so = f'what {self._name} has lost still counts'
        return Event('time_restarted', self._name, now_ns, now_ns,
                     f'{whose} went back by {by_ns * 1e-9:.1f} s: {so}', {'size_s': -by_ns * 1e-9})
