# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The report's pictures of clocks: offsets over time, their stability, and latency.

Streams are told apart by their rows, or by colour, dashes and their names.
"""

from __future__ import annotations

from typing import Mapping

import numpy as np
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.bag.chart import (
    Axis, band, bottom_axis, chart, COLOURS, DASHES, DIAMOND, FAINT, FOOT_PX, GRID, INK, left_axis,
    legend, lens, line, mark, polyline, RIGHT, SOFT, text, title)
from robot_mapping_qa.bag.report_figures import LEFT, time_axis
from robot_mapping_qa.bag.traces import OffsetTrace
from robot_mapping_qa.timing.clock_series import ClockSeries
from robot_mapping_qa.timing.figures import StreamFigures
from robot_mapping_qa.timing.quantiles import DelayHistogram
from robot_mapping_qa.timing.stability import mtie, regular_series, StabilityCurve, tdev

_BAND = '#b9cddb'
_MOST_POINTS = 600
FAR_S = 10.0
"""Beyond this an offset is that of another epoch: only its change is drawn."""

_WIDE = 20.0
"""From this ratio of the largest latency to the smallest a logarithmic axis shows more."""

_LEAST_SPAN_MS = 1.0
_LEAST_TERMS = 2
_ROW_PX = 96
_PANEL_PX = 200.0

_SHARES = (0.05, 0.25, 0.5, 0.75, 0.95, 0.99)

Traced = tuple[np.ndarray, np.ndarray, np.ndarray]


def traced_offsets(assessment: Assessment) -> dict[str, Traced]:
    """Return times (ns), offsets and sigmas (s) by stream, not too many, where there are any."""
    found = {}
    for name, stream in assessment.timing.streams.items():
        trace = _traced(assessment.offsets[name], stream.clock_series(), stream.figures())
        if trace is not None:
            found[name] = trace
    return found


def offsets_svg(assessment: Assessment, traces: Mapping[str, Traced]) -> str | None:
    """Return the offset of every clock over time with its 2 sigma band and steps."""
    if not traces:
        return None
    at, axis, label = time_axis(assessment.start_ns, assessment.end_ns)
    top, bottom = 12.0, 12.0 + _ROW_PX * len(traces)
    parts, drawn, marks, titles = [], [], [], []
    for row, (name, (times, values, sigmas)) in enumerate(traces.items()):
        y = top + _ROW_PX * row
        middle_s = float(np.median(values))
        far = abs(middle_s) > FAR_S
        values_ms, sigmas_ms = 1e3 * (values - (middle_s if far else 0.0)), 1e3 * sigmas
        scale = Axis(*_limits(values_ms, sigmas_ms), y + _ROW_PX - 10, y + 6)
        across = axis.at(at(times))
        steps = assessment.timing.streams[name].figures().clock_steps
        low, high = (np.clip(scale.at(values_ms + sign * 2.0 * sigmas_ms), scale.end, scale.begin)
                     for sign in (-1.0, 1.0))
        drawn += [band(across, low, high, _BAND),
                  polyline(*_broken(across, scale.at(values_ms),
                                    [axis.at(at(step.at_ns)) for step in steps]), COLOURS[0])]
        parts.append(left_axis(scale, LEFT, RIGHT, 3))
        titles.append(title(LEFT + 8, y + 24, name, f': change from {middle_s:.6g} s (ms)'
                            if far else '(ms)'))
        for step in steps:
            marks.append(mark(axis.at(at(step.at_ns)), y + 6, at(step.at_ns), 0.0,
                              line(0, 0, 0, _ROW_PX - 16, INK, 0.8, '2 2') + DIAMOND))
    return chart('offsets time', bottom + FOOT_PX, 'Clock offset of each stream over time', axis, [
        *parts, bottom_axis(axis, bottom, top, label),
        lens(LEFT, top, RIGHT - LEFT, bottom - top, drawn), *titles, *marks])


def _traced(trace: OffsetTrace, series: ClockSeries, figures: StreamFigures) -> Traced | None:
    """Return times, offsets and sigmas without gaps, not too many, on the scale of the table."""
    times, values, sigmas = trace.arrays()
    known = np.isfinite(values)
    if known.sum() < 2 or figures.offset_s is None:
        return None
    times, values, sigmas = times[known], values[known], sigmas[known]
    # The table's offset holds the smallest delay of the whole run, the trace that of the start.
    newest_ns = int(series.arrays()[0][-1])
    values = values + (figures.offset_s - float(np.interp(newest_ns, times, values)))
    every = -(-len(times) // _MOST_POINTS)
    return times[::every], values[::every], sigmas[::every]


def _broken(x: np.ndarray, values: np.ndarray,
            steps: list[float]) -> tuple[np.ndarray, np.ndarray]:
    """Return a line with a break at every step: a clock jumps, it does not run over there."""
    places = np.searchsorted(x, steps)
    return np.insert(x, places, np.nan), np.insert(values, places, np.nan)


def _limits(values: np.ndarray, sigmas: np.ndarray) -> tuple[float, float]:
    """Return limits that show the line; an early, wide band must not press it flat."""
    room = 3.0 * float(np.median(sigmas))
    low, high = float(values.min()) - room, float(values.max()) + room
    lacking = max(0.0, _LEAST_SPAN_MS - (high - low))
    margin = 0.5 * lacking + 0.06 * (high - low)
    return low - margin, high + margin


def stability_svg(assessment: Assessment) -> str | None:
    """Return TDEV and MTIE of every stream's offset over the observation interval."""
    curves = {}
    for name, stream in assessment.timing.streams.items():
        found = _curves(stream.clock_series())
        if found is not None:
            curves[name] = found
    if not curves:
        return None
    key = [(line(0, 0, 26, 0, COLOURS[count % len(COLOURS)], 2.0, DASHES[count % len(DASHES)]),
            name) for count, name in enumerate(curves)]
    parts, bottom = [], 0.0
    for place, name in enumerate(('TDEV: wander of the offset (ms)',
                                  'MTIE: largest change of the offset (ms)')):
        top = 36.0 + place * (_PANEL_PX + FOOT_PX + 40.0)
        bottom = top + _PANEL_PX
        parts += _panel({stream: pair[place] for stream, pair in curves.items()}, name,
                        (110.0, RIGHT, top, bottom))
    return legend(key) + chart('stability still', bottom + FOOT_PX, 'TDEV and MTIE of each stream '
                               'over tau', Axis(0.0, 1.0, 0.0, 1.0), parts)


