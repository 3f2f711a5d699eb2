# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The report in a real browser: nothing is complained about, and zoom and reading out work."""

from dataclasses import replace
from html.parser import HTMLParser
import json
import shutil
import subprocess

from browser import Browser, PHONE
from hand_made_bags import between, CONFIGURATION, drive, ODOMETRY, write
import pytest
from robot_mapping_qa.bag.comparison import write_comparison
from robot_mapping_qa.bag.results import assess
from robot_mapping_qa.bag.several import Result, Task
from robot_mapping_qa.configuration import load_configuration

BROWSER = shutil.which('chromium') or shutil.which('chromium-browser')
pytestmark = pytest.mark.skipif(BROWSER is None, reason='there is no Chromium on this computer')

# What a hand does, and what it then sees; the result is left in the page's title.
HAND = """
<script>
(function () {
  var seen = {};
  var box = document.querySelector('.readout');
  function send(svg, kind, share, down) {
    var at = svg.getBoundingClientRect();
    svg.dispatchEvent(new PointerEvent(kind, {pointerId: 1, pointerType: 'mouse', bubbles: true,
      clientX: at.left + share * at.width, clientY: at.top + down * at.height}));
  }
  SVGElement.prototype.setPointerCapture = function () {};
  var time = document.getElementById('timeline');
  var lens = time.querySelector('.lens');
  seen.charts = Array.from(document.querySelectorAll('svg.chart')).map(function (svg) {
    return [svg.id, svg.getBoundingClientRect().height]; });
  seen.tools = document.querySelectorAll('.tools button').length;
  send(time, 'pointermove', 0.75, 0.8);
  seen.timeline = box.textContent;
  seen.dot = document.querySelector('#plan .cursor').getAttribute('visibility');
  var whole = lens.getAttribute('viewBox').split(' ').map(Number);
  send(time, 'pointerdown', 0.5, 0.5);
  send(time, 'pointermove', 0.7, 0.5);
  send(time, 'pointerup', 0.7, 0.5);
  var view = lens.getAttribute('viewBox').split(' ').map(Number);
  seen.stretch = view[2] / whole[2];
  var below = document.querySelector('#offsets .lens');
  seen.together = below.getAttribute('viewBox').split(' ')[2] == view[2];
  seen.ticks = time.querySelector('.xticks text').textContent;
  time.dispatchEvent(new MouseEvent('dblclick', {bubbles: true}));
  seen.back = lens.getAttribute('viewBox').split(' ').map(Number)[2] === whole[2];
  var plan = document.getElementById('plan');
  var mark = Array.from(plan.querySelectorAll('.mark')).pop();
  var where = mark.getBoundingClientRect(), chart = plan.getBoundingClientRect();
  send(plan, 'pointermove', (where.left - chart.left) / chart.width,
       (where.bottom - chart.top) / chart.height);
  seen.plan = box.textContent;
  document.querySelectorAll('.tools button')[0].click();
  seen.closer = plan.querySelector('.lens').getAttribute('viewBox').split(' ').map(Number)[2] /
    Number(plan.querySelector('.lens').getAttribute('width'));
  seen.wide = document.documentElement.scrollWidth - window.innerWidth;
  document.title = JSON.stringify(seen);
}());
</script>
</body>
"""


# What reaches beyond the window, but for tables that can be moved in a box of their own.
TOO_WIDE = """
Array.from(document.querySelectorAll('body *')).filter(function (each) {
  var box = each.closest('.sideways table');
  return !box && !each.closest('.lens') && !each.closest('defs') &&
    each.getBoundingClientRect().right > document.documentElement.clientWidth + 0.5;
}).map(function (each) { return each.tagName + ' ' + each.textContent.slice(0, 40); })
"""
SMALLEST_LETTERS = """
Math.min.apply(null, Array.from(document.querySelectorAll('svg.chart text:not(.badge text)'))
  .map(function (each) {
    var scale = each.getScreenCTM();
    return parseFloat(getComputedStyle(each).fontSize) * Math.hypot(scale.a, scale.b); }))
"""
SHOWN = """
Array.from(document.querySelectorAll('%s')).map(function (each) {
  return each.getClientRects().length > 0 && each.innerText; })
"""


class Title(HTMLParser):
    """Takes the title out of a page."""

    def __init__(self, text):
        super().__init__()
        self.title, self._open = '', False
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self._open = tag == 'title'

    def handle_data(self, data):
        if self._open:
            self.title += data

    def handle_endtag(self, tag):
        self._open = False


def browse(page, *options, size='1280,800'):
    """Open a page; return what it became and what the browser logged."""
    done = subprocess.run(
        [BROWSER, '--headless', '--no-sandbox', '--disable-gpu', '--no-first-run',
         '--enable-logging=stderr', f'--user-data-dir={page.parent / "browser"}',
         f'--window-size={size}', *options, page.as_uri()],
        capture_output=True, text=True, timeout=120)
    complaints = [line for line in done.stderr.splitlines() if 'CONSOLE' in line]
    return done.stdout, complaints


