"""Server: the addresses of the review page.

``/`` and ``/static/`` are the page itself and hold nothing of the kit; ``/api/`` is the kit, and asks for the token.
Errors that the user can put right come back as one line, as on the command line.
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import asynccontextmanager
from importlib.resources import files
from itertools import chain
from typing import Any

from anyio import CapacityLimiter, to_thread
from anyio.lowlevel import RunVar
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from oneshot.core.errors import OneshotError
from oneshot.core.text import shortened
from oneshot.kit.report.page import GRADES
from oneshot.review import recordings, views
from oneshot.review.decisions import entry_row
from oneshot.review.incoming import RefusedError, read_object
from oneshot.review.rebuild import Rebuild
from oneshot.review.recordings import Recordings
from oneshot.review.security import Guard
from oneshot.review.state import Desk, StaleError

TYPES = {"html": "text/html; charset=utf-8", "css": "text/css; charset=utf-8", "js": "text/javascript; charset=utf-8",
         "svg": "image/svg+xml"}
Json = dict[str, Any]
ANSWERS, SOUNDS = 8, 2
"""Requests that are answered at a time, and those of sound among them: the others wait for their turn."""
AT_ONCE_BYTES = 16 << 20
"""So much of a window is read before its answer begins, so that a damaged file is told in words."""
MOST_LETTERS = 500
"""Of a message: it may quote what was sent."""


class Pages:
    """What each address answers."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.recordings = Recordings(desk)
        self.rebuild = Rebuild(desk)

    # ------------------------------------------------------------------------------------------------------- looking

    def kit(self, request: Request) -> Json:
        """The kit as a whole."""
        del request
        self.desk.look()
        with self.desk.lock:
            return views.summary(self.desk)

    def hits(self, request: Request) -> Json:
        """All hits, as the list shows them."""
        del request
        with self.desk.lock:
            return {"revision": self.desk.revision, "hits": views.rows(self.desk)}

    def state(self, request: Request) -> Json:
        """What may change by itself: the revision and a running build. Never waits for a build."""
        del request
        if self.rebuild.state["state"] != "building":
            self.desk.look()
        return {"revision": self.desk.revision, "outlook": self.desk.outlook, "build": self.rebuild.state}

    def hit(self, request: Request) -> Json:
        """One hit in full."""
        return views.detail(self.desk, self.recordings, request.path_params["number"], self.rebuild.grades)

    def play(self, request: Request) -> Json:
        """What to play, when and how loud."""
        query = request.query_params
        return views.voices(self.desk, request.path_params["what"], query.get("drum"), query.get("articulation"))

    # ------------------------------------------------------------------------------------------------------- hearing

    def window(self, request: Request) -> Response:
        """A stretch of a take, all mics, as WAV."""
        name, start, stop = self._stretch(request)
        size, pieces = self.recordings.wav(name, start, stop)
        return StreamingResponse(_begun(pieces), media_type="audio/wav", headers={"content-length": str(size)})

    def peaks(self, request: Request) -> Response:
        """The outline of a stretch of a take: int16 (mics, points, 2)."""
        name, start, stop = self._stretch(request)
        found = self.recordings.peaks(name, start, stop, _whole(request, "points", 800))
        return Response(found.tobytes(), media_type="application/octet-stream",
                        headers={"x-points": str(found.shape[1])})

    def outline(self, request: Request) -> Response:
        """The outline of one hit in its home mic, for the list: int16 (points, 2)."""
        hit = self.desk.hit(request.path_params["number"])
        take = self.recordings.take(hit.take)
        home = next((d.home for d in self.desk.kit.drums if d.name == hit.drum), None)
        names = [mic.name for mic in self.recordings.mics(take)]
        x = self.recordings.read(hit.take, hit.onset - take.sample_rate // 100, hit.onset + take.sample_rate // 4,
                                 (home if home in names else names[0],))
        return Response(recordings.peaks(x, 64).tobytes(), media_type="application/octet-stream")

    def lifted(self, request: Request) -> Response:
        """A hit with its tail lifted, nothing above the ceiling."""
        hit = self.desk.hit(request.path_params["number"])
        length = min(max(_whole(request, "frames", 96000), 1), round(recordings.MOST_S * self.desk.rates[hit.take]))
        made = self.recordings.lifted(hit, hit.onset + length, request.query_params.get("mic"))
        return Response(made, media_type="audio/wav")

    def shot(self, request: Request) -> Response:
        """A one-shot's own files that play, a channel per mic; their names in a header, as JSON in ASCII."""
        number = request.path_params["number"]
        self.desk.hit(number)
        shot = self.desk.shots.get(number)
        if shot is None:
            return _answer({"error": "this hit has no one-shot in the kit"}, 404)
        made, names = recordings.shot_wav(self.desk, shot)
        return Response(made, media_type="audio/wav", headers={"x-mics": json.dumps(names)})

    def _stretch(self, request: Request) -> tuple[str, int, int]:
        takes = self.desk.session.takes
        number = request.path_params["take"]
        name = takes[number].name if number < len(takes) else ""
        return name, _whole(request, "start", 0), _whole(request, "stop", 0)

    # ------------------------------------------------------------------------------------------------------ changing

    def decide(self, request: Request, said: Json) -> Json:
        """Write an entry down."""
        del request
        entry = self.desk.decide(_revision(said), said.get("entry"))
        self.rebuild.work_ahead()
        return {"revision": self.desk.revision, "entry": entry_row(entry)}

    def withdraw(self, request: Request, said: Json) -> Json:
        """Take one entry out, wherever it stands."""
        del request
        self.desk.withdraw(_revision(said), said.get("number"))
        self.rebuild.work_ahead()
        return {"revision": self.desk.revision}

    def undo(self, request: Request, said: Json) -> Json:
        """Take the last decision back."""
        del request
        return self._stepped(self.desk.undo(_revision(said)))

    def redo(self, request: Request, said: Json) -> Json:
        """Do what was taken back last once more."""
        del request
        return self._stepped(self.desk.redo(_revision(said)))

    def _stepped(self, done: Mapping[str, Any] | None) -> Json:
        if done is not None:
            self.rebuild.work_ahead()
        return {"done": done, "revision": self.desk.revision}

    def fader(self, request: Request, said: Json) -> Json:
        """Put a mic somewhere in the balance, and with it the other side of its pair where that is said, too."""
        del request
        faders = [(said.get("mic"), said.get("fader"))]
        other = said.get("other_side")
        if isinstance(other, dict):
            faders.append((other.get("mic"), other.get("fader")))
        self.desk.set_faders(_revision(said), faders)
        with self.desk.lock:
            return {"revision": self.desk.revision, "kit": views.standing(self.desk)}

    def build(self, request: Request, said: Json) -> Json:
        """Start building the kit anew."""
        del request, said
        return {"begun": self.rebuild.begin(), "build": self.rebuild.state}


