# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The tool that proposes thresholds for this robot and environment from a good bag."""

from __future__ import annotations

import argparse
from dataclasses import replace
import os
from os.path import expanduser
from pathlib import Path
import sys
import textwrap
from typing import Iterable, Sequence, TYPE_CHECKING

from robot_mapping_qa.bag.words import how_often
from robot_mapping_qa.exit_status import BAD_INPUT, INTERRUPTED, system_error_text

if TYPE_CHECKING:
    from robot_mapping_qa.bag.assessment import Assessment
    from robot_mapping_qa.bag.proposals import Proposal
    from robot_mapping_qa.bag.run_figures import RunFigures
    from robot_mapping_qa.configuration import Configuration

LEAST_S = 60.0
"""A shorter run shows neither the hiccups of a network nor what the robot does at work."""

LEAST_POSES = 1000
"""From here on one pose in a thousand is a pose."""

LOOK_NS = 1_000_000_000
"""Clocks are looked at once a second: they move by microseconds in that time."""

FAULTS = ('clock_step', 'time_restarted', 'frame_changed')
"""Kinds of events that no threshold may be wide enough to hide."""

LONGEST_SILENCE_S = 2.0
"""A longer silence is no hiccup of a network."""

TOLD = 5
"""So many faults of a run are told one by one."""

WIDTH = 95


class LearningError(ValueError):
    """A bag that nothing can be learned from; the text tells the user why."""


def judged(bag: str, configuration: Configuration) -> tuple[Assessment, RunFigures, list[str]]:
    """
    Assess a bag and collect its figures; also return warnings about the bag.

    Raises `BagError`, and `LearningError` where it is too short.
    """
    from robot_mapping_qa.bag.assessment import Assessment
    from robot_mapping_qa.bag.reading import Recording
    from robot_mapping_qa.bag.run_figures import RunFigures
    from tqdm import tqdm
    # No threshold of theirs is learned, and pictures take most of the time.
    configuration = replace(configuration, check_cameras=False)
    figures = RunFigures(configuration)
    with Recording(bag, configuration.streams) as recording:
        lasts_s = (recording.end_ns - recording.start_ns) * 1e-9
        if lasts_s < LEAST_S:
            raise LearningError(f'{bag}: lasts {lasts_s:.1f} s, expected a good run of at least '
                                f'{LEAST_S:.0f} s to learn from')
        assessment = Assessment(configuration, recording.start_ns)
        look_ns = recording.start_ns + LOOK_NS
        for stream, log_ns, data in tqdm(
                recording.messages(), total=recording.watched_count, desc='learning',
                unit=' messages', unit_scale=True, leave=False, file=sys.stderr,
                disable=not sys.stderr.isatty()):
            assessment.take(stream, log_ns, data)
            figures.take(stream, log_ns, data)
            if log_ns >= look_ns:
                look_ns = log_ns + LOOK_NS
                figures.look_at_clocks(assessment.timing, log_ns)
        assessment.finish(recording.end_ns)
    poses = figures.motion.speeds_mps.count
    if poses < LEAST_POSES:
        raise LearningError(f'{bag}: holds {poses} poses in a row, expected at least '
                            f'{LEAST_POSES} to learn from')
    return assessment, figures, recording.warnings


def faults_in(assessment: Assessment) -> list[str]:
    """Return what went wrong in a run and is no property of robot or site, with its times."""
    found = [(event.onset_ns, event.text) for event in assessment.events
             if event.kind in FAULTS]
    for name, stream in assessment.timing.streams.items():
        for silence in stream.figures().silences:
            lasted_s = (silence.to_ns - silence.from_ns) * 1e-9
            if lasted_s > LONGEST_SILENCE_S:
                found.append((silence.from_ns, f'{name} silent for {lasted_s:.1f} s'))
    return [f'{text} at {(at_ns - assessment.start_ns) * 1e-9:.1f} s'
            for at_ns, text in sorted(found)]


def _some(faults: Sequence[str]) -> str:
    more = len(faults) - TOLD
    return '; '.join(faults[:TOLD]) + (f'; and {more} more' if more > 0 else '')


def hold_lines(assessment: Assessment) -> list[str]:
    """Return a line for each hold but the one that every run starts with."""
    return [f'held at {(hold.closed_ns - assessment.start_ns) * 1e-9:.1f} s: '
            f'{"; ".join(hold.reasons)}' for hold in assessment.holds[1:]]


def profile_text(title: Iterable[str], proposals: Sequence[Proposal]) -> str:
    """Return a profile file: the title, and each threshold below the figure behind it."""
    lines = [line for paragraph in title for line in _comment(paragraph, '')]
    lines += ['/**:', '  ros__parameters:']
    for group in dict.fromkeys(proposal.name.partition('.')[0] for proposal in proposals):
        members = [each for each in proposals if each.name.startswith(f'{group}.')]
        if any(each.value is not None for each in members):
            lines.append(f'    {group}:')
        for each in members:
            key = each.name.partition('.')[2]
            if each.value is None:
                lines += _comment(f'{key}: {each.reason}', ' ' * 6)
            else:
                lines += _comment(each.reason[0].upper() + each.reason[1:], ' ' * 6)
                lines.append(f'      {key}: {float(each.value)!r}')
    return '\n'.join(lines) + '\n'


