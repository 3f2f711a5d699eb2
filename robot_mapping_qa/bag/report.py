# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The report: one page for an inspector, complete in itself, made from an assessment."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Any, Iterable, Mapping, Sequence

import jinja2
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.bag.clock_figures import (
    latency_svg, offsets_svg, stability_svg, traced_offsets)
from robot_mapping_qa.bag.pose_figures import budget_rows, budget_svg, PART_WORDS, pose_svg
from robot_mapping_qa.bag.report_data import page_data
from robot_mapping_qa.bag.report_figures import plan_svg, timeline_svg
from robot_mapping_qa.bag.trust import STYLES
from robot_mapping_qa.bag.words import without_pictures
from robot_mapping_qa.capture.redo import RedoPlace
from robot_mapping_qa.configuration import Configuration
from robot_mapping_qa.configuration.validation import GROUPS
from robot_mapping_qa.settings import settings_of
from robot_mapping_qa.timing.comparison import offset_sentence
from robot_mapping_qa.timing.cross_check import CrossCheck
from robot_mapping_qa.timing.sets import apart_sentences
from robot_mapping_qa.verdicts import Event

REPORT_FILE = 'report.html'

EVENTS_SHOWN = 200
"""More than that nobody reads on a page; the annotated bag has them all."""

HOLDS_SHOWN = 400
"""As above; ``summary.json`` has them all."""

_IN_ITS_PLACE = frozenset(('hold', 'release', 'suspect'))
_UNKNOWN = '–'


def write_report(folder: Path, assessment: Assessment, summary: Mapping[str, Any],
                 places: Sequence[RedoPlace], warnings: Iterable[str],
                 sources: Mapping[str, str], gate_recorded: bool = True) -> None:
    """
    Write ``report.html`` into the folder.

    ``warnings`` are sentences about the bag itself, ``sources`` names the files that the
    assessment was made from; ``gate_recorded`` says whether a gate was running at that time.
    """
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader('robot_mapping_qa.bag', '.'), autoescape=True,
        undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters.update(
        figure=figure, milliseconds=lambda value: figure(value, 1e3, 2))
    start_ns = assessment.start_ns
    checks = assessment.cross_checks()
    offsets = traced_offsets(assessment)
    budget = budget_rows(assessment.captures)
    sets = assessment.sets()
    page = environment.get_template('report_template.html').render(
        summary=summary, captures=summary['captures'],
        verdict=_verdict(summary, places, assessment.without_pictures),
        clock=lambda time_ns: clock(time_ns, start_ns), span=span, styles=STYLES,
        places=places, holds=assessment.holds[:HOLDS_SHOWN],
        holds_left_out=max(0, len(assessment.holds) - HOLDS_SHOWN),
        gate_recorded=gate_recorded, warnings=list(warnings), sources=sources,
        duration=span(start_ns, assessment.end_ns),
        events=_events(assessment.events), events_left_out=max(
            0, _count(assessment.events) - EVENTS_SHOWN),
        checks=checks, sentences=_offset_sentences(assessment, checks),
        sets=sets, set_streams=assessment.set_streams, set_queue=assessment.set_queue,
        sets_apart=apart_sentences([stream.name for stream in assessment.set_streams], sets),
        configuration=assessment.configuration, thresholds=_thresholds(assessment.configuration),
        timeline=_markup(timeline_svg(assessment, summary)),
        plan=_markup(plan_svg(assessment, places)), end_ns=assessment.end_ns,
        clocks=_markup(offsets_svg(assessment, offsets)),
        stability=_markup(stability_svg(assessment)), latency=_markup(latency_svg(assessment)),
        pose=_markup(pose_svg(assessment)), budget=budget, budget_figure=_markup(
            budget_svg(budget)), part_words=PART_WORDS,
        data=_markup(page_data(assessment, places, offsets)), script=_markup(_script()))
    (folder / REPORT_FILE).write_text(page, encoding='utf-8')


def _script() -> str:
    return resources.files('robot_mapping_qa.bag').joinpath('report_script.js').read_text(
        encoding='utf-8')


def _markup(svg: str | None) -> Any:
    return None if svg is None else jinja2.utils.markupsafe.Markup(svg)


def _offset_sentences(assessment: Assessment, checks: Mapping[str, CrossCheck]) -> list[str]:
    """Return for each stream where its stamps lie and what that costs at the turns driven."""
    sentences = (
        offset_sentence(name, stream.figures(), assessment.motion.peak_turn_rate.radps,
                        assessment.configuration.working_distance_m, checks.get(name))
        for name, stream in assessment.timing.streams.items())
    return [sentence for sentence in sentences if sentence is not None]


def figure(value: float | None, scale: float = 1.0, digits: int = 2) -> str:
    """Return a figure with fixed digits; a dash where it is unknown."""
    if value is None:
        return _UNKNOWN
    text = f'{value * scale:.{digits}f}'
    # A minus in front of nothing but zeros says nothing.
    return text.replace('-', '−') if float(text) else text.lstrip('-')


def clock(time_ns: int, start_ns: int) -> str:
    """Return a time since the start of the recording as minutes and seconds."""
    tenths = round((time_ns - start_ns) / 1e8)
    sign, tenths = ('−', -tenths) if tenths < 0 else ('', tenths)
    minutes, tenths = divmod(tenths, 600)
    return f'{sign}{minutes}:{tenths // 10:02d}.{tenths % 10}'


def span(from_ns: int, to_ns: int) -> str:
    """Return a duration in words."""
    seconds = (to_ns - from_ns) * 1e-9
    if seconds < 99.95:
        return f'{seconds:.1f} s'
    return f'{seconds / 60.0:.1f} min' if seconds < 7200.0 else f'{seconds / 3600.0:.1f} h'


def _verdict(summary: Mapping[str, Any], places: Sequence[RedoPlace],
             missing: Sequence[str]) -> tuple[str, str]:
    """Return the verdict in a headline and a sentence that says what to do."""
    captures = summary['captures']
    total, trusted = captures['total'], captures['trusted']
    if not total:
        return ('No captures to judge',
                'The recording holds no pictures of a capture stream. The timeline shows when the '
                'gate was held, and why.')
    if trusted == total:
        return ('All captures can be trusted' + without_pictures(missing),
                'Nothing has to be taken again.')
    headline = f'{trusted} of {total} captures can be trusted{without_pictures(missing)}'
    if not places:
        return (headline, 'The others were made up for: the robot took a trusted capture from the '
                'same place later.')
    number = 'one place' if len(places) == 1 else f'{len(places)} places'
    return (headline, f'Go back to {number} and take the captures there again.')


def _count(events: Iterable[Event]) -> int:
    return sum(event.kind not in _IN_ITS_PLACE for event in events)


def _events(events: Iterable[Event]) -> list[Event]:
    """Return the first events that the table of holds does not show anyway, by onset."""
    shown = [event for event in events if event.kind not in _IN_ITS_PLACE][:EVENTS_SHOWN]
    return sorted(shown, key=lambda event: event.onset_ns)


def _thresholds(configuration: Configuration) -> list[tuple[str, float, str]]:
    """Return name, value and meaning of every threshold."""
    return [
        (f'{name}.{item.name}', getattr(getattr(configuration, name), item.name),
         item.metadata['text'])
        for name, limits in GROUPS.items() for item in settings_of(limits)]
