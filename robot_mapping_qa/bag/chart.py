# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Charts as SVG that is complete without a script, and that the page's script can zoom.

What is stretched by zooming along an axis lies in a nested ``svg`` (class ``lens``); what keeps
its shape (marks, text) carries the values that it stands at (``data-x``, ``data-y``).
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from math import ceil, floor, log10
from typing import Any, Iterable, overload, Sequence

import numpy as np

INK, SOFT, FAINT, PAPER, GRID = '#1c2733', '#5b6772', '#8a939c', '#ffffff', '#e3e7ea'

COLOURS = ('#0072b2', '#d55e00', '#009e73', '#cc79a7', '#e69f00', '#56b4e9', INK)
"""Okabe and Ito, "Color Universal Design" (2008)."""

DASHES = ('', '9 3', '3 2.5', '10 3 3 3', '5 5')

WIDTH = 1000
"""Width of a chart in its own units, about a pixel on a wide screen."""

RIGHT = WIDTH - 14

TICK_PX, LABEL_PX, FOOT_PX = 22, 50, 58
"""Where tick labels and the name of a horizontal axis stand below it, and the room for both: also
for the larger letters that a phone shows."""


@dataclass(frozen=True, slots=True)
class Axis:
    """Where values lie: from ``low`` at ``begin`` to ``high`` at ``end``, in chart units."""

    low: float
    high: float
    begin: float
    end: float
    logarithmic: bool = False

    @overload
    def at(self, values: float) -> float:
        ...

    @overload
    def at(self, values: np.ndarray) -> np.ndarray:
        ...

    def at(self, values: Any) -> Any:
        """Return the place of a value, or the places of an array of values."""
        low, high = self.low, self.high
        if self.logarithmic:
            values, low, high = np.log10(values), log10(low), log10(high)
        return self.begin + (values - low) / (high - low) * (self.end - self.begin)

    def ticks(self, most: int) -> list[float]:
        """Return round values within the range: not more than ``most``, powers of ten for logs."""
        if self.logarithmic:
            powers = range(ceil(log10(self.low) - 1e-9), floor(log10(self.high) + 1e-9) + 1)
            steps = (1.0, 2.0, 5.0) if 3 * len(powers) <= most else (1.0,)
            values = [step * 10.0 ** power for power in (powers.start - 1, *powers)
                      for step in steps]
            return [value for value in values
                    if self.low * 0.999 <= value <= self.high * 1.001]
        step = round_step((self.high - self.low) / most)
        first = ceil(self.low / step - 1e-9)
        return [number * step for number in range(first, floor(self.high / step + 1e-9) + 1)]


def round_step(least: float) -> float:
    """Return the smallest of 1, 2 or 5 times a power of ten that is not below ``least``."""
    power = 10.0 ** floor(log10(least))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= least * 0.999)


def number(value: float) -> str:
    """Return a tick's label: no more digits than it has, a real minus."""
    text = f'{value:.6g}'
    return '0' if float(text) == 0.0 else text.replace('-', '−')


def text(x: float, y: float, content: str, anchor: str = 'start', size: float = 13,
         **more: str) -> str:
    """Return a text element."""
    attributes = ''.join(f' {key.rstrip("_").replace("_", "-")}="{escape(value)}"'
                         for key, value in more.items())
    return (f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size:g}"'
            f'{attributes}>{escape(content)}</text>')


def line(x1: float, y1: float, x2: float, y2: float, colour: str = INK, width: float = 1.0,
         dash: str = '') -> str:
    """Return a straight line."""
    dashes = f' stroke-dasharray="{dash}"' if dash else ''
    return (f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" '
            f'stroke-width="{width:g}"{dashes}/>')


def polyline(x: np.ndarray, y: np.ndarray, colour: str, width: float = 1.6,
             dash: str = '') -> str:
    """Return a line through points in chart units, broken where a value is not a number."""
    dashes = f' stroke-dasharray="{dash}"' if dash else ''
    return (f'<path d="{_moves(x, y)}" fill="none" stroke="{colour}" stroke-width="{width:g}" '
            f'stroke-linejoin="round" vector-effect="non-scaling-stroke"{dashes}/>')


def band(x: np.ndarray, low: np.ndarray, high: np.ndarray, colour: str) -> str:
    """Return the area between two lines without gaps."""
    points = _moves(np.concatenate([x, x[::-1]]), np.concatenate([low, high[::-1]]))
    return f'<path d="{points}Z" fill="{colour}" stroke="none"/>'


