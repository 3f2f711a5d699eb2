# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The offline tool: recorded bags in, the verdict on their captures out."""

from __future__ import annotations

import argparse
from contextlib import suppress
from os.path import expanduser
from pathlib import Path
import signal
import sys
from typing import Callable, Sequence, TYPE_CHECKING

from robot_mapping_qa.bag.words import how_often, without_pictures
from robot_mapping_qa.exit_status import BAD_INPUT, INTERRUPTED, system_error_text

if TYPE_CHECKING:
    from robot_mapping_qa.bag.results import Outcome
    from robot_mapping_qa.bag.several import Result, Task

SOME_FAILED = 1
"""Exit status where of several bags some could not be assessed."""


def verdict_text(outcome: Outcome) -> str:
    """Return the short verdict that is printed at the end."""
    summary = outcome.summary
    captures, holds = summary['captures'], summary['gate']['holds']
    lines = [
        f"captures: {captures['total']}, of which {captures['trusted']} trusted, "
        f"{captures['suspect']} suspect, {captures['held']} taken while held"
        f'{without_pictures(outcome.without_pictures)}']
    fraction = summary['gate']['held_fraction']
    if fraction is not None:
        lines.append(
            f'gate: held {how_often(len(holds))}, {100.0 * fraction:.1f} % of the time')
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
    # The shell leaves the ~ of `--out=~/run` as it is.
    parser = argparse.ArgumentParser(
        prog='assess_bag',
        description='Assess a recorded bag: which captures can be trusted, and where to take '
                    'them again. Reads rosbag2 (MCAP, SQLite3) and rosbag1. Several bags are '
                    'assessed side by side, and compared in one table.')
    parser.add_argument('bags', metavar='BAG', nargs='+', type=expanduser,
                        help='bag folder, or a .mcap, .db3 or .bag file')
    parser.add_argument('--config', required=True, metavar='FILE', type=expanduser,
                        help='the parameter file that the live nodes are started with')
    parser.add_argument('--out', required=True, metavar='DIR', type=expanduser,
                        help='folder for the results; a former result in it is replaced. Each of '
                             'several bags gets a folder of its name in it')
    parser.add_argument('--profile', metavar='NAME', type=expanduser,
                        help='thresholds for an environment: a profile of the package, or a file')
    parser.add_argument('--annotated', metavar='NEW_BAG', type=expanduser,
                        help='also write a new bag that holds everything of BAG and the judgement '
                             'on it; at most about as large as BAG, so it may go to another disk')
    parser.add_argument('--workers', type=_count, metavar='N',
                        help='how many processes to use (default: the cores): of several bags so '
                             'many are assessed at a time, for one a second process reads clouds '
                             'and pictures')
    parser.add_argument('--scheduler', metavar='ADDRESS',
                        help='assess several bags on the workers of a Dask scheduler, such as '
                             'tcp://10.0.0.5:8786, where all paths must be the same as here')
    return parser


def _count(text: str) -> int:
    try:
        value = int(text)
    except ValueError:
        value = 0
    if value < 1:
        raise argparse.ArgumentTypeError(f'found {text!r}, expected a whole number from 1')
    return value


def _run_several(options: argparse.Namespace) -> int:
    from robot_mapping_qa.bag.comparison import COMPARISON_HTML, write_comparison
    from robot_mapping_qa.bag.several import (
        cores, run_here, run_on_cluster, SeveralError, tasks_for)
    from robot_mapping_qa.configuration import ConfigurationError, load_configuration
    from robot_mapping_qa.configuration.profiles import profile_file
    from tqdm import tqdm
    out = Path(options.out)
    results: dict[Task, Result] = {}
    try:
        if options.annotated is not None:
            raise SeveralError('--annotated: found several bags, expected one')
        profile = None if options.profile is None else str(
            Path(profile_file(options.profile)).resolve())
        # Refused once, and not by every bag.
        load_configuration(options.config, profile)
        tasks = tasks_for(options.bags, out, options.config, profile)
        out.mkdir(parents=True, exist_ok=True)
        found = run_here(tasks, options.workers or cores()) if options.scheduler is None \
            else run_on_cluster(tasks, options.scheduler)
        for result in tqdm(found, total=len(tasks), desc='assessing', unit=' bags', leave=False,
                           file=sys.stderr, disable=not sys.stderr.isatty()):
            results[result.task] = result
            if result.reason is not None:
                tqdm.write(f'{result.task.bag}: not assessed: {result.reason}', sys.stderr)
        ordered = [results[task] for task in tasks]
        write_comparison(ordered, out)
    except (ConfigurationError, SeveralError) as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except OSError as error:
        print(system_error_text(error, out), file=sys.stderr)
        return BAD_INPUT
    except KeyboardInterrupt:
        print(_interrupted(list(results.values()), len(options.bags), out), file=sys.stderr)
        return INTERRUPTED
    failed = sum(result.reason is not None for result in ordered)
    print(f'{len(ordered) - failed} of {len(ordered)} bags assessed: {out / COMPARISON_HTML}')
    return SOME_FAILED if failed else 0


def _interrupted(results: Sequence[Result], bags: int, out: Path) -> str:
    """Return what an interrupted run over several bags leaves, and remove a folder of nothing."""
    done = sum(result.reason is None for result in results)
    if done:
        return f'interrupted: {done} of {bags} bags {"was" if done == 1 else "were"} done: {out}'
    with suppress(OSError):
        # Only where it is empty.
        out.rmdir()
    return f'interrupted: none of the {bags} bags was done, nothing was written'


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
        bag, = options.bags
        outcome = assess(bag, configuration, folder, settings,
                         progress=sys.stderr.isatty(), wanted=wanted, workers=options.workers)
        if copy is not None:
            try:
                outcome.warnings.extend(write_annotated(
                    Path(bag), folder / QUALITY_FOLDER, copy,
                    [Attachment(Path(file).name, 'application/yaml', Path(file).read_bytes())
                     for file in settings.values()], progress=sys.stderr.isatty()))
            except KeyboardInterrupt:
                print(f'interrupted: {folder} was written, {copy} was not', file=sys.stderr)
                return INTERRUPTED
            except (RecordingError, OSError) as error:
                print(verdict_text(outcome))
                print(f'{error} (the assessment in {folder} is complete)', file=sys.stderr)
                return BAD_INPUT
    except (BagError, ConfigurationError, OutputError, RecordingError) as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except OSError as error:
        print(system_error_text(error, folder), file=sys.stderr)
        return BAD_INPUT
    for warning in outcome.warnings:
        print(f'warning: {warning}', file=sys.stderr)
    print(verdict_text(outcome))
    if copy is not None:
        print(f'annotated bag: {copy}')
    return 0


def main(arguments: Sequence[str] | None = None) -> int:
    """
    Run the tool and return the exit status.

    0, 1 where of several bags some failed, 2 for bad input, 130 after Ctrl-C or SIGTERM.
    """
    options = _parser().parse_args(arguments)
    asked_to_stop: list[int] = []

    def stop(number: int, _frame: object) -> None:
        # Python drops an exception that is raised while it tidies up an object: keep the wish.
        asked_to_stop.append(number)
        raise KeyboardInterrupt
    former = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        if len(options.bags) > 1 or options.scheduler is not None:
            return _run_several(options)
        return _run(options, wanted=lambda: not asked_to_stop)
    except KeyboardInterrupt:
        print('interrupted: nothing was written', file=sys.stderr)
        return INTERRUPTED
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)


if __name__ == '__main__':
    sys.exit(main())
