# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""One command that shows the main job: a simulated walk with faults, judged live and after."""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path
import shutil
import signal
import sys
import time
from typing import Any, Callable, Sequence

from robot_mapping_qa.bag.assess_bag import main as assess_bag
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.demo.judging import (
    FAULT_MARKS, FaultOutcome, GateHold, judge_faults, unexplained_holds)
from robot_mapping_qa.demo.processes import dds_environment, NodeProcesses
from robot_mapping_qa.exit_status import BAD_INPUT, INTERRUPTED
from robot_mapping_qa.messages.topics import CAPTURE_ALLOWED
from robot_mapping_qa.resources import share_file

CONFIGURATION = 'config/demo_streams.yaml'
MARK = 'demo.json'
"""Stands in the output folder, so that only a former demo is ever replaced."""

DOMAIN = 101
"""A DDS domain of its own: the rig must not be taken for a robot, nor a robot's gate for its."""

MONITORS = ('sync_monitor', 'pose_monitor', 'capture_gate')

PAGE_PORT = 8642

START_S = 30.0
"""How long the nodes may take to come up on a slow machine."""

DISCOVERY_S = 3.0
"""Nodes need so long to find each other: the rig waits before its first message, and another gate
is looked for."""

END_MARGIN_NS = 1_000_000_000
"""What happens in the last second of the rig is not looked at."""

LONGEST_RUN_S = 600.0
"""A rig that plays for longer than this is stuck."""

_S = 1_000_000_000


class DemoError(RuntimeError):
    """The demo could not be run; the text says why."""


def _arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog='demo', description=__doc__)
    parser.add_argument('--out', type=Path, default=Path('demo_output'),
                        help='folder for bag, ledger, report and logs (default: %(default)s)')
    parser.add_argument('--scenario', default='demo',
                        help='scenario of the rig, by name or file (default: %(default)s)')
    parser.add_argument('--seed', type=int, default=1, help='seed of the rig (default: 1)')
    parser.add_argument('--page', action='store_true',
                        help=f'serve the page of the site on port {PAGE_PORT} meanwhile')
    return parser.parse_args(arguments)


def _prepare(out: Path) -> None:
    if out.exists():
        if not (out / MARK).is_file():
            raise DemoError(f'{out} exists and is not the output of a demo: name another folder '
                            'with --out')
        shutil.rmtree(out)
    (out / 'logs').mkdir(parents=True)
    (out / MARK).write_text('{}\n')


