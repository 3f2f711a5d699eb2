# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the report's pictures have in common: colours, type and the way into the page."""

from __future__ import annotations

import io
import re
from typing import Callable

from matplotlib import rc_context
from matplotlib.figure import Figure

INK, FAINT, PAPER, GRID = '#1c2733', '#8a939c', '#ffffff', '#e3e7ea'

WIDTH_IN = 9.0
"""Width of a picture that fills the page."""

RC = {
    'font.family': 'sans-serif', 'font.size': 9.0, 'axes.edgecolor': FAINT,
    'axes.labelcolor': INK, 'text.color': INK, 'xtick.color': INK, 'ytick.color': INK,
    'axes.spines.top': False, 'axes.spines.right': False, 'axes.grid': False,
    'hatch.linewidth': 0.7, 'hatch.color': PAPER,
    # Text stays text, and the same input gives the same file.
    'svg.fonttype': 'none', 'svg.hashsalt': 'robot_mapping_qa',
}

_MINUTES_FROM_S = 600.0


def draw(make: Callable[[], Figure | None], description: str) -> str | None:
    """Return what ``make`` draws as an SVG element for the page; None where there is nothing."""
    with rc_context(RC):
        figure = make()
        return None if figure is None else _svg(figure, description)


def time_axis(start_ns: int, end_ns: int) -> tuple[Callable[[int], float], float, str]:
    """Return where a host time lies on the time axis, the axis's length, and its label."""
    duration_s = max((end_ns - start_ns) * 1e-9, 1e-3)
    scale, unit = (60.0, 'min') if duration_s > _MINUTES_FROM_S else (1.0, 's')

    def at(time_ns: int) -> float:
        return (time_ns - start_ns) * 1e-9 / scale
    return at, duration_s / scale, f'time since the start of the recording ({unit})'


def _svg(figure: Figure, description: str) -> str:
    """Return a figure as an SVG element that fills the width of the page."""
    buffer = io.StringIO()
    figure.savefig(buffer, format='svg', metadata={'Date': None, 'Creator': None})
    text = buffer.getvalue()
    text = text[text.index('<svg'):]
    text = re.sub(r'width="[\d.]+pt" height="[\d.]+pt"', '', text, count=1)
    text = re.sub(r'<metadata>.*?</metadata>', '', text, flags=re.DOTALL)
    return text.replace('<svg', f'<svg role="img" aria-label="{description}"', 1)
