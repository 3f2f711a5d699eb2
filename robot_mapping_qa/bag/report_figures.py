# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The report's pictures: the timeline and the plan view.

Trust is told three times over, by colour, by hatching or line style, and by words, so that it is
seen in black and white and by colour-blind people. The colours are from Okabe and Ito, "Color
Universal Design" (2008).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Sequence

from matplotlib import rc_context
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
import numpy as np
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.bag.drawing import draw, FAINT, GRID, INK, PAPER, RC, time_axis, WIDTH_IN
from robot_mapping_qa.capture.gate import Hold
from robot_mapping_qa.capture.ledger import HELD, SUSPECT, TRUSTED
from robot_mapping_qa.capture.redo import RedoPlace


@dataclass(frozen=True, slots=True)
class _Style:
    colour: str
    hatch: str
    line: Any
    width: float
    label: str


STYLES = {
    TRUSTED: _Style('#0072b2', '', 'solid', 1.8, 'trusted: gate open'),
    SUSPECT: _Style('#e69f00', '////', (0, (1.2, 0.8)), 4.5,
                    'suspect: fault begun, gate still open'),
    HELD: _Style('#d55e00', 'xxxx', (0, (2.5, 1.0)), 3.2, 'held: gate closed'),
}
"""How the three verdicts look."""

_LONGEST_REASON = 96


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


def timeline_svg(assessment: Assessment, summary: dict[str, Any]) -> str:
    """Return the timeline as SVG for the page, which lists the reasons in a table."""
    return draw(lambda: _timeline(assessment, summary, reasons=False),
                'Timeline of the gate, the streams and the point error')


def save_timeline(assessment: Assessment, summary: dict[str, Any], path: str | Path) -> None:
    """Save the timeline with the reasons written below it; the suffix gives the format."""
    with rc_context(RC):
        _timeline(assessment, summary, reasons=True).savefig(path, dpi=150, facecolor=PAPER)


def plan_svg(assessment: Assessment, places: Sequence[RedoPlace]) -> str | None:
    """Return the path seen from above, coloured by trust, as SVG; None without a path."""
    times, points = assessment.path.arrays()
    if not len(times):
        return None
    return draw(lambda: _plan(assessment, times, points, places),
                'Plan view of the path, by trust, with the places to visit again')


def _timeline(assessment: Assessment, summary: dict[str, Any], reasons: bool) -> Figure:
    at, length, label = time_axis(assessment.start_ns, assessment.end_ns)
    streams = summary['streams']
    texts = [f'{number}   {_shortened("; ".join(hold.reasons))}'
             for number, hold in enumerate(assessment.holds, start=1)] if reasons else []
    band, rows, error = 0.75, 0.24 * len(streams) + 0.1, 1.45
    above, between, below = 0.34, 0.12, 0.55 + 0.19 * len(texts)
    height = above + band + rows + error + 2 * between + below
    figure = Figure(figsize=(WIDTH_IN, height))
    left, width = 0.135, 0.845

    def place(bottom_in: float, height_in: float, **more: Any) -> Any:
        return figure.add_axes(
            (left, bottom_in / height, width, height_in / height), **more)
    error_axes = place(below, error)
    row_axes = place(below + error + between, rows, sharex=error_axes)
    gate_axes = place(below + error + rows + 2 * between, band, sharex=error_axes)
    error_axes.set_xlim(0.0, length)
    _draw_gate(gate_axes, assessment, at)
    _draw_streams(row_axes, summary, at, length)
    _draw_error(error_axes, assessment, at)
    error_axes.set_xlabel(label)
    for axes in (gate_axes, row_axes):
        axes.tick_params(axis='x', labelbottom=False, length=0)
    for number, text in enumerate(texts):
        figure.text(left, (below - 0.58 - 0.19 * number) / height, text, fontsize=8.5, va='top')
    _legend(figure, gate_axes)
    return figure


def _draw_gate(axes: Any, assessment: Assessment, at: Any) -> None:
    for begin, end, verdict in trust_spans(
            assessment.holds, assessment.start_ns, assessment.end_ns):
        style = STYLES[verdict]
        axes.fill_between([at(begin), at(end)], 0.0, 1.0, facecolor=style.colour,
                          hatch=style.hatch, edgecolor=PAPER, linewidth=0.0)
    last = -1.0
    span = max(at(assessment.end_ns), 1e-9)
    for number, hold in enumerate(assessment.holds, start=1):
        released_ns = assessment.end_ns if hold.released_ns is None else hold.released_ns
        middle = 0.5 * (at(hold.closed_ns) + at(released_ns))
        # Numbers that would overlap are left out; the table has them all.
        if middle - last < 0.022 * span:
            continue
        last = middle
        axes.text(middle, 0.5, str(number), ha='center', va='center', fontsize=9,
                  fontweight='bold', color=INK,
                  bbox={'boxstyle': 'circle,pad=0.25', 'facecolor': PAPER, 'edgecolor': INK,
                        'linewidth': 0.8})
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([0.5], ['gate'])
    axes.tick_params(axis='y', length=0)
    for side in ('left', 'bottom'):
        axes.spines[side].set_visible(False)


