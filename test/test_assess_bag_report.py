# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The report is one page that needs nothing else and says what the other files say."""

from dataclasses import replace
from html.parser import HTMLParser
import re
import xml.etree.ElementTree as ElementTree

from hand_made_bags import between, CONFIGURATION, drive, ODOMETRY, S, START_NS, write
import numpy as np
import pytest
from robot_mapping_qa import __version__
from robot_mapping_qa.bag.report import clock, figure
from robot_mapping_qa.bag.results import assess
from robot_mapping_qa.bag.summary import fingerprint
from robot_mapping_qa.bag.traces import PathTrace, PeakTrace
from robot_mapping_qa.bag.trust import trust_spans
from robot_mapping_qa.capture.gate import Hold
from robot_mapping_qa.configuration import load_configuration

CHARTS = {'plan', 'timeline', 'latency', 'offsets', 'stability', 'pose', 'budget'}
VOID = {'meta', 'br', 'img', 'link', 'hr', 'input'}


class Page(HTMLParser):
    """Collects text, attributes that fetch something, and whether every element is closed."""

    def __init__(self, text):
        super().__init__()
        self.texts, self.fetched, self.open, self.tags = [], [], [], []
        self.ids = set()
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        if tag not in VOID:
            self.open.append(tag)
        self.ids.update(value for name, value in attributes if name == 'id')
        self.fetched += [
            value for name, value in attributes
            if name in ('src', 'href', 'xlink:href', 'action', 'srcset')
            and not value.startswith('#')]

    def handle_startendtag(self, tag, attributes):
        self.handle_starttag(tag, attributes)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open[-1:] not in (['script'], ['style']):
            self.texts.append(data)

    @property
    def text(self):
        return ' '.join(' '.join(self.texts).split())


@pytest.fixture(scope='module')
def configuration(tmp_path_factory):
    path = tmp_path_factory.mktemp('configuration') / 'robot.yaml'
    path.write_text(CONFIGURATION)
    return load_configuration(path)


@pytest.fixture(scope='module')
def outcome(configuration, tmp_path_factory):
    """Assess a drive during which the pose grows uncertain and then falls silent."""
    folder = tmp_path_factory.mktemp('report')
    sent = [replace(message, sigma_m=0.2) if between(message, ODOMETRY, 10.0, 11.0) else message
            for message in drive(22.0) if not between(message, ODOMETRY, 15.0, 16.0)]
    bag = write(folder / 'bag <of & "my" robot>', sent)
    return assess(bag, configuration, folder / 'out'), folder / 'out' / 'report.html'


@pytest.fixture(scope='module')
def page(outcome):
    return Page(outcome[1].read_text(encoding='utf-8'))


def test_page_fetches_nothing(outcome, page):
    source = outcome[1].read_text(encoding='utf-8')
    assert page.fetched == []
    assert not {'link', 'iframe', 'img', 'object'} & set(page.tags)
    assert '@import' not in source
    assert all(target.startswith('#') for target in re.findall(r'url\(([^)]*)\)', source))
    for word in ('fetch(', 'XMLHttpRequest', 'import(', 'WebSocket', 'http-equiv'):
        assert word not in source


def test_page_is_well_formed_and_complete(outcome, page):
    source = outcome[1].read_text(encoding='utf-8')
    assert page.open == []
    # Each chart, the part of four that is stretched, and the symbols of the legends.
    assert page.tags.count('svg') == len(CHARTS) + 4 + source.count('aria-hidden="true"')
    assert page.ids >= CHARTS
    assert len(page.text) > 2000


def test_verdict_comes_first(outcome, page):
    captures = outcome[0].summary['captures']
    places = len(outcome[0].redo)
    assert places == 2
    verdict = f"{captures['trusted']} of {captures['total']} captures can be trusted"
    assert verdict in page.text
    assert f'Go back to {places} places' in page.text
    assert page.text.index(verdict) < page.text.index('Where to take captures again')


def test_every_hold_is_listed_with_its_reasons(outcome, page):
    holds = outcome[0].summary['gate']['holds']
    assert len(holds) == 3
    for hold in holds:
        for reason in hold['reasons']:
            assert reason in page.text
        assert clock(hold['closed_ns'], outcome[0].summary['bag']['start_ns']) in page.text


def test_one_way_offset_is_never_shown_without_its_caution(page):
    assert 'it includes the smallest delay seen' in page.text


