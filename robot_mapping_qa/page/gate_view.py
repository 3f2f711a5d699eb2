# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the page says of the gate: never open unless the gate says so now."""

from __future__ import annotations

from math import isfinite
from typing import Any

from robot_mapping_qa.capture.relay import DEADLINE_NS
from robot_mapping_qa.messages.outputs import BLUE, DARK, RED, YELLOW

_S = 1_000_000_000
_BY_HAND = 'gate/manual_hold'

OPEN, NEAR, HELD, BROKEN, BY_HAND, NO_GATE = 'open', 'near', 'held', 'broken', 'by_hand', 'no_gate'
"""Kinds of state: those of the lamp (`light`), and that there is none."""

Colour = tuple[float, float, float]


class GateView:
    """
    The gate as heard on its topics; ages are measured by a clock that nobody sets.

    Open needs three things: the permission to capture within its deadline, a status that agrees,
    and no second gate.
    """

    def __init__(self) -> None:
        """Begin without a gate."""
        self.publishers = 0
        """How many nodes publish the gate."""
        self._allowed = False
        self._heard_ns: int | None = None
        self._values: dict[str, str] = {}
        self._lamp: Colour = DARK

    def take_allowed(self, allowed: bool, steady_ns: int) -> None:
        """Take a word of `capture_allowed`."""
        self._allowed, self._heard_ns = allowed, steady_ns

    def take_status(self, values: dict[str, str]) -> None:
        """Take the values of `gate`."""
        self._values = values

    def take_light(self, colour: Colour) -> None:
        """Take a colour of `light`; a lamp that flashes is dark in between."""
        if colour != DARK:
            self._lamp = colour

    @property
    def held_by_hand(self) -> bool:
        """Whether somebody holds the gate, whatever else does."""
        return any(f'{what}/{_BY_HAND}' in self._values for what in ('reason', 'consequence'))

    def figure(self, name: str) -> float | None:
        """Return a figure of the gate's status, None where it gives none."""
        try:
            value = float(self._values[name])
        except (KeyError, ValueError):
            return None
        return value if isfinite(value) else None

    def shown(self, steady_ns: int, now_ns: int) -> dict[str, Any]:
        """Return what to show; ``now_ns`` is the time by which the gate stamps."""
        trouble = self._trouble(steady_ns)
        if trouble is not None:
            return {'kind': NO_GATE, 'text': trouble, 'reasons': [], 'follows': [],
                    'by_hand': False, 'for_s': None}
        kind = self._kind()
        since_ns = self.figure('since_ns')
        return {
            'kind': kind, 'text': self._text(kind),
            'reasons': self._sentences('reason/') or self._sentences('notice/point_error/'),
            'follows': self._sentences('consequence/'), 'by_hand': self.held_by_hand,
            'for_s': None if since_ns is None else max(0.0, (now_ns - since_ns) / _S)}

    def _trouble(self, steady_ns: int) -> str | None:
        if self._heard_ns is None:
            return 'no gate has been heard yet'
        silent_ns = steady_ns - self._heard_ns
        if silent_ns > DEADLINE_NS:
            return f'no word from the gate for {silent_ns / _S:.1f} s'
        if self.publishers > 1:
            return f'{self.publishers} nodes publish the gate: end all but one'
        return None

    def _kind(self) -> str:
        if self._allowed and self._values.get('state') == 'open':
            return NEAR if self._lamp == YELLOW else OPEN
        return BROKEN if self._lamp == RED else BY_HAND if self._lamp == BLUE else HELD

    def _text(self, kind: str) -> str:
        waiting_s = self.figure('waiting_s')
        if kind in (HELD, BROKEN) and waiting_s is not None:
            return f'healthy again, opens in {waiting_s:.1f} s'
        return {
            OPEN: 'pictures may be taken',
            NEAR: 'about to hold: finish, or turn back',
            HELD: 'opens by itself',
            BROKEN: 'something is missing or broken',
            BY_HAND: 'by hand: somebody must release it'}[kind]

    def _sentences(self, head: str) -> list[str]:
        return [text for key, text in self._values.items() if key.startswith(head)]