class LiveRun:
    """A rig and the monitors as processes over DDS, seen by one more process."""

    def __init__(self, out: Path, scenario: str, seed: int, configuration: Path,
                 say: Callable[[str], None], page: bool = False) -> None:
        """Keep what to run and where; ``say`` gets a line for a person."""
        self.out = out
        self.scenario = scenario
        self.seed = seed
        self.configuration = configuration
        self.say = say
        self.page = page
        self.start_ns = 0
        self.holds: list[GateHold] = []
        self.truth: dict[str, Any] = {}
        self.end_ns = 0

    def run(self, domain: int) -> None:
        """
        Run the scenario to its end.

        Raises `DemoError` where a process ends before its time or with a bad status.
        """
        environment = dds_environment(domain)
        # The watcher lives in this process: give its middleware the same surroundings.
        os.environ.update({key: value for key, value in environment.items()
                           if key.startswith(('ROS_', 'FAST'))})
        import rclpy
        from rclpy.executors import SingleThreadedExecutor
        from robot_mapping_qa.demo.watcher import GateWatcher

        context = rclpy.Context()
        rclpy.init(context=context, domain_id=domain)
        executor = SingleThreadedExecutor(context=context)
        watcher = GateWatcher(context, self._told)
        executor.add_node(watcher)
        try:
            deadline = time.monotonic() + DISCOVERY_S
            while time.monotonic() < deadline:
                executor.spin_once(timeout_sec=0.1)
                if watcher.count_publishers(CAPTURE_ALLOWED.name):
                    raise DemoError(
                        f'another gate is running in DDS domain {domain}: end it first')
            with NodeProcesses(self.out / 'logs', environment) as nodes:
                self._start(nodes, lambda: executor.spin_once(timeout_sec=0.1),
                            watcher.present)
                deadline = time.monotonic() + LONGEST_RUN_S
                while 'rig' not in nodes.ended():
                    executor.spin_once(timeout_sec=0.1)
                    self._check(nodes)
                    if time.monotonic() > deadline:
                        raise DemoError(f'the rig did not end within {LONGEST_RUN_S:.0f} s')
                statuses = nodes.stop()
                bad = {node: status for node, status in statuses.items() if status != 0}
                if bad:
                    node, status = next(iter(bad.items()))
                    raise DemoError(f'{node} ended with status {status}:\n{nodes.log(node)}')
        finally:
            executor.shutdown(timeout_sec=1.0)
            watcher.destroy_node()
            rclpy.shutdown(context=context)
        self.holds = watcher.holds
        self.truth = json.loads((self.out / 'truth.json').read_text())
        # The last message of a stream comes a period and a delay before the end or after it.
        self.end_ns = self.truth['end_ns'] - END_MARGIN_NS

    def _start(self, nodes: NodeProcesses, spin: Callable[[], None],
               present: Callable[[], set[str]]) -> None:
        files = (self.configuration,)
        nodes.start('quality_log', f'bag:={self.out / "bag"}', parameter_files=files)
        for node in MONITORS:
            nodes.start(node, parameter_files=files)
        if self.page:
            nodes.start('site_page', f'port:={PAGE_PORT}', parameter_files=files)
            self.say(f'look at http://127.0.0.1:{PAGE_PORT}/')
        deadline = time.monotonic() + START_S
        # All of them, or one that comes late would miss the rig's first messages.
        wanted = {'quality_log', *MONITORS, *(['site_page'] * self.page)}
        while missing := wanted - present():
            if time.monotonic() > deadline:
                raise DemoError(''.join(
                    f'no word from {node} for {START_S:.0f} s:\n{nodes.log(node)}'
                    for node in sorted(missing)))
            spin()
            self._check(nodes)
        self.start_ns = time.time_ns()
        nodes.start('rig', f'scenario:={self.scenario}', f'seed:={self.seed}',
                    f'start_delay_s:={DISCOVERY_S}',
                    f'truth_file:={self.out / "truth.json"}')

    def _check(self, nodes: NodeProcesses) -> None:
        for node, status in nodes.ended().items():
            if node != 'rig' or status != 0:
                raise DemoError(f'{node} ended early with status {status}:\n{nodes.log(node)}')

    def _told(self, time_ns: int, allowed: bool, text: str) -> None:
        seconds = (time_ns - self.start_ns) / _S if self.start_ns else 0.0
        self.say(f'{seconds:6.1f} s  {"OPEN" if allowed else "HELD"}'
                 + ('' if allowed else f'  {text}'))


def first_opening_ns(holds: Sequence[GateHold]) -> int | None:
    """Return when the gate opened for the first time, None where it never did."""
    return next((hold.opened_ns for hold in holds if hold.opened_ns), None)


def fault_table(outcomes: Sequence[FaultOutcome], start_ns: int) -> list[str]:
    """Return a line a fault: when injected, when the gate closed, why, when it opened again."""
    lines = [f'{"fault":34} {"injected":>10} {"closed":>9} {"opened":>10}  reason']
    for outcome in outcomes:
        injected_s = (outcome.first_message_ns - start_ns) / _S
        closed = '-' if outcome.closed_after_s is None else f'+{outcome.closed_after_s:.3f} s'
        opened = ('-' if outcome.opened_after_s is None else
                  f'{(outcome.over_ns - start_ns) / _S + outcome.opened_after_s:.1f} s')
        lines.append(f'{outcome.kind + " of " + outcome.sensor:34} {injected_s:8.1f} s '
                     f'{closed:>9} {opened:>10}  {outcome.problem or outcome.reason}')
    return lines


