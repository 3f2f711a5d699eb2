# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The offline tool: a recorded bag in, the verdict on its captures out."""

from __future__ import annotations

import argparse
from pathlib import Path
import signal
import sys
from typing import Callable, Sequence, TYPE_CHECKING

if TYPE_CHECKING:
    from robot_mapping_qa.bag.results import Outcome

BAD_INPUT = 2
"""Exit status where the user's input was refused."""

INTERRUPTED = 130
"""Exit status after Ctrl-C, as shells have it: 128 and the number of the signal."""


def verdict_text(outcome: Outcome) -> str:
    """Return the short verdict that is printed at the end."""
    summary = outcome.summary
    captures, holds = summary['captures'], summary['gate']['holds']
    lines = [
        f"captures: {captures['total']}, of which {captures['trusted']} trusted, "
        f"{captures['suspect']} suspect, {captures['held']} taken while held"]
    fraction = summary['gate']['held_fraction']
    if fraction is not None:
        lines.append(f'gate: held {len(holds)} times, {100.0 * fraction:.1f} % of the time')
    start_ns = summary['bag']['start_ns']
    for hold in holds:
        begin = (hold['closed_ns'] - start_ns) * 1e-9
        end = ('the end' if hold['released_ns'] is None
               else f"{(hold['released_ns'] - start_ns) * 1e-9:.1f} s")
        lines.append(f"  {begin:.1f} s to {end}: {'; '.join(hold['reasons'])}")
    lines.append(f'places to visit again: {len(outcome.redo)}')
    lines.append(f'report: {outcome.report}')
    return '\n'.join(lines)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog='assess_bag',
        description='Assess a recorded bag: which captures can be trusted, and where to take '
                    'them again. Reads rosbag2 (MCAP, SQLite3) and rosbag1.')
    parser.add_argument('bag', metavar='BAG', help='bag folder, or a .mcap, .db3 or .bag file')
    parser.add_argument('--config', required=True, metavar='FILE',
                        help='the parameter file that the live nodes are started with')
    parser.add_argument('--out', required=True, metavar='DIR',
                        help='folder for the results; a former result in it is replaced')
    parser.add_argument('--profile', metavar='NAME',
                        help='thresholds for an environment: a profile of the package, or a file')
    parser.add_argument('--annotated', metavar='NEW_BAG',
                        help='also write a new bag that holds everything of BAG and the judgement '
                             'on it; as large as BAG, so it may go to another disk')
    return parser


def _run(options: argparse.Namespace, wanted: Callable[[], bool]) -> int:
    # Imported here: it takes seconds, in which Ctrl-C must be met as well.
    from robot_mapping_qa.bag.annotated import check_free, write_annotated
    from robot_mapping_qa.bag.mcap_file import Attachment
    from robot_mapping_qa.bag.quality_bag import QUALITY_FOLDER
    from robot_mapping_qa.bag.reading import BagError
    from robot_mapping_qa.bag.recorder import RecordingError
    from robot_mapping_qa.bag.results import assess, OutputError
    from robot_mapping_qa.configuration import ConfigurationError, load_configuration
    from robot_mapping_qa.configuration.profiles import profile_file
    folder = Path(options.out)
    copy = None if options.annotated is None else Path(options.annotated)
    try:
        if copy is not None:
            check_free(copy)
        profile = None if options.profile is None else profile_file(options.profile)
        configuration = load_configuration(options.config, profile)
        settings = {'Configuration': options.config}
        if profile is not None:
            settings['Profile'] = str(profile)
        outcome = assess(options.bag, configuration, folder, settings,
                         progress=sys.stderr.isatty(), wanted=wanted)
        if copy is not None:
            try:
                outcome.warnings.extend(write_annotated(
                    Path(options.bag), folder / QUALITY_FOLDER, copy,
                    [Attachment(Path(file).name, 'application/yaml', Path(file).read_bytes())
                     for file in settings.values()], progress=sys.stderr.isatty()))
            except KeyboardInterrupt:
                print(f'interrupted: {folder} was written, {copy} was not', file=sys.stderr)
                return INTERRUPTED
    except (BagError, ConfigurationError, OutputError, RecordingError) as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except OSError as error:
        # An error of the system names its file apart from what is wrong, one of ours does not.
        print(f'{error.filename or folder}: {error.strerror}' if error.strerror else error,
              file=sys.stderr)
        return BAD_INPUT
    for warning in outcome.warnings:
        print(f'warning: {warning}', file=sys.stderr)
    print(verdict_text(outcome))
    if copy is not None:
        print(f'annotated bag: {copy}')
    return 0


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the tool; return the exit status: 0, 2 for bad input, 130 after Ctrl-C."""
    options = _parser().parse_args(arguments)
    asked_to_stop: list[int] = []

    def stop(number: int, _frame: object) -> None:
        # Python drops an exception that is raised while it tidies up an object: keep the wish.
        asked_to_stop.append(number)
        raise KeyboardInterrupt
    former = signal.signal(signal.SIGINT, stop)
    try:
        return _run(options, wanted=lambda: not asked_to_stop)
    except KeyboardInterrupt:
        print('interrupted: nothing was written', file=sys.stderr)
        return INTERRUPTED
    finally:
        signal.signal(signal.SIGINT, former)


if __name__ == '__main__':
    sys.exit(main())