def _curves(series: ClockSeries) -> tuple[StabilityCurve, StabilityCurve] | None:
    times, offsets = series.arrays()
    if len(times) < 2:
        return None
    regular = regular_series(times, offsets, series.block_ns)
    return tdev(regular), mtie(regular)


def _panel(curves: Mapping[str, StabilityCurve], name: str,
           place: tuple[float, float, float, float]) -> list[str]:
    begin, end, top, bottom = place
    shown = {stream: (curve.value_s > 0.0) & (curve.terms >= _LEAST_TERMS)
             for stream, curve in curves.items()}
    parts = [text(begin, top - 12, name, size=13)]
    if not any(mask.any() for mask in shown.values()):
        return [*parts, text(0.5 * (begin + end), 0.5 * (top + bottom), 'none found', 'middle')]
    tau = np.concatenate([curve.tau_s[shown[stream]] for stream, curve in curves.items()])
    value = 1e3 * np.concatenate([curve.value_s[shown[stream]]
                                  for stream, curve in curves.items()])
    x, y = _log_axis(tau, begin, end), _log_axis(value, bottom, top)
    parts += [left_axis(y, begin, end, 6),
              bottom_axis(x, bottom, top, 'observation interval τ (s)', 7)]
    for count, (stream, curve) in enumerate(curves.items()):
        mask = shown[stream]
        across, down = x.at(curve.tau_s[mask]), y.at(1e3 * curve.value_s[mask])
        colour = COLOURS[count % len(COLOURS)]
        parts.append(polyline(across, down, colour, 1.8, DASHES[count % len(DASHES)]))
        parts += [f'<circle cx="{one:.1f}" cy="{other:.1f}" r="2.6" fill="{colour}"/>'
                  for one, other in zip(across.tolist(), down.tolist())]
    return parts


