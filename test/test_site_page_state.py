# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the page says of the robot: as the topics have it, and never more."""

import json
from types import SimpleNamespace

import numpy as np
import page_stage as stage
import pytest
from robot_mapping_qa.capture.redo_watch import Place
from robot_mapping_qa.messages.markers import RunMarkers
from robot_mapping_qa.verdicts import Event


@pytest.mark.parametrize('decision, kind', [
    (stage.OPEN, 'open'), (stage.NEAR, 'near'), (stage.OVER, 'held'), (stage.WAITING, 'held'),
    (stage.BROKEN, 'broken'), (stage.BY_HAND, 'by_hand')])
def test_the_state_is_that_of_the_gate_and_its_lamp(decision, kind):
    told = stage.Stage()
    told.gate(decision)
    told.gate(decision, lit=False)
    shown = told.state.state(told.steady_ns, stage.NOW_NS)
    assert shown['gate']['kind'] == kind
    by_key = {c.key: c.text for c in decision.conditions}
    assert shown['gate']['reasons'] == [by_key[key] for key in decision.reasons] + [
        c.text for c in decision.notices]
    assert shown['gate']['for_s'] == (stage.NOW_NS - decision.since_ns) / stage.S
    assert shown['gate']['by_hand'] == (decision is stage.BY_HAND)
    assert shown['error']['now_m'] == decision.figures['point_error_m']
    assert shown['error']['until_s'] == decision.figures['until_limit_s']


def test_it_is_open_only_while_one_gate_says_so_on_both_topics_in_time():
    def kind(tell, later_ns=0):
        told = stage.Stage()
        told.gate(stage.OPEN)
        tell(told)
        gate = told.state.state(told.steady_ns + later_ns, stage.NOW_NS)['gate']
        return gate['kind'], gate['text']
    assert kind(lambda told: None, 500_000_000)[0] == 'open'
    assert kind(lambda told: None, 501_000_000) == ('no_gate', 'no word from the gate for 0.5 s')
    assert kind(lambda told: told.state.gate.take_allowed(False, told.steady_ns))[0] == 'held'
    assert kind(lambda told: told.state.gate.take_status({'state': 'held'}))[
        0] == 'held'

    def second_gate(told):
        told.state.gate.publishers = 2
    assert kind(second_gate) == ('no_gate', '2 nodes publish the gate: end all but one')
    assert stage.Stage().state.state(0, 0)['gate']['text'] == 'no gate has been heard yet'


def test_the_disk_is_shown_while_the_recorder_speaks():
    told = stage.Stage('robot_2')
    told.disk(robot='robot_1/')
    assert told.state.state(told.steady_ns, 0)['disk'] is None
    told.disk(robot='robot_2/', **stage.WARNED_DISK)
    assert told.state.state(told.steady_ns, 0)['disk'] == {
        'text': 'the disk is full in 7 min at the present rate', 'good': False, 'minutes': 7.0,
        'free_bytes': 2.1e9}
    assert told.state.state(told.steady_ns + 6 * stage.S, 0)['disk'] is None


def sent(told):
    """Return the contents of what is to be sent, by key."""
    texts = told.state.take_unsent(told.steady_ns, stage.NOW_NS)
    return {key: json.loads(text.partition(b'data: ')[2]) for key, text in texts.items()}


def test_places_and_path_are_sent_when_they_change_and_only_then():
    told = stage.Stage()
    told.walk_round(40.0)
    told.places([Place(2, (1.0, 2.0, 0.5), 3.0, 4.5, ('a silent', 'b late'))])
    first = sent(told)
    assert first['places'] == [{'number': 2, 'x': 1.0, 'y': 2.0, 'z': 0.5, 'from_m': 3.0,
                                'to_m': 4.5, 'reasons': 'a silent; b late'}]
    x_cm, y_cm, is_open = first['path/0']['points'][:3]
    point = told.trail.points[0]
    assert (x_cm, y_cm, is_open) == (round(100 * point.x), round(100 * point.y), 1)
    told.send_markers(5)
    told.places([Place(2, (1.0, 2.0, 0.5), 3.0, 4.5, ('a silent', 'b late'))])
    assert set(sent(told)) == {'state'}
    told.places([])
    assert sent(told)['places'] == []


