# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The server in a thread of its own, so that neither waits for the other."""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from typing import Mapping

from aiohttp import web
from aiohttp.http_exceptions import HttpProcessingError
from robot_mapping_qa.page.server import PageServer

END_S = 1.0
"""Answers under way get so long to end."""

_LOGGER = logging.getLogger(__name__)
# What is no request is answered as that. Anybody on the network could fill the log with it.
_LOGGER.addFilter(lambda record: not record.exc_info or not isinstance(
    record.exc_info[1], HttpProcessingError))


class ServerThread:
    """Runs the event loop; `put` and `close` are for the other threads."""

    def __init__(self, server: PageServer, listener: socket.socket) -> None:
        """Serve on a listening socket from now on."""
        self._server = server
        self._listener = listener
        self._loop = asyncio.new_event_loop()
        self._stop = asyncio.Event()
        self._lock = threading.Lock()
        self._waiting: dict[str, bytes] = {}
        self._thread = threading.Thread(target=self._run, name='page', daemon=True)
        self._thread.start()

    def put(self, events: Mapping[str, bytes]) -> None:
        """Hand over the newest texts; where the loop is busy, only the newest of each wait."""
        with self._lock:
            told = bool(self._waiting)
            self._waiting.update(events)
        if not told:
            self._loop.call_soon_threadsafe(self._take)

    def close(self) -> None:
        """End every connection and the thread."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stop.set)
            self._thread.join(2.0 * END_S)

    def _take(self) -> None:
        with self._lock:
            events, self._waiting = self._waiting, {}
        self._server.feed.put(events)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_until_complete(self._serve())
        finally:
            self._loop.close()

    async def _serve(self) -> None:
        # No log of requests: an address may hold a token.
        runner = web.AppRunner(self._server.application, access_log=None, logger=_LOGGER,
                               handler_cancellation=True, shutdown_timeout=END_S)
        await runner.setup()
        await web.SockSite(runner, self._listener).start()
        await self._stop.wait()
        self._server.feed.close()
        await runner.cleanup()
