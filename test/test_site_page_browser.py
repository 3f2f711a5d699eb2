# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The page in a real browser: whether it fits, is drawn fast enough and can be handled."""

from dataclasses import replace
import http.client
from math import pi
import time

from browser import Browser, needs_chromium, PHONE, TABLET, UPRIGHT
import page_stage as stage
import pytest
from robot_mapping_qa.capture.redo_watch import Place
from robot_mapping_qa.page.listening import open_port
from robot_mapping_qa.page.server import HoldAnswer, PageServer
from robot_mapping_qa.page.serving import ServerThread

WORD = 'document.getElementById("word").textContent'
STALE = 'document.body.classList.contains("stale")'
CUT_OFF = """
[...document.querySelectorAll("#gate, #word, #figures, #figures b, button")]
  .filter((each) => each.clientWidth && each.scrollWidth > each.clientWidth + 1)
  .map((each) => each.id || each.textContent)"""
SMALL_BUTTONS = """
[...document.querySelectorAll("button")].filter((each) =>
  each.clientHeight && each.getBoundingClientRect().height < 44).length"""
COUNT_DRAWS = """(() => {
  window.draws = 0;
  const draw = CanvasRenderingContext2D.prototype.clearRect;
  CanvasRenderingContext2D.prototype.clearRect = function (...box) {
    window.draws += 1;
    draw.apply(this, box);
  };
})()"""
BLUE_PIXELS = """(() => {
  const canvas = document.querySelector("canvas");
  const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
  let count = 0;
  for (let i = 0; i < data.length; i += 4)
    count += data[i] < 20 && data[i + 1] > 100 && data[i + 2] > 160;
  return count;
})()"""


@pytest.fixture(scope='module')
def browser():
    needs_chromium()
    browser = Browser()
    yield browser
    browser.close()


class Staged:
    """A server of the test's own that is told what to show."""

    def __init__(self):
        async def ask(wanted):
            return HoldAnswer(True, '')
        listener = open_port('127.0.0.1', 0, False)
        self.address = f'http://127.0.0.1:{listener.getsockname()[1]}/'
        self._thread = ServerThread(PageServer(ask), listener)
        self.told = stage.Stage()

    def send(self):
        self._thread.put(self.told.state.take_unsent(self.told.steady_ns, stage.NOW_NS))
        time.sleep(0.1)

    def close(self):
        self._thread.close()


@pytest.fixture
def staged(browser):
    staged = Staged()
    browser.open('about:blank')
    browser.errors.clear()
    yield staged
    staged.close()


@pytest.mark.parametrize('size', [TABLET, UPRIGHT, PHONE], ids=['tablet', 'upright', 'phone'])
@pytest.mark.parametrize('decision, word', [
    (stage.OPEN, 'OPEN'), (stage.NEAR, 'OPEN'), (stage.BROKEN, 'HELD'), (stage.BY_HAND, 'HELD')])
def test_everything_fits_at_both_sizes(staged, browser, size, decision, word):
    staged.told.walk_round(300.0)
    staged.told.gate(decision)
    staged.told.disk(**stage.WARNED_DISK)
    staged.told.a_few_events()
    browser.open(staged.address, size)
    assert browser.wait(f'{WORD} === "{word}"', 5.0, staged.send) is not None
    assert browser.value('document.documentElement.scrollWidth') <= size[0]
    if size == TABLET:
        assert browser.value('document.documentElement.scrollHeight') <= size[1]
    assert browser.value(CUT_OFF) == []
    # 12 mm of letter on a screen of 5.9 px/mm (10 inch, 1280 px) or 13 px/mm of CSS (phone).
    assert browser.value('document.getElementById("word").getBoundingClientRect().height') > 85
    assert browser.value(SMALL_BUTTONS) == 0
    assert browser.errors == []


@pytest.mark.parametrize('size', [UPRIGHT, PHONE], ids=['upright', 'phone'])
def test_no_reason_is_cut_in_half_where_the_page_can_be_scrolled(staged, browser, size):
    staged.told.gate(stage.held(*(stage.condition(
        f'camera_{number}/silent', f'camera_{number} silent for 54.9 s. It fell silent 17 times '
        'in 60.9 s') for number in range(8))))
    browser.open(staged.address, size)
    assert browser.wait(f'{WORD} === "HELD"', 5.0, staged.send) is not None
    assert browser.value('document.querySelectorAll("#reason-list li").length') == 8
    assert browser.value('(({scrollHeight, clientHeight}) => scrollHeight - clientHeight)('
                         'document.getElementById("reasons"))') == 0
    assert browser.value(CUT_OFF) == []


@pytest.mark.parametrize('told, lasts, below', [
    ({'minutes': 77400.0, 'free_bytes': 74.1e9}, '> 24 h', '74 GB free'),
    ({'minutes': 1439.0, 'free_bytes': 74.1e9}, '23 h 59 min', '74 GB free'),
    ({'minutes': None, 'free_bytes': 74.1e9}, '74 GB free', ''),
    ({'minutes': None, 'free_bytes': 2.14e9}, '2.1 GB free', ''),
    (stage.WARNED_DISK, '7 min', 'the disk is full in 7 min at the present rate')])