def _draw_streams(axes: Any, summary: dict[str, Any], at: Any, end: float) -> None:
    names = list(summary['streams'])
    for row, name in enumerate(names):
        figures = summary['streams'][name]
        if not figures['messages']:
            axes.text(0.0, row, ' never seen in this recording', va='center', fontsize=8,
                      color=INK, style='italic')
            continue
        axes.plot([0.0, end], [row, row], color=FAINT, linewidth=2.2, solid_capstyle='butt')
        for silence in figures['silences']:
            span = [at(silence['from_ns']), at(silence['to_ns'])]
            axes.plot(span, [row, row], color=PAPER, linewidth=2.6, solid_capstyle='butt')
            axes.plot(span, [row, row], color=INK, linewidth=1.0, linestyle=(0, (1, 1.5)))
        steps = [at(step['at_ns']) for step in figures['clock_steps']]
        axes.plot(steps, [row] * len(steps), linestyle='none', marker='D', markersize=5.5,
                  markerfacecolor=PAPER, markeredgecolor=INK)
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_yticks(range(len(names)), names, fontsize=8)
    axes.tick_params(axis='y', length=0)
    for side in ('left', 'bottom'):
        axes.spines[side].set_visible(False)


def _draw_error(axes: Any, assessment: Assessment, at: Any) -> None:
    times, values = assessment.point_error.arrays()
    limit = assessment.configuration.point_error_limit_m
    known = values[~np.isnan(values)]
    top = 2.0 * limit
    if known.size:
        # A short rise to metres must not press everything else flat.
        top = min(max(top, 1.1 * float(known.max())), 4.0 * limit)
        axes.plot([at(time) for time in times.tolist()], np.minimum(values, top), color=INK,
                  linewidth=1.1)
        if known.max() > top:
            axes.text(0.995, 0.97, f'rises to {known.max():.2f} m', transform=axes.transAxes,
                      ha='right', va='top', fontsize=8)
    axes.axhline(limit, color=STYLES[HELD].colour, linewidth=1.2, linestyle=(0, (5, 2)))
    axes.text(0.004, limit + 0.02 * top, f'limit {limit:g} m', fontsize=8, va='bottom',
              transform=axes.get_yaxis_transform())
    axes.set_ylim(0.0, top)
    axes.set_ylabel('point error (m)')


def _legend(figure: Figure, axes: Any) -> None:
    handles = [Patch(facecolor=style.colour, hatch=style.hatch, edgecolor=PAPER,
                     label=style.label) for style in STYLES.values()]
    handles += [
        Line2D([], [], linestyle=(0, (1, 1.5)), color=INK, linewidth=1.0, label='silent'),
        Line2D([], [], linestyle='none', marker='D', markersize=5.5, markerfacecolor=PAPER,
               markeredgecolor=INK, label='clock step')]
    axes.legend(handles=handles, loc='lower left', bbox_to_anchor=(0.0, 1.02), ncols=5,
                frameon=False, fontsize=8, handlelength=1.8, columnspacing=1.4,
                borderaxespad=0.0)


def _plan(assessment: Assessment, times: np.ndarray, points: np.ndarray,
          places: Sequence[RedoPlace]) -> Figure:
    x, y = points[:, 0], points[:, 1]
    size = max(float(np.ptp(x)), float(np.ptp(y)), 1.0)
    aspect = (float(np.ptp(y)) + 0.3 * size) / (float(np.ptp(x)) + 0.3 * size)
    height = min(max(9.0 * aspect, 3.0), 8.0)
    figure = Figure(figsize=(WIDTH_IN, height))
    # Fixed margins: half an inch below and a third above, whatever the height.
    axes = figure.add_axes((0.07, 0.5 / height, 0.91, 1.0 - 0.83 / height))
    axes.set_aspect('equal', adjustable='datalim')
    spans = trust_spans(assessment.holds, assessment.start_ns, assessment.end_ns)
    begins = np.array([span[0] for span in spans])
    verdicts = [span[2] for span in spans]
    owner = np.clip(np.searchsorted(begins, times, side='right') - 1, 0, None)
    segments = np.stack([points[:-1, :2], points[1:, :2]], axis=1)
    for verdict, style in STYLES.items():
        own = [verdicts[index] == verdict for index in owner[1:]]
        if any(own):
            axes.add_collection(LineCollection(
                _joined(segments, own), colors=style.colour, linewidths=style.width,
                linestyles=[style.line], label=style.label, capstyle='butt'))
    axes.plot(x[0], y[0], marker='o', markersize=8, color=INK, linestyle='none', label='start')
    axes.plot(x[-1], y[-1], marker='s', markersize=8, color=INK, linestyle='none', label='end')
    for number, place in enumerate(places, start=1):
        if place.position_m is not None:
            axes.annotate(
                str(number), place.position_m[:2], xytext=(11, 11), textcoords='offset points',
                ha='center', va='center', fontsize=9, fontweight='bold',
                bbox={'boxstyle': 'circle,pad=0.25', 'facecolor': PAPER, 'edgecolor': INK},
                arrowprops={'arrowstyle': '-', 'color': INK, 'linewidth': 0.8,
                            'shrinkA': 0, 'shrinkB': 0})
    axes.margins(0.12)
    axes.autoscale_view()
    axes.set_xlabel('x (m)')
    axes.set_ylabel('y (m)')
    axes.grid(color=GRID, linewidth=0.7)
    axes.set_axisbelow(True)
    axes.legend(loc='lower left', bbox_to_anchor=(0.0, 1.01), ncols=5, frameon=False, fontsize=8,
                columnspacing=1.4, borderaxespad=0.0)
    return figure


def _joined(segments: np.ndarray, own: Sequence[bool]) -> list[np.ndarray]:
    """Return polylines of neighbouring segments, so that dashes run on."""
    lines: list[list] = []
    previous = False
    for segment, mine in zip(segments, own):
        if mine:
            if previous:
                lines[-1].append(segment[1])
            else:
                lines.append([segment[0], segment[1]])
        previous = mine
    return [np.array(line) for line in lines]


def _shortened(text: str) -> str:
    return text if len(text) <= _LONGEST_REASON else text[:_LONGEST_REASON - 1] + '…'