def test_cautions_are_there(page):
    for words in ('It is not a safety function', 'licensed inspector decide', 'local codes'):
        assert words in page.text


def test_names_from_outside_are_shown_as_text(outcome, page):
    assert 'bag <of & "my" robot>' in page.text
    assert '<of' not in outcome[1].read_text(encoding='utf-8')


def test_verdicts_are_told_apart_without_colour(outcome):
    """Each of the three is drawn with its own hatching in the timeline."""
    source = outcome[1].read_text(encoding='utf-8')
    # The chart's own end follows that of the part in it that is stretched.
    timeline = re.search(r'<svg id="timeline".*?</svg>.*?</svg>', source, re.DOTALL).group()
    root = ElementTree.fromstring(timeline)
    patterns = {element.get('id') for element in root.iter('pattern')}
    fills = {element.get('fill') for element in root.iter('rect')
             if element.get('class') == 'span'}
    assert len(patterns) == 2
    assert fills == {'#0072b2', *(f'url(#{pattern})' for pattern in patterns)}


def test_settings_and_software_stand_on_the_page_and_in_the_summary(outcome, page, configuration):
    summary = outcome[0].summary
    assert f'robot_mapping_qa {__version__}' in page.text
    assert summary['software'] == {'robot_mapping_qa': __version__}
    assert summary['configuration']['sha256'][:16] in page.text
    other = replace(configuration, working_distance_m=2.5)
    assert summary['configuration']['sha256'] == fingerprint(configuration) != fingerprint(other)


def test_page_is_the_same_every_time(outcome, configuration, tmp_path):
    bag = outcome[1].parent.parent / 'bag <of & "my" robot>'
    assess(bag, configuration, tmp_path / 'again')
    again = (tmp_path / 'again' / 'report.html').read_bytes()
    assert again == outcome[1].read_bytes()


def test_recording_without_captures_has_a_report(configuration, tmp_path):
    sent = [message for message in drive(2.0) if message.topic == ODOMETRY]
    assess(write(tmp_path / 'bag', sent), configuration, tmp_path / 'out')
    text = Page((tmp_path / 'out' / 'report.html').read_text(encoding='utf-8')).text
    assert 'No captures to judge' in text
    assert 'no messages on /front/camera_info' in text
    assert 'never seen in this recording' in text


@pytest.mark.parametrize('value, scale, digits, text', [
    (None, 1.0, 2, '–'), (0.0123, 1e3, 1, '12.3'), (-0.5, 1.0, 2, '−0.50'),
    (-0.0001, 1.0, 2, '0.00')])
def test_figures_are_written_alike(value, scale, digits, text):
    assert figure(value, scale, digits) == text


@pytest.mark.parametrize('seconds, text', [
    (0.0, '0:00.0'), (59.96, '1:00.0'), (75.25, '1:15.2'), (-0.5, '−0:00.5'), (3600.0, '60:00.0')])
def test_times_are_minutes_and_seconds(seconds, text):
    assert clock(START_NS + round(seconds * S), START_NS) == text


def test_trust_spans_cover_the_recording():
    holds = [Hold(0, 0, 5), Hold(3, 8, 10), Hold(15, 20, None)]
    assert trust_spans(holds, 0, 30) == [
        (0, 5, 'held'), (5, 8, 'suspect'), (8, 10, 'held'), (10, 15, 'trusted'),
        (15, 20, 'suspect'), (20, 30, 'held')]


def test_long_trace_keeps_its_peaks_in_bounded_memory():
    trace = PeakTrace(capacity=100)
    values = np.random.default_rng(1).random(12_345)
    values[7_777] = 5.0
    for number, value in enumerate(values):
        trace.add(number, None if number < 50 else float(value))
    times, kept = trace.arrays()
    assert len(times) <= 100
    assert np.all(np.diff(times) > 0)
    assert np.nanmax(kept) == 5.0
    assert times[np.nanargmax(kept)] == 7_777
    # Each sample is the largest of those it stands for.
    assert np.nanmin(kept) > 0.8


def test_long_path_keeps_its_shape_in_bounded_memory():
    trace = PathTrace(capacity=200)
    for number in range(20_000):
        angle = number * 2e-3
        trace.add(number, 10.0 * np.cos(angle), 10.0 * np.sin(angle), 0.0)
    times, points = trace.arrays()
    assert 50 < len(times) <= 200
    assert np.allclose(np.hypot(points[:, 0], points[:, 1]), 10.0)
