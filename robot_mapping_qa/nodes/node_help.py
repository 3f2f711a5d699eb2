# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What each node does and which parameters of its own it takes: the answer to --help."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Mapping


@dataclass(frozen=True, slots=True)
class NodeHelp:
    """
    What one node does, and its own parameters, each in one line.

    ``reads_streams`` says whether it needs the parameter file that names the streams.
    """

    does: str
    own: Mapping[str, str] = field(default_factory=dict)
    reads_streams: bool = True
    note: str = ''


NODES: Mapping[str, NodeHelp] = {
    'sync_monitor': NodeHelp("Watches every stream's clock, delay and regularity."),
    'pose_monitor': NodeHelp(
        "Judges the mapping unit's pose, its reported covariance and the error on the structure."),
    'camera_monitor': NodeHelp(
        'Looks at samples of the pictures, and at motion that needs a camera.',
        note='Needs check_cameras: true in FILE.'),
    'capture_gate': NodeHelp('Says whether inspection pictures may be taken now.', {
        'hold_reason': 'the reason that is given for a hold by hand',
        'needs_recording': 'true holds the gate while the recorder is not well (false)'}),
    'monitor': NodeHelp(
        'Runs sync_monitor, pose_monitor and capture_gate in one process.',
        note='Parameters of the gate are given to it alone, as in '
             '-p capture_gate:needs_recording:=true.'),
    'capture_relay': NodeHelp(
        'Passes pictures on to TOPIC/inspection while the gate is open.', {
            'topics': "more topics to pass on, each as 'topic' or 'topic type'",
            'trigger_service': 'a std_srvs/srv/Trigger service to gate in the same way',
            'sets': 'true or names of streams: passes only complete sets of them (false)'}),
    'quality_log': NodeHelp('Records the watched streams with what was thought of them.', {
        'bag': 'the folder of the new bag; it must be given',
        'pictures': 'true records also the topics that are timed by a light one (false)',
        'topics': "more topics to record, each as 'topic' or 'topic type'",
        'split_mb': 'a new file begins at this size (4000)',
        'split_minutes': 'a new file begins after this time (10)',
        'disk_warn_minutes': 'warns when the disk is full in less than this (10)',
        'disk_stop_mb': 'stops when less than this is left on the disk (500)'}),
    'capture_ledger': NodeHelp('Writes the ledger of captures while the robot works.', {
        'folder': 'where the ledger is, or is to be; it must be given'}),
    'site_page': NodeHelp("Serves a page for a tablet or a phone on the robot's network.", {
        'listen_address': 'an IP address of this computer (127.0.0.1: this computer alone)',
        'port': 'where the page is served (8642)',
        'token_file': "who may look and who may hold, a line 'look TOKEN' or 'hold TOKEN' each",
        'host_names': 'names by which the robot is reached, besides its addresses'}),
    'rig': NodeHelp('Plays a simulated inspection robot with faults at known times.', {
        'scenario': 'demo, healthy, walk, or the path of a file of your own (demo)',
        'seed': "of the random numbers (the scenario's own)",
        'start_delay_s': 'time for others to discover the topics (1)',
        'truth_file': 'a JSON file for what really happened; none where it is not given'},
        reads_streams=False),
}
"""By the name of the executable; in brackets what counts where nothing is given."""


def usage(name: str) -> str:
    """Return how a node is started."""
    reads_streams = name not in NODES or NODES[name].reads_streams
    return f'{name} --ros-args {"--params-file FILE " if reads_streams else ""}[-p NAME:=VALUE]'


def help_text(name: str) -> str:
    """Return what --help prints."""
    known = NODES.get(name, NodeHelp('A ROS 2 node.'))
    width = max(map(len, known.own), default=0)
    parts = [f'usage: {usage(name)}', known.does]
    if known.own:
        parts.append('\n'.join(['Its own parameters, given as NAME:=VALUE:', *(
            f'  {each:{width}}  {text}' for each, text in known.own.items())]))
    if known.note:
        parts.append(known.note)
    if known.reads_streams:
        parts.append('FILE names the streams: start from config/streams.yaml; '
                     'config/PARAMETERS.md lists every key.')
    return '\n\n'.join(parts)