def test_two_kilometres_fit_into_bounded_memory_and_a_hundred_kilobytes():
    told = stage.Stage()
    told.walk_round(2000.0)
    texts = told.state.take_unsent(told.steady_ns, stage.NOW_NS)
    path = {key: text for key, text in texts.items() if key.startswith('path/')}
    assert sum(map(len, texts.values())) < 100_000
    # Neighbouring pieces share a point.
    points = sum(text.count(b',') + 1 for text in path.values()) // 3
    assert points >= len(told.trail.points) > 2000


def test_hours_of_events_stay_bounded():
    told = stage.Stage()
    for number in range(500):
        told.events(Event('hold', 'gate', stage.NOW_NS, stage.NOW_NS + number * stage.S, 'x'))
    events = sent(told)['events']
    assert len(events) == 20
    assert events[-1]['at_ms'] == stage.NOW_NS // 10 ** 6 + 499_000


def test_numbers_that_are_none_and_messages_of_strangers_break_nothing():
    told = stage.Stage()
    told.gate(stage.held(stage.condition('a/b', 'c'), figures={'point_error_m': float('nan')}))
    told.pose(float('nan'), 0.0)
    told.disk(minutes=float('inf'), free_bytes=None)
    status = SimpleNamespace(name='robot_mapping_qa: redo', level=0, message='', values=[
        SimpleNamespace(key=key, value=value) for key, value in (
            ('place/x/xyz_m', '1 2 3'), ('place/1/xyz_m', '1 2'), ('place/2/xyz_m', '1 2 nan'),
            ('place/3/xyz_m', '1 2 3'), ('place//', ''), ('place', ''))])
    told.state.take_diagnostics(SimpleNamespace(status=[status]), told.steady_ns)
    colour = SimpleNamespace(r=0.0)
    told.state.take_markers(SimpleNamespace(markers=[
        SimpleNamespace(ns='path', id=number, action=0, colors=[colour] * 5000,
                        points=[SimpleNamespace(x=1.0, y=float('nan')),
                                *[SimpleNamespace(x=1.0, y=2.0)] * 4999])
        for number in (-1, 0, 39, 40, 10 ** 6)]))
    shown = sent(told)
    assert shown['state']['error']['now_m'] is None and shown['state']['pose'] is None
    assert shown['state']['disk']['minutes'] is None
    assert 'places' not in shown
    assert {key for key in shown if key.startswith('path/')} == {'path/0', 'path/39'}
    assert len(shown['path/0']['points']) < 3 * 500


@pytest.mark.parametrize('far', [1e307, -1e308, float('inf')])
def test_points_beyond_all_bounds_are_left_out(far):
    told = stage.Stage()
    near, colour = SimpleNamespace(x=1.0, y=2.0), SimpleNamespace(r=0.0)
    told.state.take_markers(SimpleNamespace(markers=[SimpleNamespace(
        ns='path', id=0, action=0, colors=[colour] * 3,
        points=[SimpleNamespace(x=far, y=0.0), near, SimpleNamespace(x=0.0, y=far)])]))
    told.state.take_pose(SimpleNamespace(
        position_m=np.zeros(3), quaternion=np.array([far, far, -far, far])), told.steady_ns)
    shown = sent(told)
    assert shown['path/0']['points'] == [100, 200, 1]
    assert shown['state']['pose'] is None


@pytest.mark.parametrize('number', ['1' * 5000, '', '-1', 'x', '1.5'])
def test_a_place_without_a_number_is_left_out(number):
    told = stage.Stage()
    told.state.take_diagnostics(SimpleNamespace(status=[SimpleNamespace(
        name='robot_mapping_qa: redo', level=0, message='', values=[
            SimpleNamespace(key=f'place/{name}/{what}', value=value)
            for name in (number, '7')
            for what, value in (('xyz_m', '1 2 3'), ('path_m', '4 5'))])]), told.steady_ns)
    assert [place['number'] for place in sent(told)['places']] == [7]


def test_a_gate_started_again_clears_the_path_on_the_page():
    told = stage.Stage()
    told.walk_round(100.0)
    assert len(sent(told)['path/1']['points']) > 0
    told.markers, told.trail = RunMarkers(stage.FACTORY), type(told.trail)()
    told.send_markers()
    cleared = sent(told)
    assert cleared['path/0']['points'] == cleared['path/1']['points'] == []