@pytest.fixture(scope='module')
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp('browser')
    (folder / 'robot.yaml').write_text(CONFIGURATION)
    sent = [replace(message, sigma_m=0.2) if between(message, ODOMETRY, 10.0, 11.0) else message
            for message in drive(22.0) if not between(message, ODOMETRY, 15.0, 16.0)]
    assess(write(folder / 'bag', sent), load_configuration(folder / 'robot.yaml'), folder / 'out')
    return folder / 'out' / 'report.html'


@pytest.fixture(scope='module')
def touched(report):
    page = report.parent.parent / 'touched.html'
    page.write_text(report.read_text(encoding='utf-8').replace('</body>', HAND),
                    encoding='utf-8')
    dump, complaints = browse(page, '--dump-dom')
    return json.loads(Title(dump).title), complaints


def test_browser_has_nothing_to_complain_about(report, touched):
    _, complaints = browse(report, '--dump-dom')
    assert complaints == []
    assert touched[1] == []


def test_every_figure_has_its_place(touched):
    charts = dict(touched[0]['charts'])
    assert set(charts) == {'plan', 'timeline', 'latency', 'offsets', 'stability', 'pose',
                           'budget'}
    assert min(charts.values()) > 80
    # Three buttons each for the plan and the three charts over time.
    assert touched[0]['tools'] == 12
    assert touched[0]['wide'] <= 0


def test_pointing_at_the_timeline_tells_time_error_and_hold(touched):
    seen = touched[0]
    # Three quarters of the width lie at 0.71 of the time: within the silence at 15 s.
    assert seen['timeline'].startswith('0:15.')
    assert ', held' in seen['timeline']
    assert 'point error: ' in seen['timeline']
    assert 'Hold 3: unit_odometry silent' in seen['timeline']
    assert seen['dot'] == 'visible'


def test_dragging_enlarges_a_stretch_of_all_charts_over_time(touched):
    seen = touched[0]
    assert seen['stretch'] == pytest.approx(0.2 * 1000 / 816, abs=0.01)
    assert seen['together'] and seen['back']
    assert float(seen['ticks']) > 5.0


def test_pointing_at_a_place_on_the_plan_tells_what_to_take_again(touched):
    seen = touched[0]
    assert 'Place 2: ' in seen['plan'] and 'captures to take again' in seen['plan']
    assert seen['closer'] == pytest.approx(0.5, abs=0.01)


def test_page_prints(report):
    paper = report.parent.parent / 'report.pdf'
    _, complaints = browse(report, f'--print-to-pdf={paper}')
    assert complaints == []
    data = paper.read_bytes()
    assert data.startswith(b'%PDF-') and len(data) > 50_000


def test_page_is_complete_where_scripts_are_off(report):
    """The pictures are in the page itself: what the script adds is for the hand only."""
    source = report.read_text(encoding='utf-8')
    without = source[:source.index('<script type="application/json"')]
    for chart in ('plan', 'timeline', 'latency', 'offsets', 'stability', 'pose', 'budget'):
        assert f'<svg id="{chart}" ' in without
    assert without.count('class="xticks"') >= 7
    assert 'class="tools"' not in without


@pytest.fixture(scope='module')
def browser():
    opened = Browser()
    yield opened
    opened.close()


@pytest.mark.parametrize('size', [PHONE, (800, 1000), (1280, 800)])
def test_nothing_is_wider_than_the_window(report, browser, size):
    browser.open(report.as_uri(), size)
    assert browser.value('document.documentElement.scrollWidth') == size[0]
    assert browser.value(TOO_WIDE) == []
    assert browser.value(SMALLEST_LETTERS) > 7.5
    # The explanations stay where they are.
    notes = browser.value(SHOWN % '.tally .note')
    assert len(notes) == 3 and all(notes) and notes[0].startswith('Taken while everything')


def test_tables_on_a_phone_are_cards_or_say_that_they_can_be_moved(report, browser):
    browser.open(report.as_uri(), PHONE)
    assert browser.value(
        "document.querySelectorAll('.sideways').length") == browser.value(
        "document.querySelectorAll('.hint').length") >= 2
    assert all(browser.value(SHOWN % '.hint'))
    assert browser.value("""
        Array.from(document.querySelectorAll('.sideways')).every(function (each) {
          return getComputedStyle(each).overflowX === 'auto'; })""")
    words = browser.value(SHOWN % 'main > .wide table.cards tbody tr td:last-child')
    assert len(words) > 5 and all(words)
    browser.open(report.as_uri(), (1280, 800))
    assert not any(browser.value(SHOWN % '.hint'))


@pytest.mark.parametrize('size', [PHONE, (800, 1000), (1280, 800)])
def test_comparison_shows_all_its_columns(report, browser, size):
    folder = report.parent.parent
    write_comparison([
        Result(Task(folder / 'bag', folder / 'out', '', None), None),
        Result(Task(folder / 'gone', folder / 'gone', '', None), 'not a bag' * 30)], folder)
    browser.open((folder / 'comparison.html').as_uri(), size)
    assert browser.value('document.documentElement.scrollWidth') == size[0]
    assert browser.value(TOO_WIDE) == []
    cells = browser.value(SHOWN % 'tbody tr:first-child td')
    assert len(cells) == 15 and all(cells)