def application(desk: Desk, *, token: str, port: int, loopback: bool = True,
                names: tuple[str, ...] = ()) -> tuple[ASGIApp, Pages]:
    """The server for one kit, behind its guard, and what it answers with."""
    pages = Pages(desk)

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        """Work ahead while the server runs; end it and close the recordings with it."""
        del app
        pages.rebuild.start()
        yield
        await run_in_threadpool(pages.rebuild.end)
        pages.recordings.close()

    reading: dict[str, Callable[[Request], Json | Response]] = {
        "kit": pages.kit, "hits": pages.hits, "state": pages.state, "hits/{number:count}": pages.hit,
        "hits/{number:count}/outline": pages.outline, "play/{what:str}": pages.play}
    sounding: dict[str, Callable[[Request], Json | Response]] = {
        "hits/{number:count}/lifted": pages.lifted, "hits/{number:count}/shot": pages.shot,
        "takes/{take:count}/sound": pages.window, "takes/{take:count}/peaks": pages.peaks}
    writing = {"decide": pages.decide, "withdraw": pages.withdraw, "undo": pages.undo, "redo": pages.redo,
               "balance": pages.fader, "build": pages.build}
    routes = [Route("/", _static("index.html")), Route("/static/{name}", _asset),
              *(Route(f"/api/{path}", _reading(answer)) for path, answer in reading.items()),
              *(Route(f"/api/{path}", _sounding(answer)) for path, answer in sounding.items()),
              *(Route(f"/api/{path}", _writing(answer), methods=["POST"]) for path, answer in writing.items())]
    guard = Guard(Starlette(routes=routes, lifespan=life), token=token, port=port, loopback=loopback, names=names)
    return guard, pages


