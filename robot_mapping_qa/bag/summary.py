# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The figures of an assessment as ``summary.json``."""

from __future__ import annotations

import hashlib
import json
from math import isfinite
from pathlib import Path
from typing import Any, Iterable

from robot_mapping_qa import __version__
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.capture.holds import Hold
from robot_mapping_qa.capture.ledger import VERDICTS
from robot_mapping_qa.configuration import Configuration, Stream

SCHEMA = 1
"""Version of the summary's keys."""

SUMMARY_FILE = 'summary.json'

_FIGURES = (
    'messages', 'rate_hz', 'offset_s', 'offset_sigma_s', 'skew_ppm', 'skew_sigma_ppm',
    'latency_p50_s', 'latency_p95_s', 'latency_p99_s', 'jitter_s', 'lost', 'duplicated',
    'reordered', 'malformed')


def summarize(assessment: Assessment, message_count: int) -> dict[str, Any]:
    """
    Return the content of ``summary.json`` for a finished assessment.

    ``message_count`` is that of all topics of the bag. Times are int ns, everything else SI;
    what is not known is None.
    """
    sets = assessment.sets()
    verdicts = [capture.verdict for capture in assessment.captures]
    return {
        'schema': SCHEMA,
        'bag': {'start_ns': assessment.start_ns, 'end_ns': assessment.end_ns,
                'messages': message_count},
        'streams': {stream.name: _stream(assessment, stream)
                    for stream in assessment.configuration.streams},
        'motion_offset': {
            name: {'value_s': offset.value_s, 'sigma_s': offset.sigma_s,
                   'usable': offset.usable}
            for name, offset in assessment.motion_offsets().items()},
        'sets': {'yield': sets.yield_fraction, 'spread_p95_s': sets.spread_p95_s},
        'pose': assessment.pose.summary(),
        'gate': {
            'held_fraction': held_fraction(
                assessment.holds, assessment.start_ns, assessment.end_ns),
            'holds': [
                {'onset_ns': hold.onset_ns, 'closed_ns': hold.closed_ns,
                 'released_ns': hold.released_ns, 'reasons': list(hold.reasons)}
                for hold in assessment.holds]},
        'captures': {'total': len(verdicts),
                     **{verdict: verdicts.count(verdict) for verdict in VERDICTS}},
        'software': {'robot_mapping_qa': __version__},
        'configuration': {'sha256': fingerprint(assessment.configuration)},
    }


def fingerprint(configuration: Configuration) -> str:
    """Return what tells two configurations apart, defaults and profile included."""
    return hashlib.sha256(repr(configuration).encode()).hexdigest()


def held_fraction(holds: Iterable[Hold], start_ns: int, end_ns: int) -> float | None:
    """Return the share of the time in which the gate was held; None for a bag of no length."""
    if end_ns <= start_ns:
        return None
    held_ns = sum(
        (end_ns if hold.released_ns is None else hold.released_ns) - hold.closed_ns
        for hold in holds)
    return held_ns / (end_ns - start_ns)


def _stream(assessment: Assessment, stream: Stream) -> dict[str, Any]:
    figures = assessment.timing.figures(stream.name)
    return {
        'topic': stream.watched_topic,
        **{name: getattr(figures, name) for name in _FIGURES},
        'clock_steps': [{'at_ns': step.at_ns, 'size_s': step.size_s}
                        for step in figures.clock_steps],
        'silences': [{'from_ns': silence.from_ns, 'to_ns': silence.to_ns}
                     for silence in figures.silences],
    }


def write_summary(summary: dict[str, Any], folder: Path) -> None:
    """Write ``summary.json`` into the folder."""
    (folder / SUMMARY_FILE).write_text(
        json.dumps(_known(summary), indent=1, allow_nan=False) + '\n', encoding='utf-8')


def _known(value: Any) -> Any:
    """Return the same with None for what is not a finite number: JSON has no other word for it."""
    if isinstance(value, dict):
        return {key: _known(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_known(item) for item in value]
    return None if isinstance(value, float) and not isfinite(value) else value