def _moves(x: np.ndarray, y: np.ndarray) -> str:
    parts = []
    pen_is_up = True
    for one, other in zip(np.asarray(x, float).tolist(), np.asarray(y, float).tolist()):
        if one != one or other != other:
            pen_is_up = True
            continue
        parts.append(f'{"M" if pen_is_up else "L"}{one:.1f} {other:.1f}')
        pen_is_up = False
    return ''.join(parts)


def bottom_axis(axis: Axis, y: float, top: float, label: str, ticks: int = 9,
                kind: str = 'xticks') -> str:
    """Return grid, tick labels and the name of a horizontal axis; the script redraws the ticks."""
    marks = ''.join(
        f'<line x1="{axis.at(value):.1f}" y1="{top:.1f}" x2="{axis.at(value):.1f}" '
        f'y2="{y + 4:.1f}" stroke="{GRID}"/>' + text(axis.at(value), y + TICK_PX, number(value),
                                                     'middle', 12)
        for value in axis.ticks(ticks))
    return (f'<g class="{kind}" data-y="{y:.1f}" data-top="{top:.1f}">{marks}</g>'
            + line(axis.begin, y, axis.end, y, FAINT)
            + text(0.5 * (axis.begin + axis.end), y + LABEL_PX, label, 'middle', 12.5))


def left_axis(axis: Axis, x: float, right: float, ticks: int = 4, kind: str = '') -> str:
    """Return grid and tick labels of a vertical axis."""
    marks = ''.join(
        line(x, axis.at(value), right, axis.at(value), GRID)
        + text(x - 6, axis.at(value) + 4, number(value), 'end', 12)
        for value in axis.ticks(ticks))
    return f'<g{f" class={chr(34)}{kind}{chr(34)}" if kind else ""}>{marks}</g>'


def lens(x: float, y: float, width: float, height: float, content: Iterable[str],
         free: bool = True) -> str:
    """Return the part that is stretched when it is zoomed; ``free`` lets axes differ."""
    ratio = ' preserveAspectRatio="none"' if free else ''
    return (f'<svg class="lens" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" '
            f'height="{height:.1f}" viewBox="{x:.1f} {y:.1f} {width:.1f} {height:.1f}"{ratio}>'
            f'{"".join(content)}</svg>')


def mark(x: float, y: float, at_x: float, at_y: float, content: str) -> str:
    """Return a symbol drawn around the origin, at a place and with the values it stands for."""
    return (f'<g class="mark" data-x="{at_x:.4f}" data-y="{at_y:.4f}" '
            f'transform="translate({x:.1f} {y:.1f})">{content}</g>')


def badge(label: str) -> str:
    """Return a number in a circle, around the origin."""
    radius = 10 if len(label) < 3 else 13
    return (f'<g class="badge"><circle r="{radius}" fill="{PAPER}" stroke="{INK}" '
            f'stroke-width="1.3"/>{text(0, 4.4, label, "middle", 12, font_weight="700")}</g>')


def title(x: float, y: float, words: str, unit: str = '') -> str:
    """Return the name of a panel, in it: what is drawn below it stays readable around it."""
    return text(x, y, f'{words} {unit}'.rstrip(), size=12.5, paint_order='stroke', stroke=PAPER,
                stroke_width='4')


DIAMOND = f'<path d="M0 -5.5L5.5 0L0 5.5L-5.5 0Z" fill="{PAPER}" stroke="{INK}"/>'


def chart(kind: str, height: float, description: str, axis: Axis, content: Sequence[str],
          other: Axis | None = None) -> str:
    """
    Return a chart; ``axis`` is the one along which the script zooms.

    ``kind`` is its id and 'time', 'plan' or 'still' its class, the last without zoom. ``other``
    is the vertical axis of a plan.
    """
    name, _, group = kind.partition(' ')
    values = f'data-low="{axis.low!r}" data-high="{axis.high!r}" data-begin="{axis.begin:.1f}" ' \
             f'data-end="{axis.end:.1f}"'
    if other is not None:
        values += f' data-bottom-value="{other.low!r}" data-top-value="{other.high!r}" ' \
                  f'data-bottom="{other.begin:.1f}" data-top="{other.end:.1f}"'
    return (f'<svg id="{name}" class="chart {group}" viewBox="0 0 {WIDTH} {height:.0f}" '
            f'role="img" aria-label="{escape(description)}" {values}>'
            f'{"".join(content)}</svg>')


def legend(entries: Iterable[tuple[str, str]]) -> str:
    """Return symbols, drawn from (0, -5) to (26, 5), each with its words, as text that wraps."""
    return '<p class="key">' + ' '.join(
        '<span><svg viewBox="-1 -9 28 18" width="28" height="18" aria-hidden="true">'
        f'{symbol}</svg> {escape(words)}</span>' for symbol, words in entries) + '</p>'
