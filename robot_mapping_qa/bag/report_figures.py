# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The report's pictures of the run: the timeline and the plan view."""

from __future__ import annotations

from math import dist
from typing import Any, Callable, Mapping, Sequence

import numpy as np
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.bag.chart import (
    Axis, badge, bottom_axis, chart, DIAMOND, FAINT, FOOT_PX, INK, left_axis, legend, lens, line,
    mark, number, PAPER, polyline, RIGHT, text)
from robot_mapping_qa.bag.trust import STYLES, trust_spans
from robot_mapping_qa.capture.ledger import HELD
from robot_mapping_qa.capture.redo import RedoPlace

LEFT = 170
"""Where the plot of a chart over time begins: names of streams stand before it."""

MOST_SPANS = 3000
"""Stretches of the gate that are drawn; more of them would be thinner than a pixel each."""

_GATE_PX, _ROW_PX, _ERROR_PX = 62, 28, 160
_CROWDED_PX = 24
_MINUTES_FROM_S = 600.0
_START = f'<circle r="6.5" fill="{INK}"/>'
_END = f'<rect x="-6" y="-6" width="12" height="12" fill="{INK}"/>'
_SILENT = line(0, 0, 26, 0, INK, 1.4, '2 3')


def time_axis(start_ns: int, end_ns: int) -> tuple[Callable[[Any], Any], Axis, str]:
    """Return where host times (ns) lie on the time axis, the axis, and its label."""
    duration_s = max((end_ns - start_ns) * 1e-9, 1e-3)
    scale, unit = (60.0, 'min') if duration_s > _MINUTES_FROM_S else (1.0, 's')

    def at(time_ns: Any) -> Any:
        return (time_ns - start_ns) * 1e-9 / scale
    return (at, Axis(0.0, duration_s / scale, LEFT, RIGHT),
            f'time since the start of the recording ({unit})')


def timeline_svg(assessment: Assessment, summary: Mapping[str, Any]) -> str:
    """Return gate, streams and point error over time."""
    at, axis, label = time_axis(assessment.start_ns, assessment.end_ns)
    names = list(summary['streams'])
    gate_y = 6
    rows_y = gate_y + _GATE_PX + 16
    error_y = rows_y + _ROW_PX * len(names) + 36
    bottom = error_y + _ERROR_PX
    error, error_parts, note = _point_error(assessment, at, axis, error_y, bottom)
    streams, marks = _streams(summary, at, axis, rows_y)
    parts = [
        _hatches(),
        text(LEFT - 12, gate_y + _GATE_PX / 2 + 5, 'gate', 'end'),
        left_axis(error, LEFT, RIGHT),
        text(LEFT, error_y - 10, 'point error (m)', size=12.5),
        bottom_axis(axis, bottom, error_y, label),
        _gate(assessment, at, axis, gate_y),
        *(text(LEFT - 12, rows_y + _ROW_PX * (row + 0.5) + 4, name, 'end', 12.5)
          for row, name in enumerate(names)),
        lens(LEFT, rows_y, RIGHT - LEFT, bottom - rows_y, [*streams, *error_parts]),
        *marks, *_numbers(assessment, at, axis, gate_y + _GATE_PX / 2), note]
    key = [(_swatch(style), style.label) for style in STYLES.values()] + [
        (_SILENT, 'silent'), (f'<g transform="translate(13 0)">{DIAMOND}</g>', 'clock step')]
    return legend(key) + chart('timeline time', bottom + FOOT_PX, 'Timeline of the gate, the '
                               'streams and the point error', axis, parts)


def _hatches() -> str:
    """Return what the verdicts are filled with, besides their colours."""
    stripe = f'stroke="{PAPER}" stroke-width="1.6"'
    return ('<defs>'
            '<pattern id="hatch-suspect" width="8" height="8" patternUnits="userSpaceOnUse">'
            f'<rect width="8" height="8" fill="{STYLES["suspect"].colour}"/>'
            f'<path d="M-2 10L10 -2M-2 2L2 -2M6 10L10 6" {stripe}/></pattern>'
            '<pattern id="hatch-held" width="8" height="8" patternUnits="userSpaceOnUse">'
            f'<rect width="8" height="8" fill="{STYLES["held"].colour}"/>'
            f'<path d="M-1 9L9 -1M-1 -1L9 9" {stripe}/></pattern></defs>')


