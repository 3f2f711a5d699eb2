# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a person told the live nodes is done again when the bag of the run is assessed."""

from dataclasses import replace

from hand_made_bags import (
    between, CAMERA, CONFIGURATION, drive, in_order, judge, MS, ODOMETRY, S, Sent, START_NS, write)
import pytest
from robot_mapping_qa.bag.reading import BagError, Recording
from robot_mapping_qa.bag.results import assess
from robot_mapping_qa.capture.gate import Gate
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.messages.factory import RosbagsFactory
from robot_mapping_qa.messages.outputs import events_message
from robot_mapping_qa.verdicts import Event
from rosbags.typesys import get_typestore, Stores

EVENTS, ARRAY = '/mapping_qa/events', 'diagnostic_msgs/msg/DiagnosticArray'
STORE = get_typestore(Stores.ROS2_HUMBLE)
FACTORY = RosbagsFactory(STORE)


def told(seconds, *events):
    """Return a recorded message of the events, as the live nodes send it."""
    at_ns = START_NS + round(seconds * S)
    message = events_message(FACTORY, events, at_ns)
    return Sent(EVENTS, at_ns, at_ns, data=bytes(STORE.serialize_cdr(message, ARRAY)))


@pytest.fixture
def configuration(tmp_path):
    file = tmp_path / 'robot.yaml'
    file.write_text(CONFIGURATION)
    return load_configuration(file)


def judged(folder, configuration, *acts, sent=None):
    sent = in_order([*(drive() if sent is None else sent), *acts])
    bag = write(folder / 'bag', sent, topics=(ODOMETRY, CAMERA, EVENTS), types={EVENTS: ARRAY})
    return judge(bag, configuration)[0]


def live_gate():
    return Gate(GateLimits(), 0.05, START_NS)


def test_a_hold_by_hand_is_a_hold_of_the_assessment_with_its_reason(tmp_path, configuration):
    gate = live_gate()
    assessment = judged(
        tmp_path, configuration,
        told(12.0, *gate.set_manual_hold(True, START_NS + 12 * S, 'scaffold: in view')),
        told(16.0, *gate.set_manual_hold(False, START_NS + 16 * S)))
    _, hold = assessment.holds
    assert (hold.closed_ns, hold.released_ns) == (START_NS + 12 * S, START_NS + 18 * S)
    assert [reason.partition(' (for')[0] for reason in hold.reasons] == [
        'held by hand: scaffold: in view']
    verdicts = {round((c.stamp_ns - START_NS) / S, 2): c.verdict for c in assessment.captures}
    assert [verdicts[second + 0.01] for second in (11, 13, 17, 19)] == [
        'trusted', 'held', 'held', 'trusted']
    assert [event.kind for event in assessment.events if event.kind.startswith('manual')] == [
        'manual_hold', 'manual_release']


def test_a_rebase_ends_what_a_jump_left_behind(tmp_path, configuration):
    moved = [replace(message, x_m=message.x_m + 2.0)
             if between(message, ODOMETRY, 12.0, 99.0) else message for message in drive()]
    (tmp_path / 'a').mkdir()
    # Shown for longer than the off-delay, which counts from the jump itself.
    configuration = replace(configuration, pose=replace(configuration.pose, jump_hold_s=4.0))
    alone = judged(tmp_path / 'a', configuration, sent=moved)
    rebased = judged(tmp_path, configuration, told(12.5, Event(
        'rebased', 'unit_odometry', START_NS + 12 * S, START_NS + 12 * S, '')), sent=moved)
    gain_s = (alone.holds[1].released_ns - rebased.holds[1].released_ns) / S
    assert gain_s == pytest.approx(2.0, abs=0.1)
    assert [event.kind for event in rebased.events].count('rebased') == 1


def test_a_changed_limit_counts_from_then_on(tmp_path, configuration):
    change = live_gate().change('point_error_limit_m', 0.005, START_NS + 12 * S)
    assessment = judged(tmp_path, configuration, told(12.0, change))
    assert assessment.holds[1].closed_ns == pytest.approx(START_NS + 12 * S, abs=200 * MS)
    assert assessment.holds[1].released_ns is None


def test_other_thresholds_than_those_of_the_run_are_not_changed_by_it(tmp_path, configuration):
    change = live_gate().change('point_error_limit_m', 0.005, START_NS + 12 * S)
    other = replace(configuration, point_error_limit_m=0.06)
    assert len(judged(tmp_path, other, told(12.0, change)).holds) == 1


@pytest.mark.parametrize('data', [b'', b'\0\1\0\0', bytes(range(200))])
def test_what_cannot_be_read_tells_of_nothing_and_is_counted(tmp_path, configuration, data):
    broken = Sent(EVENTS, START_NS + 12 * S, START_NS + 12 * S, data=data)
    assessment = judged(tmp_path, configuration, broken)
    assert len(assessment.holds) == 1
    assert assessment.unreadable_acts == 1


def test_a_damaged_hold_by_hand_is_a_warning(tmp_path, configuration):
    hold = told(12.0, *live_gate().set_manual_hold(True, START_NS + 12 * S, 'scaffold'))
    sent = in_order([*drive(), replace(hold, data=hold.data[:-4])])
    bag = write(tmp_path / 'bag', sent, topics=(ODOMETRY, CAMERA, EVENTS), types={EVENTS: ARRAY})
    warning, = assess(bag, configuration, tmp_path / 'out').warnings
    assert warning == (
        f'{bag}: 1 messages on mapping_qa/events cannot be read: what a person told the live '
        'nodes by them is not done again')


def test_topics_without_a_slash_are_found_in_the_namespace_that_holds_them(tmp_path):
    file = tmp_path / 'robot.yaml'
    file.write_text(CONFIGURATION.replace(': /', ': '))
    relative = load_configuration(file)
    hold = told(12.0, *live_gate().set_manual_hold(True, START_NS + 12 * S))
    sent = [replace(message, topic='/north' + message.topic)
            for message in in_order([*drive(), hold])]
    types = {'/north' + ODOMETRY: 'nav_msgs/msg/Odometry',
             '/north' + CAMERA: 'sensor_msgs/msg/CameraInfo', '/north' + EVENTS: ARRAY}
    bag = write(tmp_path / 'bag', sent, topics=types, types=types)
    assessment, _, recording = judge(bag, relative)
    assert recording.namespace == 'north' and recording.absent == ()
    assert len(assessment.captures) == 240
    assert [h.closed_ns - START_NS for h in assessment.holds[1:]] == [12 * S]

    second = {name.replace('north', 'south'): kind for name, kind in types.items()}
    both = sent + [replace(m, topic=m.topic.replace('north', 'south')) for m in sent]
    bag = write(tmp_path / 'both', in_order(both), topics={**types, **second},
                types={**types, **second})
    with pytest.raises(BagError, match='in the namespaces north and south: give the topics of '
                                       'one robot with a slash in front, such as /north/unit/'):
        Recording(bag, relative.streams)