def hold_differences(holds: Sequence[GateHold], offline: Sequence[dict], end_ns: int,
                     within_s: float = 0.1) -> list[str]:
    """
    Return in words where the holds seen live and those of `assess_bag` differ.

    Holds that begin after ``end_ns``, when the rig stopped sending, depend on when each process
    was ended and are left out.
    """
    live = [(h.closed_ns, h.opened_ns) for h in holds if h.closed_ns < end_ns]
    again = [(h['closed_ns'], h['released_ns']) for h in offline if h['closed_ns'] < end_ns]
    if len(live) != len(again):
        return [f'{len(live)} holds live, {len(again)} offline']
    differences = []
    for number, (seen, found) in enumerate(zip(live, again), start=1):
        for what, one, other in zip(('closed', 'opened'), seen, found):
            # The gate was held before anything was recorded.
            if (number == 1 and what == 'closed') or (one is None and other is None):
                continue
            if one is None or other is None or abs(one - other) / _S > within_s:
                apart = 'never' if None in (one, other) else f'{(other - one) / _S:+.3f} s'
                differences.append(f'hold {number} {what}: offline against live {apart}')
    return differences


def _report(live: LiveRun, out: Path, off_delay_s: float) -> list[str]:
    """Print what happened and return the problems."""
    faults = live.truth['faults']
    outcomes = judge_faults(faults, live.holds, off_delay_s)
    others = [f'{fault["kind"]} of {fault["sensor"]}' for fault in faults
              if fault['kind'] not in FAULT_MARKS]
    print('\nEach injected fault and what the gate did:')
    print('\n'.join(fault_table(outcomes, live.start_ns)))
    if others:
        print(f'Not listed, as the gate need not close for it: {", ".join(others)}')
    problems = [f'{o.kind} of {o.sensor}: {o.problem}' for o in outcomes if o.problem]
    settled_ns = first_opening_ns(live.holds)
    if settled_ns is None:
        problems.append('the gate never opened')
    else:
        problems += [
            f'held at {(hold.closed_ns - live.start_ns) / _S:.1f} s without a fault: '
            + '; '.join(hold.reasons.values())
            for hold in unexplained_holds(faults, live.holds, settled_ns, live.end_ns)]
    print('\nThe recorded bag, assessed afterwards:', flush=True)
    status = assess_bag([str(out / 'bag'), '--config', str(live.configuration),
                         '--out', str(out / 'assessment')])
    if status != 0:
        return [*problems, f'assess_bag ended with status {status}']
    summary = json.loads((out / 'assessment' / 'summary.json').read_text())
    differences = hold_differences(
        live.holds, summary['gate']['holds'], live.end_ns)
    if not differences:
        print('Its holds are those of the live run, within 0.1 s.')
    return problems + differences


def main(arguments: Sequence[str] | None = None) -> int:
    """
    Run the demo and return the exit status.

    1 where a fault was missed, the gate was held without one, or the recorded bag tells another
    story than the live run; 2 where the demo cannot run.
    """
    options = _arguments(arguments)
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.default_int_handler)
    configuration = share_file(CONFIGURATION)
    try:
        _prepare(options.out)
        print(f'A walk of about a minute with faults; everything goes to {options.out}/\n'
              f'(to look on from another terminal: ROS_DOMAIN_ID={DOMAIN})', flush=True)
        live = LiveRun(options.out, options.scenario, options.seed, configuration,
                       lambda line: print(line, flush=True), options.page)
        live.run(DOMAIN)
        problems = _report(live, options.out,
                           load_configuration(configuration).gate.off_delay_s)
    except (DemoError, OSError) as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except KeyboardInterrupt:
        print('interrupted', file=sys.stderr)
        return INTERRUPTED
    print(f'\nBag: {options.out}/bag   Report: {options.out}/assessment/report.html')
    if problems:
        print('NOT AS IT SHOULD BE:\n  ' + '\n  '.join(problems))
        return 1
    print('Every fault was found, and there was no hold without one.')
    return 0


if __name__ == '__main__':
    sys.exit(main())