def _fill(style: Any) -> str:
    return f'url(#{style.hatch})' if style.hatch else style.colour


def _swatch(style: Any) -> str:
    return f'<rect y="-7" width="26" height="14" fill="{_fill(style)}"/>'


def _gate(assessment: Assessment, at: Any, axis: Axis, y: float) -> str:
    spans = trust_spans(assessment.holds, assessment.start_ns, assessment.end_ns)[:MOST_SPANS]
    parts = []
    for begin, end, verdict in spans:
        low, high = axis.at(at(begin)), axis.at(at(end))
        parts.append(
            f'<rect class="span" data-from="{at(begin):.4f}" data-to="{at(end):.4f}" '
            f'x="{low:.1f}" y="{y}" width="{max(high - low, 0.6):.1f}" height="{_GATE_PX}" '
            f'fill="{_fill(STYLES[verdict])}"/>')
    return ''.join(parts)


def _numbers(assessment: Assessment, at: Any, axis: Axis, y: float) -> list[str]:
    """Return the numbers of the holds; the script shows one that is in the way once it is not."""
    parts: list[str] = []
    places: list[tuple[float, float]] = []
    for count, hold in enumerate(assessment.holds[:MOST_SPANS], start=1):
        end_ns = assessment.end_ns if hold.released_ns is None else hold.released_ns
        middle = 0.5 * (at(hold.closed_ns) + at(end_ns))
        places.append((axis.at(middle), y))
        parts.append(mark(*places[-1], middle, 0.0, badge(str(count))))
    return _apart(parts, places)


def _apart(parts: Sequence[str], places: Sequence[tuple[float, float]]) -> list[str]:
    """Hide marks that would lie on one before them; the table has them all."""
    taken: list[tuple[float, float]] = []
    found = []
    for part, place in zip(parts, places):
        if any(dist(place, other) < _CROWDED_PX for other in taken):
            part = part.replace('class="mark"', 'class="mark crowded"', 1)
        else:
            taken.append(place)
        found.append(part)
    return found


def _streams(summary: Mapping[str, Any], at: Any, axis: Axis,
             top: float) -> tuple[list[str], list[str]]:
    """Return lines with their silences, and the marks of clock steps."""
    lines, marks = [], []
    for row, (_, figures) in enumerate(summary['streams'].items()):
        y = top + _ROW_PX * (row + 0.5)
        if not figures['messages']:
            marks.append(text(LEFT + 6, y + 4, 'never seen in this recording', size=12,
                              font_style='italic'))
            continue
        lines.append(line(axis.begin, y, axis.end, y, FAINT, 3.4))
        for silence in figures['silences']:
            low, high = axis.at(at(silence['from_ns'])), axis.at(at(silence['to_ns']))
            lines.append(line(low, y, high, y, PAPER, 5.0))
            lines.append(polyline(np.array([low, high]), np.array([y, y]), INK, 1.4, '2 3'))
        for step in figures['clock_steps']:
            when = at(step['at_ns'])
            marks.append(mark(axis.at(when), y, when, 0.0, DIAMOND))
    return lines, marks


def _point_error(assessment: Assessment, at: Any, axis: Axis, top: float,
                 bottom: float) -> tuple[Axis, list[str], str]:
    times, values = assessment.point_error.arrays()
    limit = assessment.configuration.point_error_limit_m
    known = values[~np.isnan(values)]
    highest, note = 2.0 * limit, ''
    if known.size:
        # A short rise to metres must not press everything else flat.
        highest = min(max(highest, 1.1 * float(known.max())), 4.0 * limit)
        if known.max() > highest:
            note = text(RIGHT - 4, top + 20, f'rises to {known.max():.2f} m', 'end', 12)
    error = Axis(0.0, highest, bottom, top)
    parts = [
        polyline(axis.at(at(times)), error.at(np.minimum(values, highest)), INK, 1.5),
        polyline(np.array([axis.begin, axis.end]), np.full(2, error.at(limit)),
                 STYLES[HELD].colour, 1.5, '7 4')]
    return error, parts, note + text(
        LEFT + 6, error.at(limit) - 6, f'limit {number(limit)} m', size=12)


