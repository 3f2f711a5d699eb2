# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A real Chromium without a window, driven through its DevTools protocol."""

import asyncio
import base64
import json
from pathlib import Path
import re
import shutil
import subprocess
import tempfile
import time

import aiohttp
import pytest

PROGRAM = shutil.which('chromium') or shutil.which('chromium-browser')
TABLET, UPRIGHT, PHONE = (1280, 800), (800, 1280), (390, 844)
START_S, ANSWER_S = 30.0, 30.0


def needs_chromium():
    """Skip the test where there is no Chromium."""
    if PROGRAM is None:
        pytest.skip('chromium is not installed on this machine')


class Browser:
    """One page; ``errors`` gathers what its console reports as an error."""

    def __init__(self):
        self.errors = []
        self._folder = tempfile.mkdtemp(prefix='chromium_')
        self._process = subprocess.Popen(
            [PROGRAM, '--headless=new', '--no-sandbox', '--disable-gpu', '--no-first-run',
             '--disable-dev-shm-usage', '--remote-debugging-port=0', '--hide-scrollbars',
             f'--user-data-dir={self._folder}', 'about:blank'],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
            text=True)
        self._loop = asyncio.new_event_loop()
        self._number = 0
        try:
            address = next(found.group(1) for found in (
                re.search(r'DevTools listening on ws://([^/]+)/', line)
                for line in self._process.stderr) if found)
            self._run(self._connect(address))
            for domain in ('Page', 'Runtime', 'Log'):
                self.call(f'{domain}.enable')
        except BaseException:
            self.close()
            raise

    def _run(self, coroutine):
        return self._loop.run_until_complete(asyncio.wait_for(coroutine, START_S))

    async def _connect(self, address):
        self._session = aiohttp.ClientSession()
        async with self._session.get(f'http://{address}/json/list') as answer:
            pages = await answer.json()
        page = next(each for each in pages if each['type'] == 'page')
        self._socket = await self._session.ws_connect(
            page['webSocketDebuggerUrl'], max_msg_size=0)

    def call(self, method, **parameters):
        """Call a method of the protocol and return its result."""
        return self._run(self._call(method, parameters))

    async def _call(self, method, parameters):
        self._number += 1
        await self._socket.send_json(
            {'id': self._number, 'method': method, 'params': parameters})
        while True:
            message = json.loads((await self._socket.receive(ANSWER_S)).data)
            if message.get('id') == self._number:
                assert 'error' not in message, message
                return message['result']
            self._note(message.get('method'), message.get('params'))

    def _note(self, method, told):
        if method == 'Runtime.exceptionThrown':
            self.errors.append(json.dumps(told['exceptionDetails'])[:400])
        elif method == 'Log.entryAdded' and told['entry']['level'] == 'error':
            self.errors.append(told['entry']['text'] + ' ' + told['entry'].get('url', ''))
        elif method == 'Runtime.consoleAPICalled' and told['type'] in ('error', 'assert'):
            self.errors.append(json.dumps(told['args'])[:400])

    def open(self, address, size=TABLET):
        """Show a page in a window of a size."""
        width, height = size
        self.call('Emulation.setDeviceMetricsOverride', width=width, height=height,
                  deviceScaleFactor=1, mobile=width < 600)
        self.value('window.leftBehind = true')
        self.call('Page.navigate', url=address)
        loaded = '!window.leftBehind && document.readyState === "complete"'
        assert self.wait(loaded, ANSWER_S) is not None

    def value(self, expression):
        """Return what a JavaScript expression gives."""
        told = self.call('Runtime.evaluate', expression=expression, returnByValue=True,
                         awaitPromise=True)
        assert 'exceptionDetails' not in told, told
        return told['result'].get('value')

    def text(self, selector):
        """Return the text that an element shows."""
        return self.value(f'document.querySelector({json.dumps(selector)}).innerText')

    def wait(self, expression, seconds, meanwhile=lambda: time.sleep(0.02)):
        """Return after how long an expression became true, None where it never did."""
        expression = f'(() => {{ try {{ return {expression}; }} catch {{ return false; }} }})()'
        start = time.monotonic()
        while time.monotonic() - start < seconds:
            if self.value(expression):
                return time.monotonic() - start
            meanwhile()
        return None

    def click(self, selector):
        """Press the left button over the middle of an element."""
        x, y = self.value(
            f'(({{x, y, width, height}}) => [x + width / 2, y + height / 2])('
            f'document.querySelector({json.dumps(selector)}).getBoundingClientRect())')
        for kind in ('mousePressed', 'mouseReleased'):
            self.call('Input.dispatchMouseEvent', type=kind, x=x, y=y, button='left',
                      clickCount=1)

    def key(self, name):
        """Press a key, such as Enter or Tab, where the focus is."""
        text = {'Enter': '\r'}.get(name)
        self.call('Input.dispatchKeyEvent', type='keyDown', key=name, code=name,
                  **({'text': text, 'windowsVirtualKeyCode': 13} if text else {}))
        self.call('Input.dispatchKeyEvent', type='keyUp', key=name, code=name)

    def screenshot(self, file):
        """Write what the window shows as a PNG."""
        data = self.call('Page.captureScreenshot', format='png')['data']
        Path(file).write_bytes(base64.b64decode(data))

    def close(self):
        """End Chromium and remove what it wrote."""
        if hasattr(self, '_session'):
            self._loop.run_until_complete(self._session.close())
        self._loop.close()
        self._process.terminate()
        try:
            self._process.wait(5.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process.stderr.close()
        shutil.rmtree(self._folder, ignore_errors=True)
