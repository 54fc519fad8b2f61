"""Incoming: what a request may bring with it, and for how long the server waits for it.

A page sends small JSON objects of plain values. What is longer, deeper, slower or odder than anything that a page could
mean is refused before anybody looks at it.
"""

from __future__ import annotations

import asyncio
from typing import Any

import anyio
import h11
from starlette.convertors import Convertor, register_url_convertor
from starlette.requests import ClientDisconnect, Request
from uvicorn.protocols.http.h11_impl import H11Protocol

from oneshot.core.bounded_text import parse_json
from oneshot.core.text import shortened

MOST_BYTES = 200_000
"""Longest request body: a list of a thousand hits is some 40 kB."""
MOST_DEPTH = 7
"""Levels of nesting: the places of an entry's hits have their frames five deep."""
MOST_WHOLE = 2**62
"""Largest whole number, either side of zero: far beyond the frames of any take."""
HEAD_S, BODY_S = 10.0, 10.0
"""In how many seconds the head of a request must be there, and its body after it."""


class RefusedError(Exception):
    """A request that is not looked at; ``status`` is HTTP's number for why."""

    def __init__(self, status: int, why: str) -> None:
        super().__init__(why)
        self.status = status


async def read_object(request: Request) -> dict[str, Any]:
    """The JSON object that a request brings. Raises RefusedError; no more than ``MOST_BYTES`` are ever held."""
    body = bytearray()
    try:
        with anyio.fail_after(BODY_S):
            async for piece in request.stream():  # however long it says it is
                body += piece
                if len(body) > MOST_BYTES:
                    raise RefusedError(413, "the request is too long")
    except TimeoutError:
        raise RefusedError(408, "the request did not arrive in time") from None
    except ClientDisconnect:
        raise RefusedError(400, "the request broke off") from None
    try:
        said = parse_json(bytes(body), MOST_DEPTH)
    except ValueError as error:
        raise RefusedError(400, f"that JSON cannot be used: {shortened(error, 200)}") from None
    if not isinstance(said, dict):
        raise RefusedError(400, "that is no JSON object")
    _check_numbers(said)
    return said


def _check_numbers(value: object) -> None:
    """Raise RefusedError where a value from JSON holds a number that nobody can mean."""
    for each in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        _check_numbers(each)
    if isinstance(value, int | float) and not abs(value) <= MOST_WHOLE:
        raise RefusedError(400, "a number in that JSON is too large")


class _Count(Convertor[int]):
    """A number in an address: nine digits at most."""

    regex = "[0-9]{1,9}"

    def convert(self, value: str) -> int:
        """The number that stands in an address."""
        return int(value)

    def to_string(self, value: int) -> str:
        """A number as it stands in an address."""
        return str(value)


register_url_convertor("count", _Count())


class TimedProtocol(H11Protocol):
    """A connection that is closed where the head of a request is not there ``HEAD_S`` after the connection was made, or
    after its first byte: the server itself waits for ever.
    """

    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Wait for the first request."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Wait on where the head is not complete."""
        super().data_received(data)
        if self.conn.their_state is h11.IDLE:
            self._wait()
        else:
            self._wait_no_more()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing to wait for."""
        self._wait_no_more()
        super().connection_lost(exc)

    def _wait(self) -> None:
        if self._timer is None:
            self._timer = self.loop.call_later(HEAD_S, self.transport.abort)

    def _wait_no_more(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