def plan_svg(assessment: Assessment, places: Sequence[RedoPlace]) -> str | None:
    """Return the path seen from above, by trust, with the places to redo; None without a path."""
    times, points = assessment.path.arrays()
    if not len(times):
        return None
    x, y, height = _plan_axes(points)
    begin, top = x.begin, y.end
    across, down = x.at(points[:, 0]), y.at(points[:, 1])
    spans = trust_spans(assessment.holds, assessment.start_ns, assessment.end_ns)
    begins = np.array([span[0] for span in spans])
    owner = np.clip(np.searchsorted(begins, times[1:], side='right') - 1, 0, None)
    lines, shown = [], []
    for verdict, style in STYLES.items():
        own = np.array([span[2] == verdict for span in spans])[owner] if spans else np.array([])
        if own.any():
            lines.append(polyline(*_pieces(across, down, own), style.colour, style.width,
                                  style.dash))
            shown.append((line(0, 0, 26, 0, style.colour, style.width, style.dash), style.label))
    shown += [(f'<g transform="translate(13 0)">{_START}</g>', 'start'),
              (f'<g transform="translate(13 0)">{_END}</g>', 'end')]
    marks = [mark(across[0], down[0], points[0, 0], points[0, 1], _START),
             mark(across[-1], down[-1], points[-1, 0], points[-1, 1], _END)]
    tail = f'<path d="M0 0L13 -13" stroke="{INK}"/><g transform="translate(19 -19)">'
    known = [(str(count), place.position_m) for count, place in enumerate(places, start=1)
             if place.position_m is not None]
    spots = [(x.at(at_m[0]), y.at(at_m[1])) for _, at_m in known]
    marks += _apart([mark(*spot, *at_m[:2], f'{tail}{badge(count)}</g>')
                     for (count, at_m), spot in zip(known, spots)], spots)
    parts = [
        left_axis(y, begin, RIGHT, 6, 'yticks'),
        bottom_axis(x, y.begin, top, 'x (m)', 8),
        text(24, (top + y.begin) / 2, 'y (m)', 'middle', 12.5,
             transform=f'rotate(-90 24 {(top + y.begin) / 2:.0f})'),
        lens(begin, top, RIGHT - begin, y.begin - top, lines, free=False), *marks]
    return legend(shown) + chart('plan plan', height, 'Plan view of the path, by trust, with the '
                                 'places to visit again', x, parts, y)


def _plan_axes(points: np.ndarray) -> tuple[Axis, Axis, float]:
    """Return axes of one scale that hold all points with room around them, and the height."""
    begin, top = 110.0, 12.0
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    middle, size = 0.5 * (low + high), high - low
    size = np.maximum(size + 0.24 * max(float(size.max()), 1.0), 1.0)
    width = RIGHT - begin
    height = min(max(width * size[1] / size[0], 260.0), 560.0)
    metres_per_px = max(size[0] / width, size[1] / height)
    half = 0.5 * metres_per_px * np.array([width, height])
    return (Axis(float(middle[0] - half[0]), float(middle[0] + half[0]), begin, RIGHT),
            Axis(float(middle[1] - half[1]), float(middle[1] + half[1]), top + height, top),
            top + height + FOOT_PX)


def _pieces(x: np.ndarray, y: np.ndarray, own: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the own segments as lines with gaps between them, so that dashes run on."""
    kept_x: list[np.ndarray] = []
    kept_y: list[np.ndarray] = []
    gap = np.array([np.nan])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], own.astype(np.int8), [0]])))
    for begin, end in edges.reshape(-1, 2):
        kept_x += [x[begin:end + 1], gap]
        kept_y += [y[begin:end + 1], gap]
    return np.concatenate(kept_x), np.concatenate(kept_y)