def _comment(text: str, indent: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=f'{indent}# ',
                         subsequent_indent=f'{indent}# ')


def _title(bag: str, assessment: Assessment) -> list[str]:
    lasts_s = (assessment.end_ns - assessment.start_ns) * 1e-9
    holds = hold_lines(assessment)
    peaks = assessment.point_error.arrays()[1]
    known = peaks[peaks == peaks]
    title = [
        f'Thresholds learned from {Path(bag).name}: {lasts_s / 60.0:.1f} min, '
        f'{assessment.pose.path_length_m:.0f} m. A proposal: read it before you use it, and '
        'learn from a run that you know to be good.']
    if holds:
        title.append(f'With the thresholds used so far the run was held {how_often(len(holds))} '
                     f'after its start: {"; ".join(holds[:3])}{" ..." if len(holds) > 3 else ""}')
    if known.size:
        title.append(
            f'The error of a point on the structure was at most {known.max():.3f} m. '
            'point_error_limit_m and working_distance_m are what the inspection needs: they are '
            'not learned, and stay as in the streams file.')
    return title


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog='learn_profile',
        description='Propose thresholds for a robot and its environment from a recorded run that '
                    'is known to be good, as a profile with the figure behind each value.')
    parser.add_argument('bag', metavar='BAG', type=expanduser,
                        help='bag of the good run, as for assess_bag')
    parser.add_argument('--config', required=True, metavar='FILE', type=expanduser,
                        help='the parameter file that the live nodes are started with')
    parser.add_argument('--out', required=True, metavar='NAME.yaml', type=expanduser,
                        help='the new profile; give it to --profile or to the launch file')
    parser.add_argument('--anyway', action='store_true',
                        help='learn also from a run with faults: a clock that stepped, a stream '
                             f'silent for more than {LONGEST_SILENCE_S:g} s')
    return parser


def _run(options: argparse.Namespace) -> int:
    # Imported here: it takes seconds, in which Ctrl-C must be met as well.
    from robot_mapping_qa.bag.proposals import propose
    from robot_mapping_qa.bag.reading import BagError
    from robot_mapping_qa.configuration import ConfigurationError, load_configuration
    out = Path(options.out)
    try:
        _check_out(out)
        configuration = load_configuration(options.config)
        assessment, figures, warnings = judged(options.bag, configuration)
        faults = faults_in(assessment)
        if faults and not options.anyway:
            raise LearningError(
                f'{options.bag}: not a good run, and thresholds wide enough for it would hide '
                f'such faults: {_some(faults)}. Take another run, or a part without them; '
                '--anyway learns from it all the same')
        warnings += [f'learned from a fault as well: {fault}' for fault in faults]
        proposals = propose(configuration, figures)
        text = profile_text(_title(options.bag, assessment), proposals)
        # Read back before it gets its name: what is left behind is a valid profile.
        scratch = out.with_name(f'.{out.stem}.{os.getpid()}.yaml')
        try:
            scratch.write_text(text, encoding='utf-8')
            learned = load_configuration(options.config, scratch)
            scratch.rename(out)
        finally:
            scratch.unlink(missing_ok=True)
    except (BagError, ConfigurationError, LearningError) as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except OSError as error:
        print(system_error_text(error, out), file=sys.stderr)
        return BAD_INPUT
    for warning in warnings:
        print(f'warning: {warning}', file=sys.stderr)
    print(f'{out}: {sum(each.value is not None for each in proposals)} thresholds')
    again, _, _ = judged(options.bag, learned)
    for name, holds in (('as configured', hold_lines(assessment)),
                        ('with the learned profile', hold_lines(again))):
        print(f'the run {name}: held {how_often(len(holds))} after its start')
        for line in holds:
            print(f'  {line}')
    return 0


def _check_out(out: Path) -> None:
    if out.suffix != '.yaml':
        raise LearningError(f'{out}: expected a name that ends in .yaml')
    if out.exists():
        raise LearningError(f'{out}: exists already, and may have been edited by hand')
    if not out.parent.is_dir():
        raise LearningError(f'{out}: the folder {out.parent} does not exist')


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the tool; return the exit status: 0, 2 for bad input, 130 after Ctrl-C."""
    options = _parser().parse_args(arguments)
    try:
        return _run(options)
    except KeyboardInterrupt:
        print('interrupted', file=sys.stderr)
        return INTERRUPTED


if __name__ == '__main__':
    sys.exit(main())
