# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The SROS 2 policy allows each running node what it has on the graph, and nothing else."""

import subprocess
import sys

from live_site import Site
import pytest
from robot_mapping_qa.demo.processes import dds_environment
from robot_mapping_qa.messages.factory import message_class
from robot_mapping_qa.resources import share_file
from security_policy import allowed
import yaml

rclpy = pytest.importorskip('rclpy', reason='needs ROS 2')
from rclpy.node import Node  # noqa: E402, I100

DOMAIN = 159
STREAMS = share_file('config/streams.yaml')
OWN = {'sync_monitor': (), 'pose_monitor': (), 'camera_monitor': (), 'capture_relay': (),
       'capture_gate': ('needs_recording:=true',),
       'quality_log': ('bag:={folder}/bag', 'pictures:=true'),
       'capture_ledger': ('folder:={folder}/ledger',), 'site_page': ('port:=0',)}
NOT_ALWAYS = {'/clock'}
"""Only under simulated time."""
MORE = {'map_pose': {'topic': '/unit/map_pose', 'type': 'geometry_msgs/msg/PoseStamped',
                     'role': 'map_pose'},
        'range_finder': {'topic': '/arm/range', 'type': 'sensor_msgs/msg/Range',
                         'role': 'distance'}}
"""Streams that the file has none of, beside those of the role motion."""


def rights(person, node):
    """Return what a node has on the graph, under the words of a policy."""
    return {
        rule: {name for name, _ in ask(node, '/')}
        for rule, ask in (('publish', person.get_publisher_names_and_types_by_node),
                          ('subscribe', person.get_subscriber_names_and_types_by_node),
                          ('reply', person.get_service_names_and_types_by_node),
                          ('request', person.get_client_names_and_types_by_node))}


def test_every_node_may_do_what_it_does_and_no_more(tmp_path, monkeypatch):
    parameters = yaml.safe_load(STREAMS.read_text())
    streams = parameters['/**']['ros__parameters']
    streams['check_cameras'] = True
    streams['streams'] += MORE
    streams.update(MORE)
    file = tmp_path / 'streams.yaml'
    file.write_text(yaml.safe_dump(parameters))
    policy = tmp_path / 'policy.xml'
    policy.write_text(share_file('config/sros2_policy.xml').read_text().replace(
        "<!ENTITY motion '", "<!ENTITY motion '" + ''.join(
            f"<topic>{stream['topic']}</topic>" for stream in MORE.values())))
    enclaves = allowed(policy)
    site = Site(tmp_path, monkeypatch, DOMAIN)
    try:
        person = site.watch(Node('person', context=site.context))
        # A subscription to a stream is made once somebody publishes it.
        for group in streams.values():
            if isinstance(group, dict) and 'topic' in group:
                person.create_publisher(message_class(group['type']), group['topic'], 10)
        person.create_publisher(
            message_class('sensor_msgs/msg/CameraInfo'), '/front/camera_info', 10)
        for node, own in OWN.items():
            site.nodes.start(node, *(value.format(folder=tmp_path) for value in own),
                             parameter_files=(file,))
        for node in OWN:
            wanted = enclaves[f'/mapping_qa/{node}']

            def same(node=node, wanted=wanted):
                if node not in person.get_node_names():
                    return False
                found = rights(person, node)
                return all(found[rule] - NOT_ALWAYS == wanted[rule] - NOT_ALWAYS
                           for rule in wanted)
            # Eight processes that start at once on a busy computer take their time.
            assert site.wait(same, 60.0) is not None, {
                rule: (names ^ wanted[rule]) - NOT_ALWAYS
                for rule, names in rights(person, node).items()}
    finally:
        site.close()


def test_without_the_keys_no_node_runs_and_one_line_says_why(tmp_path):
    ended = subprocess.run(
        [sys.executable, '-m', 'robot_mapping_qa.nodes.capture_gate', '--ros-args',
         '--params-file', str(STREAMS), '--enclave', '/mapping_qa/capture_gate'],
        env={**dds_environment(DOMAIN), 'ROS_SECURITY_ENABLE': 'true',
             'ROS_SECURITY_STRATEGY': 'Enforce', 'ROS_SECURITY_KEYSTORE': str(tmp_path)},
        capture_output=True, text=True, timeout=60)
    assert ended.returncode == 2
    assert 'SECURITY ERROR' in ended.stderr.strip().splitlines()[-1]
    assert 'Traceback' not in ended.stderr
