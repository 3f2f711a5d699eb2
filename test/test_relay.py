# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Which messages pass the relay: by their stamp, and only on the word of one live gate."""

import pytest
from robot_mapping_qa.capture.relay import GateListener, Reason

S = 1_000_000_000
MS = 1_000_000
START = 1_700_000_000 * S
OFF_DELAY_S = 2.0
AHEAD_S = 0.05
DELAY_NS = 150 * MS


class Relay:
    """A listener, the gate that it hears ten times a second, and the time."""

    def __init__(self, simulated_time=False):
        self.listener = GateListener(OFF_DELAY_S, AHEAD_S, simulated_time)
        self.now = START
        self.steady = 5 * S
        self.allowed = True
        self.publishers = 1

    def pass_time(self, seconds, speaking=True, pace=1.0):
        """Let time pass in steps of 0.1 s, with or without the gate's word."""
        for _ in range(round(seconds * 10)):
            self.now += round(S // 10 * pace)
            self.steady += S // 10
            self.listener.count_publishers(self.publishers)
            if speaking:
                self.say(self.allowed)

    def move(self, milliseconds):
        """Let a little time pass without a word."""
        self.now += milliseconds * MS
        self.steady += milliseconds * MS

    def say(self, allowed, waited_ns=0):
        self.allowed = allowed
        self.listener.hear(allowed, self.now, self.steady, waited_ns)

    def hold(self, onset_before_s=0.0):
        """Close the gate now for something that began before; return the time of closing."""
        self.say(False)
        self.listener.learn(True, self.now, self.now - round(onset_before_s * S), 'held: a reason')
        return self.now

    def judge(self, taken_ns=None, age_s=0.0):
        """Judge a picture delivered now that was taken then, or ``age_s`` ago."""
        taken_ns = self.now - round(age_s * S) if taken_ns is None else taken_ns
        return self.listener.judge(taken_ns, self.now, DELAY_NS, self.now, self.steady)

    def state(self):
        return self.listener.state(self.now, self.steady)


@pytest.fixture
def relay():
    """Return a relay that has heard an open gate for three seconds."""
    relay = Relay()
    relay.pass_time(3.0)
    assert relay.state() is None
    return relay


def test_picture_passes_while_the_gate_is_open(relay):
    assert relay.judge(age_s=0.0) is None
    assert relay.judge(age_s=0.1) is None


def test_picture_taken_during_a_hold_does_not_pass_after_it(relay):
    relay.hold()
    relay.pass_time(1.0)
    taken = relay.now
    assert relay.judge(taken) is Reason.HELD
    relay.move(50)
    relay.say(True)
    assert relay.judge(taken) is Reason.HELD
    assert relay.judge(relay.now - 1) is Reason.HELD
    assert relay.judge(relay.now) is None


def test_picture_taken_before_the_onset_passes_though_it_arrives_during_the_hold(relay):
    closed = relay.hold(onset_before_s=0.06)
    assert relay.judge(closed - 61 * MS) is None
    assert relay.judge(closed - 60 * MS) is Reason.HELD
    assert relay.judge(closed - 1 * MS) is Reason.HELD
    assert relay.judge(closed) is Reason.HELD


def test_nothing_passes_in_a_hold_whose_onset_the_gate_has_not_named(relay):
    closed = relay.now
    relay.say(False)
    assert relay.judge(closed - 100 * MS) is Reason.HELD
    relay.listener.learn(True, closed, None)
    assert relay.judge(closed - 100 * MS) is Reason.HELD
    relay.listener.learn(True, closed, closed - 50 * MS)
    assert relay.judge(closed - 100 * MS) is None


def test_status_that_comes_before_the_word_closes_at_once(relay):
    relay.move(10)
    relay.listener.learn(True, relay.now, relay.now - 20 * MS)
    assert relay.state() is Reason.HELD
    assert relay.judge(age_s=0.0) is not None
    assert relay.judge(age_s=0.03) is None
    relay.say(False)
    assert relay.state() is Reason.HELD
    assert relay.judge(age_s=0.03) is None


def test_status_of_an_earlier_hold_does_not_close_again(relay):
    closed = relay.hold()
    relay.pass_time(1.0)
    relay.say(True)
    relay.listener.learn(True, closed, closed)
    assert relay.state() is None


def test_onset_of_a_later_hold_does_not_vouch_for_an_earlier_one(relay):
    taken = relay.now
    relay.move(10)
    relay.say(False)
    # The status of that hold was lost; the next one is of a hold 60 ms later.
    relay.move(60)
    relay.listener.learn(True, relay.now, relay.now - 1 * MS)
    assert relay.judge(taken) is Reason.HELD


def test_hold_that_was_missed_takes_what_lay_before_its_end(relay):
    relay.pass_time(0.1)
    opened_again = relay.now - 20 * MS
    relay.listener.learn(False, opened_again, None)
    assert relay.judge(opened_again - 1) is Reason.HELD
    assert relay.judge(opened_again) is None


def test_onset_before_the_opening_leaves_nothing(relay):
    relay.hold()
    relay.pass_time(1.0)
    relay.say(True)
    opened = relay.now
    relay.pass_time(0.1)
    relay.hold(onset_before_s=5.0)
    assert relay.judge(opened + 50 * MS) is Reason.HELD


@pytest.mark.parametrize('age_s, reason', [
    (0.151, Reason.STAMP_OLD), (0.150, None), (-0.050, None), (-0.051, Reason.STAMP_AHEAD)])
def test_stamp_beyond_the_timing_limits_cannot_be_judged(relay, age_s, reason):
    assert relay.judge(age_s=age_s) is reason


def test_silence_beyond_the_deadline_stops_everything_until_a_whole_off_delay(relay):
    relay.pass_time(0.5, speaking=False)
    assert relay.judge() is None
    relay.move(1)
    assert relay.judge() is Reason.GATE_SILENT
    relay.pass_time(0.1)
    assert relay.judge() is Reason.SETTLING
    relay.pass_time(OFF_DELAY_S - 0.1)
    assert relay.judge() is Reason.SETTLING
    relay.pass_time(0.1)
    assert relay.judge() is None
    assert relay.judge(age_s=0.01) is Reason.HELD


def test_word_that_waited_for_its_turn_is_as_old_as_its_arrival(relay):
    relay.move(400)
    relay.say(True, waited_ns=300 * MS)
    relay.move(201)
    assert relay.judge() is Reason.GATE_SILENT


def test_missed_deadline_of_the_middleware_counts_as_silence(relay):
    relay.listener.miss_deadline()
    assert relay.judge() is Reason.GATE_SILENT
    relay.pass_time(1.0)
    assert relay.judge() is Reason.SETTLING


def test_two_gates_are_no_gate_whatever_they_say(relay):
    relay.publishers = 2
    relay.pass_time(3.0)
    assert relay.judge() is Reason.SEVERAL_GATES
    relay.publishers = 1
    relay.pass_time(1.9)
    assert relay.judge() is Reason.SETTLING
    relay.pass_time(0.3)
    assert relay.judge() is None


def test_nothing_passes_before_a_gate_was_heard():
    relay = Relay()
    assert relay.judge() is Reason.NO_GATE
    relay.pass_time(1.0, speaking=False)
    assert relay.judge() is Reason.NO_GATE


def test_gate_that_left_the_graph_is_believed_no_more(relay):
    relay.listener.count_publishers(0)
    assert relay.judge() is Reason.NO_GATE


def test_held_gate_says_so_while_it_is_not_yet_believed():
    relay = Relay()
    relay.allowed = False
    relay.pass_time(0.5)
    assert relay.state() is Reason.HELD
    relay.say(True)
    assert relay.state() is Reason.SETTLING


@pytest.mark.parametrize('step_s', [-3600.0, -0.05, 0.05, 3600.0])
def test_stepped_host_clock_stops_everything_until_a_whole_off_delay(relay, step_s):
    relay.now += round(step_s * S)
    assert relay.judge() is Reason.CLOCK_STEPPED
    assert relay.listener.last_fault is Reason.CLOCK_STEPPED
    relay.pass_time(1.9)
    assert relay.judge() is Reason.SETTLING
    relay.pass_time(0.3)
    assert relay.judge() is None


def test_slewed_host_clock_changes_nothing(relay):
    """The fastest slew of a common time daemon is a twelfth (chrony's maxslewrate, by heart)."""
    relay.pass_time(10.0, pace=1.0 + 1.0 / 12.0)
    assert relay.judge() is None


def test_simulated_time_at_another_pace_changes_nothing():
    relay = Relay(simulated_time=True)
    relay.pass_time(3.0, pace=5.0)
    assert relay.judge() is None


def test_simulated_time_that_restarts_forgets_when_the_gate_was_open():
    relay = Relay(simulated_time=True)
    relay.pass_time(3.0)
    relay.hold()
    opened_once = relay.now - 100 * MS
    assert relay.judge(opened_once) is None
    relay.now = opened_once - 10 * MS
    assert relay.judge() is Reason.CLOCK_STEPPED
    relay.pass_time(0.1)
    assert relay.judge(opened_once) is Reason.HELD


def test_member_of_a_set_is_judged_again_without_its_delay(relay):
    taken = relay.now
    relay.pass_time(0.4)
    assert relay.judge(taken) is Reason.STAMP_OLD
    assert relay.listener.judge_stamp(taken, relay.now, relay.steady) is None
    relay.hold(onset_before_s=1.0)
    assert relay.listener.judge_stamp(taken, relay.now, relay.steady) is Reason.HELD


def test_open_times_of_the_past_are_bounded(relay):
    for _ in range(1000):
        relay.pass_time(0.1)
        relay.hold()
        relay.pass_time(0.1)
        relay.say(True)
    assert len(relay.listener._open_times) <= 16
    assert relay.judge() is None