def _log_axis(values: np.ndarray, begin: float, end: float) -> Axis:
    low, high = float(values.min()), float(values.max())
    return Axis(low / 1.25, max(high * 1.25, low * 4.0), begin, end, logarithmic=True)


def latency_svg(assessment: Assessment) -> str | None:
    """Return how the latencies of every stream are distributed."""
    rows = {name: _quantiles(assessment.timing.streams[name].delays.latency)
            for name, stream in assessment.timing.streams.items()
            if stream.figures().latency_p50_s is not None}
    if not rows:
        return None
    near = [row for row in rows.values() if max(map(abs, row)) <= FAR_S]
    top, bottom = 8.0, 8.0 + 36.0 * len(rows)
    x = _latency_axis(near)
    key = [
        (f'<rect y="-6" width="26" height="12" fill="{COLOURS[5]}"/>', 'the middle half'),
        (line(13, -8, 13, 8, INK, 2.2), 'p50'), (line(0, 0, 26, 0, SOFT, 2.0), '5 to 95 %'),
        (_marked(COLOURS[4], 's'), 'p95'), (_marked(COLOURS[1], 'd'), 'p99')]
    parts = [bottom_axis(x, bottom, top, 'receive time minus stamp (ms)', 9)]
    if not x.logarithmic and x.low < 0.0 < x.high:
        parts.append(line(x.at(0.0), top, x.at(0.0), bottom, INK, 1.0))
    for row, (name, values) in enumerate(rows.items()):
        y = top + 36.0 * row + 18.0
        parts += [text(LEFT - 12, y + 4, name, 'end', 12.5),
                  line(LEFT, y + 18, RIGHT, y + 18, GRID)]
        if max(map(abs, values)) > FAR_S:
            parts.append(text(LEFT + 6, y + 4, f'p50 {values[2]:.6g} s: its clock shows another '
                              'time than the host', size=12, font_style='italic'))
            continue
        p5, p25, p50, p75, p95, p99 = (x.at(1e3 * value) for value in values)
        parts += [line(p5, y, p95, y, SOFT, 2.0), line(p95, y, p99, y, FAINT, 1.0, '3 3'),
                  f'<rect x="{p25:.1f}" y="{y - 6}" width="{max(p75 - p25, 1.5):.1f}" '
                  f'height="12" fill="{COLOURS[5]}"/>', line(p50, y - 9, p50, y + 9, INK, 2.2),
                  f'<g transform="translate({p95 - 13:.1f} {y})">{_marked(COLOURS[4], "s")}</g>',
                  f'<g transform="translate({p99 - 13:.1f} {y})">{_marked(COLOURS[1], "d")}</g>']
    return legend(key) + chart('latency still', bottom + FOOT_PX, 'Latency of each stream: how it '
                               'is distributed', x, parts)


def _quantiles(histogram: DelayHistogram) -> tuple[float, ...]:
    return tuple(value for value in histogram.quantiles(*_SHARES) if value is not None)


def _latency_axis(rows: list[tuple[float, ...]]) -> Axis:
    low = min((row[0] for row in rows), default=0.0)
    high = max((row[-1] for row in rows), default=1e-3)
    if low > 0.0 and high > _WIDE * low:
        return Axis(1e3 * low / 1.3, 1e3 * high * 1.3, LEFT, RIGHT, logarithmic=True)
    low = min(low, 0.0)
    room = max(0.06 * (high - low), 5e-4)
    return Axis(1e3 * (low - room), 1e3 * (high + room), LEFT, RIGHT)


def _marked(colour: str, shape: str) -> str:
    """Return a square or a diamond in the middle of a legend's symbol."""
    turn = ' rotate(45)' if shape == 'd' else ''
    return (f'<rect x="-4.5" y="-4.5" width="9" height="9" fill="{colour}" stroke="{INK}" '
            f'stroke-width="0.8" transform="translate(13 0){turn}"/>')