def test_the_disk_is_told_as_far_as_it_is_known(staged, browser, told, lasts, below):
    staged.told.gate(stage.OPEN)
    staged.told.disk(**told)
    browser.open(staged.address, PHONE)
    assert browser.wait(f'{WORD} === "OPEN"', 5.0, staged.send) is not None
    assert (browser.text('#disk'), browser.text('#disk-text')) == (lasts, below)
    assert browser.value(CUT_OFF) == []


def test_a_place_is_told_by_its_path_and_as_the_robot_sees_it(staged, browser):
    staged.told.gate(replace(stage.OPEN, figures={**stage.FIGURES, 'path_length_m': 120.0}))
    staged.told.pose(10.0, 5.0, pi / 2)
    staged.told.places([
        Place(number, (x, y, 0.0), from_m, to_m, ('a silent',)) for number, x, y, from_m, to_m in (
            (1, 10.0, 25.0, 0.0, 37.2), (2, 10.0, -1.0, 40.0, 41.0), (3, 2.0, 6.0, 50.0, 51.0),
            (4, 40.0, 5.0, 60.0, 61.0), (5, 9.0, 5.0, 110.0, 119.5))])
    browser.open(staged.address)
    seen = '[...document.querySelectorAll("#place-list .where")].map((each) => each.textContent)'
    assert browser.wait(f'({seen})[4]?.includes("you")', 5.0, staged.send) is not None
    assert [text.replace('\u00a0', ' ') for text in browser.value(seen)] == [
        'path 0.0 to 37.2 m, its middle 20 m ahead of you',
        'path 40.0 to 41.0 m, its middle 6 m behind you',
        'path 50.0 to 51.0 m, its middle 8 m to your left',
        'path 60.0 to 61.0 m, its middle 30 m to your right',
        'path 110.0 to 119.5 m: you are in it']


def test_two_kilometres_are_redrawn_each_second_and_more(staged, browser):
    staged.told.walk_round(2000.0)
    staged.told.gate(stage.OPEN)
    browser.open(staged.address)
    assert browser.wait(f'{WORD} === "OPEN"', 5.0, staged.send) is not None
    browser.value(COUNT_DRAWS)
    start = time.monotonic()
    for number in range(30):
        staged.told.pose(10.0 + 0.1 * number, 5.0)
        staged.send()
    assert browser.value('window.draws') / (time.monotonic() - start) > 2.0
    assert browser.value('document.querySelectorAll("#place-list button").length') == 22
    # Something is drawn: the path's blue is among the pixels.
    assert browser.value(BLUE_PIXELS) > 5000
    assert browser.errors == []


def test_the_plan_can_be_moved_and_scaled(staged, browser):
    staged.told.walk_round(60.0)
    staged.told.gate(stage.OPEN)
    browser.open(staged.address)
    assert browser.wait(f'{WORD} === "OPEN"', 5.0, staged.send) is not None
    pressed = 'document.getElementById("all").getAttribute("aria-pressed")'
    picture = 'document.querySelector("canvas").toDataURL()'
    assert browser.value(pressed) == 'true'
    seen = {browser.value(picture)}
    for act in (lambda: browser.click('#nearer'),
                lambda: browser.call('Input.dispatchMouseEvent', type='mouseWheel', x=700, y=400,
                                     deltaX=0, deltaY=200),
                lambda: (browser.value('document.querySelector("canvas").focus()'),
                         browser.key('ArrowLeft'))):
        act()
        assert browser.wait(f'{pressed} === "false"', 1.0) is not None
        time.sleep(0.1)
        seen.add(browser.value(picture))
    assert len(seen) == 4
    browser.click('#all')
    assert browser.wait(f'{pressed} === "true"', 1.0) is not None


def test_who_wants_no_motion_gets_none(staged, browser):
    staged.told.gate(stage.BROKEN)
    browser.open(staged.address)
    moving = 'getComputedStyle(document.getElementById("gate")).animationName'
    assert browser.wait(f'{moving} === "flash"', 5.0, staged.send) is not None
    browser.call('Emulation.setEmulatedMedia', features=[
        {'name': 'prefers-reduced-motion', 'value': 'reduce'}])
    assert browser.wait(f'{moving} === "none"', 2.0, staged.send) is not None
    browser.call('Emulation.setEmulatedMedia', features=[])


def test_the_reason_of_a_refusal_is_shown(staged, browser):
    others = []
    try:
        for _ in range(8):
            other = http.client.HTTPConnection(staged.address[7:-1], timeout=5)
            other.request('GET', '/stream')
            others.append(other)
        time.sleep(0.2)
        browser.open(staged.address)
        assert browser.wait('document.getElementById("no-data").textContent.includes('
                            '"look at this page already")', 10.0, staged.send) is not None
    finally:
        for other in others:
            other.close()
    assert browser.wait(f'!{STALE}', 15.0, staged.send) is not None
