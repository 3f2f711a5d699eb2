# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
How the three verdicts look, and when each held.

Trust is told three times over, by colour, by hatching or line style, and by words, so that it is
seen in black and white and by colour-blind people. The colours are from Okabe and Ito, "Color
Universal Design" (2008).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

from robot_mapping_qa.capture.gate import Hold
from robot_mapping_qa.capture.ledger import HELD, SUSPECT, TRUSTED


@dataclass(frozen=True, slots=True)
class Style:
    """Colour, name of the hatching, dashes and width of a line, and words."""

    colour: str
    hatch: str
    dash: str
    width: float
    label: str


STYLES = {
    TRUSTED: Style('#0072b2', '', '', 2.4, 'trusted: gate open'),
    SUSPECT: Style('#e69f00', 'hatch-suspect', '5 3', 6.0,
                   'suspect: fault begun, gate still open'),
    HELD: Style('#d55e00', 'hatch-held', '9 4', 4.2, 'held: gate closed'),
}


def trust_spans(holds: Sequence[Hold], start_ns: int,
                end_ns: int) -> list[tuple[int, int, str]]:
    """Return (from, to, verdict), ns, without gaps from ``start_ns`` to ``end_ns``."""
    spans: list[tuple[int, int, str]] = []
    reached = start_ns

    def upto(time_ns: int, verdict: str) -> None:
        nonlocal reached
        time_ns = min(time_ns, end_ns)
        if time_ns > reached:
            spans.append((reached, time_ns, verdict))
            reached = time_ns
    for hold in holds:
        upto(hold.onset_ns, TRUSTED)
        upto(hold.closed_ns, SUSPECT)
        upto(end_ns if hold.released_ns is None else hold.released_ns, HELD)
    upto(end_ns, TRUSTED)
    return spans