class Workers:
    """How many requests are answered at a time, and how many of sound, which is held until the client has it."""

    def __init__(self) -> None:
        self.answers, self.sounds = CapacityLimiter(ANSWERS), CapacityLimiter(SOUNDS)


_WORKERS: RunVar[Workers] = RunVar("workers")
"""Of the event loop that asks: who waits in one cannot be woken by another."""


def _workers() -> Workers:
    try:
        return _WORKERS.get()
    except LookupError:
        _WORKERS.set(made := Workers())
        return made


async def _in_thread(answer: Callable[..., Json | Response], *given: Any) -> Response:
    """The answer, or what is wrong in one line, from a thread of its own."""
    return await to_thread.run_sync(_told, answer, *given, limiter=_workers().answers)


class _Sound(Response):
    """An answer that is only made when it is its turn, and sent before the next one's is."""

    def __init__(self, answer: Callable[[Request], Json | Response], request: Request) -> None:
        super().__init__()
        self._answer, self._request = answer, request

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async with _workers().sounds:
            made = await _in_thread(self._answer, self._request)
            await made(scope, receive, send)


def _sounding(answer: Callable[[Request], Json | Response]) -> Callable[[Request], Any]:
    async def endpoint(request: Request) -> Response:
        """Sound, or what is drawn of it."""
        return _Sound(answer, request)
    return endpoint


def _reading(answer: Callable[[Request], Json | Response]) -> Callable[[Request], Any]:
    async def endpoint(request: Request) -> Response:
        """What is asked for."""
        return await _in_thread(answer, request)
    return endpoint


def _writing(answer: Callable[[Request, Json], Json]) -> Callable[[Request], Any]:
    async def endpoint(request: Request) -> Response:
        """What is said, taken as JSON, and what came of it."""
        try:
            said = await read_object(request)
        except RefusedError as error:
            return _answer({"error": str(error)}, error.status)
        return await _in_thread(answer, request, said)
    return endpoint


def _begun(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """The same, its first pieces made at once."""
    first, size = [], 0
    for piece in pieces:
        first.append(piece)
        size += len(piece)
        if size > AT_ONCE_BYTES:
            break
    return chain(first, pieces)


def _told(answer: Callable[..., Json | Response], *given: Any) -> Response:
    """The answer, or what is wrong in one line."""
    try:
        found = answer(*given)
    except StaleError as error:
        return _answer({"error": str(error), "stale": True}, 409)
    except OneshotError as error:
        return _answer({"error": shortened(error, MOST_LETTERS)}, 422)
    except OSError as error:
        return _answer({"error": f"cannot write to disk: {error.strerror or error}"}, 507)
    return found if isinstance(found, Response) else _answer(found)


def _answer(record: Mapping[str, Any], status: int = 200) -> Response:
    return Response(views.as_json(record), status, media_type="application/json")


def _whole(request: Request, name: str, usual: int) -> int:
    """A whole number of the query; the usual one where it is missing or none."""
    text = request.query_params.get(name, "")
    return int(text) if len(text) < 16 and text.removeprefix("-").isdecimal() else usual


def _revision(said: Json) -> int:
    found = said.get("revision")
    return found if isinstance(found, int) else -1


def _static(name: str) -> Callable[[Request], Any]:
    async def endpoint(request: Request) -> Response:
        """Always the same file."""
        del request
        return _page(name)
    return endpoint


async def _asset(request: Request) -> Response:
    return _page(request.path_params["name"])


def _page(name: str) -> Response:
    """A file of the page: only those that are there, by their plain names."""
    known = {each.name: each for each in files("oneshot.review").joinpath("static").iterdir()}
    known[GRADES] = files("oneshot.kit.report").joinpath(GRADES)
    if name not in known:
        return _answer({"error": "no such page"}, 404)
    return Response(known[name].read_bytes(), media_type=TYPES[name.rpartition(".")[2]])
