# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The SROS 2 policy: nobody may do more than its part.

That the policy names what each node really creates is checked in test_security_live.py.
"""

import ast
from pathlib import Path
import re

from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.configuration.model import ROLE_TYPES
from robot_mapping_qa.messages import topics
from robot_mapping_qa.resources import share_file
from security_policy import allowed

ROOT = Path(__file__).resolve().parents[1]
ENCLAVES = allowed(share_file('config/sros2_policy.xml'))
GATE = {'/mapping_qa/capture_gate', '/mapping_qa/monitor'}


def who(rule, name):
    return {enclave for enclave, rights in ENCLAVES.items() if name in rights[rule]}


def test_only_the_gate_may_publish_the_gate():
    for topic in (topics.CAPTURE_ALLOWED, topics.GATE, topics.LIGHT):
        assert who('publish', '/' + topic.name) == GATE


def test_only_operator_and_page_may_hold_and_only_the_operator_may_rebase():
    operator, page = '/mapping_qa/operator', '/mapping_qa/site_page'
    assert who('request', '/' + topics.HOLD_SERVICE) == {operator, page}
    assert who('request', '/' + topics.REBASE_SERVICE) == {operator}
    assert who('reply', '/' + topics.HOLD_SERVICE) == GATE
    for name in ('set_parameters', 'set_parameters_atomically'):
        assert who('request', f'/capture_gate/{name}') <= {operator}


def test_each_verdict_comes_from_one_monitor_alone():
    for topic, monitor in ((topics.TIMING_VERDICT, 'sync_monitor'),
                           (topics.POSE_VERDICT, 'pose_monitor')):
        assert who('publish', '/' + topic.name) == {f'/mapping_qa/{monitor}',
                                                    '/mapping_qa/monitor'}
    assert who('publish', '/' + topics.CAMERA_VERDICT.name) == {'/mapping_qa/camera_monitor'}
    assert who('publish', '/' + topics.RECORDING_VERDICT.name) == {'/mapping_qa/quality_log'}


def test_nobody_may_send_what_the_sensors_send():
    configuration = load_configuration(share_file('config/streams.yaml'))
    for stream in configuration.streams:
        assert who('publish', stream.topic) == who('publish', stream.watched_topic) == set()


READERS = {
    'pose': {'sync_monitor', 'pose_monitor', 'camera_monitor', 'quality_log'},
    'motion': {'sync_monitor', 'pose_monitor', 'quality_log'},
    'geometry': {'sync_monitor', 'pose_monitor', 'quality_log'},
    'map_pose': {'sync_monitor', 'pose_monitor', 'quality_log'},
    'distance': {'sync_monitor', 'pose_monitor', 'quality_log'},
    'timing': {'sync_monitor', 'quality_log', 'capture_ledger'},
    'capture': {'camera_monitor', 'capture_relay', 'quality_log'},
    'aid': {'camera_monitor', 'capture_relay', 'quality_log'}}
"""Who hears the streams of each role on their own topics; the ledger, what times its camera."""


def test_every_role_has_its_place(tmp_path):
    text = share_file('config/sros2_policy.xml').read_text()
    places = {name: comment for comment, name in re.findall(
        r'<!-- ([^<]*) -->\s*<!ENTITY (\w+) ', text)}
    assert set(READERS) == set(ROLE_TYPES)
    for role, readers in READERS.items():
        place, = (name for name, comment in places.items()
                  if re.search(rf'of the roles? [a-z_, ]*\b{role}\b', comment))
        probed = tmp_path / f'{role}.xml'
        probed.write_text(text.replace(
            f"<!ENTITY {place} '", f"<!ENTITY {place} '<topic>/probe</topic>"))
        found = {enclave for enclave, rights in allowed(probed).items()
                 if '/probe' in rights['subscribe']}
        assert found - {'/mapping_qa/monitor'} == {f'/mapping_qa/{node}' for node in readers}
        assert all('/probe' not in rights['publish'] for rights in allowed(probed).values())


def test_there_are_no_wildcards():
    names = {name for rights in ENCLAVES.values() for own in rights.values() for name in own}
    assert names and all(re.fullmatch(r'(/[A-Za-z_][A-Za-z0-9_]*)+', name) for name in names)


def test_one_process_may_do_what_its_nodes_may():
    for rule in ('publish', 'subscribe', 'reply', 'request'):
        parts = (ENCLAVES[f'/mapping_qa/{node}'][rule]
                 for node in ('sync_monitor', 'pose_monitor', 'capture_gate'))
        assert ENCLAVES['/mapping_qa/monitor'][rule] == set().union(*parts)


def test_every_node_of_the_package_has_an_enclave():
    scripts = ast.literal_eval(re.search(
        r"'console_scripts': (\[.*?\])", (ROOT / 'setup.py').read_text(), re.DOTALL).group(1))
    nodes = {line.split(' = ')[0] for line in scripts if '.nodes.' in line} - {'rig'}
    assert {f'/mapping_qa/{node}' for node in nodes} <= set(ENCLAVES)
