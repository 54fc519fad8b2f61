"""What requests may bring, and how long the server waits for them."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from review_desk import TOKEN, Client, entries, heard, place

from oneshot.core.errors import AudioError
from oneshot.review import incoming, recordings, security, server
from oneshot.review.recordings import lift, peaks
from oneshot.review.serve import CONNECTIONS, server_of
from oneshot.review.server import application

if TYPE_CHECKING:
    pass

ODD: tuple[Any, ...] = (
    ["a"], {"a": 1}, [["a"]], [{"a": 1}], [None], True, -1, 10**300, 1e300, "", "x" * 10_000, "\ud800", "a\ud800b",
    {"\udfff": 1}, [{"take": "take 1"}], [{"take": 1, "frame": 1}], [{"take": "t", "frame": "1\n[[keep]]"}],
    [{"take": "t", "frame": [1]}], [{"take": ["t"], "frame": 1.5}], {"gain_db": 1e9}, {"gain_db": "1"}, {"pan": [1]},
    {"on": 1}, {"polarity": 0}, {"gain_db": 10**30})
"""Values of kinds that no page sends."""


@contextmanager
def served(client: Client) -> Iterator[int]:
    """The client's desk behind a real socket, as the command serves it; its port."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = int(listener.getsockname()[1])
        app, _ = application(client.desk, token=TOKEN, port=port)
        running = server_of(app)
        thread = threading.Thread(target=running.run, kwargs={"sockets": [listener]})
        thread.start()
        while not running.started:
            time.sleep(0.01)
        try:
            yield port
        finally:
            running.should_exit = True
            thread.join(30)


def talk(port: int, *pieces: bytes) -> bytes:
    """All that the server answers to these bytes, until it closes; it must within thirty seconds."""
    with socket.create_connection(("127.0.0.1", port), timeout=30) as line:
        for piece in pieces:
            line.sendall(piece)
        return rest(line)


def rest(line: socket.socket) -> bytes:
    """What else comes before the other side closes."""
    got = b""
    try:
        while piece := line.recv(65536):
            got += piece
    except ConnectionResetError:
        pass
    return got


def head(port: int, path: str, *more: str, method: str = "POST") -> bytes:
    """The head of a request of the page's."""
    lines = (f"{method} /api/{path} HTTP/1.1", f"host: 127.0.0.1:{port}", f"x-oneshot-token: {TOKEN}", *more)
    return "\r\n".join((*lines, "", "")).encode()


@pytest.mark.parametrize("key", ["kind", "hits", "drum", "mics", "layer", "frames", "gain_db", "note", "to"])
def test_no_odd_value_of_an_entry_is_a_fault_of_the_server(client: Client, key: str) -> None:
    """Whatever stands in place of what a page sends is refused in one line, and nothing is written down."""
    hit = client.kept("snare")[0]
    for odd in (each for each in ODD if key != "frames" or each != -1):
        entry = {"kind": "nudge", "hits": [place(hit)], "frames": 5, key: odd}
        told(client, "decide", {"entry": entry}, also=(200,) if key == "note" and isinstance(odd, str) else ())
    assert all(each.kind == "nudge" and each.frames == 5 for each in entries(client.desk.folder))


@pytest.mark.parametrize("odd", ODD)
def test_no_odd_fader_is_a_fault_of_the_server(client: Client, odd: Any) -> None:
    """Nor a mic that is none, a revision or a number of an entry."""
    mic = next(iter(client.desk.kit.balance))
    before = (client.desk.folder / "recipe.toml").read_text(encoding="utf-8")
    for path, said in (("balance", {"mic": mic, "fader": odd}), ("balance", {"mic": odd, "fader": {"pan": 0.5}}),
                       ("decide", {"entry": odd}), ("withdraw", {"number": odd}),
                       ("undo", {"revision": odd if odd is not True else -1})):
        told(client, path, said)

    assert before == (client.desk.folder / "recipe.toml").read_text(encoding="utf-8")


def told(client: Client, path: str, said: dict[str, Any], also: tuple[int, ...] = ()) -> None:
    """One clear line comes of that request."""
    record = {"revision": client.desk.revision, **said}
    answer = client.http.post(f"/api/{path}", content=json.dumps(record).encode())

    assert answer.status_code in (400, 409, 422, *also), (said, answer.text)
    assert answer.status_code == 200 or ("\n" not in answer.json()["error"] and len(answer.content) < 1000)


@pytest.mark.parametrize("body", [
    b"", b"{", b"[]", b"null", b"NaN", b'{"revision": NaN}', b'{"revision": 1e999}', b'{"a": -Infinity}',
    b'{"a": ' + b"9" * 5000 + b"}", b'{"a": ' + b"[" * 50 + b"]" * 50 + b"}", b'{"a":' * 30_000,
    b"[" * 100_000, b"\xff\xfe", b'{"a": "\xed\xa0\x80"}', b'{"entry": {"kind": "\\ud800"}}'])
def test_what_is_no_plain_json_is_refused(client: Client, body: bytes) -> None:
    """Numbers without end or of thousands of digits, nests, half characters, other encodings: 400, one line."""
    for path in ("decide", "withdraw", "undo", "redo", "balance", "build"):
        answer = client.http.post(f"/api/{path}", content=body)
        assert 400 == answer.status_code, answer.text
        assert len(answer.json()["error"]) < 100


@pytest.mark.parametrize("path", [
    "hits/" + "9" * 5000, "hits/9999999999/outline", "takes/" + "1" * 5000 + "/sound", "hits/%C2%B2",
    "takes/0/sound?start=" + "9" * 5000, "takes/0/peaks?start=0&stop=\u0663\u0663&points=" + "9" * 15,
    "hits/0/lifted?frames=-999999999&mic=%ED%A0%80", "play/velocity?drum=%00", "play/" + "x" * 5000])
def test_no_odd_address_is_a_fault_of_the_server(client: Client, path: str) -> None:
    """Numbers of thousands of digits, digits of other scripts, names that are none."""
    answer = client.http.get(f"/api/{path}")

    assert answer.status_code == 200 or 400 <= answer.status_code < 500
    assert answer.status_code == 200 or len(answer.content) < 1000


def test_a_body_that_never_ends_is_cut_off(client: Client) -> None:
    """In pieces, whatever length it announced: 413 after the limit, and the connection is closed."""
    with served(client) as port:
        start = head(port, "decide", "content-length: 10", "transfer-encoding: chunked")
        piece = b"10000\r\n" + b" " * 65536 + b"\r\n"
        sent = 0
        with socket.create_connection(("127.0.0.1", port), timeout=10) as line:
            line.sendall(start)
            try:
                while sent < 300:
                    line.sendall(piece)
                    sent += 1
            except (BrokenPipeError, ConnectionResetError):
                pass
            answer = rest(line)
        plain = talk(port, head(port, "decide", "content-length: 200001"))

    assert sent < 300
    assert b"413" in answer[:20] or answer == b""  # what was not read any more may reset the line before it is heard
    assert b"413" in plain[:20]


def test_a_body_in_pieces_within_the_limit_is_read(client: Client) -> None:
    """As long as it is short, how it comes does not matter."""
    with served(client) as port:
        answer = talk(port, head(port, "undo", "content-length: 2", "connection: close"), b"{", b"}")

    assert b"409" in answer[:20]


def test_what_never_arrives_is_not_waited_for(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """No head, half a head, a second one that stops, empty lines, half a body: closed, and the server still answers."""
    monkeypatch.setattr(incoming, "HEAD_S", 0.4)
    monkeypatch.setattr(incoming, "BODY_S", 0.4)
    with served(client) as port:
        whole = head(port, "state", method="GET")
        assert b"" == talk(port)
        assert b"200" not in talk(port, b"\r\n")
        assert b"" == talk(port, whole[:-2])
        with socket.create_connection(("127.0.0.1", port), timeout=30) as line:
            line.sendall(whole)
            assert b"HTTP/1.1 200" == line.recv(12)
            line.sendall(whole[:20])
            rest(line)
        assert b"408" in talk(port, head(port, "undo", "content-length: 100"), b"{")[:20]
        assert b"200" in talk(port, head(port, "state", "connection: close", method="GET"))[:20]


def test_more_connections_than_a_page_makes_are_turned_away(client: Client) -> None:
    """With the last of them open a request is told that the server is busy; once they are gone it is answered."""
    with served(client) as port:
        ask = head(port, "state", "connection: close", method="GET")
        idle = [socket.create_connection(("127.0.0.1", port), timeout=10) for _ in range(CONNECTIONS - 2)]
        try:
            answers = [talk(port, ask)[:12]]
            idle.append(socket.create_connection(("127.0.0.1", port), timeout=10))
            answers.append(talk(port, ask)[:12])
        finally:
            for line in idle:
                line.close()
        until = time.monotonic() + 10
        while b"200" not in (last := talk(port, ask)[:12]) and time.monotonic() < until:
            time.sleep(0.05)

    assert [b"HTTP/1.1 200", b"HTTP/1.1 503", b"HTTP/1.1 200"] == [*answers, last]


def test_many_windows_at_once_are_sent_two_at_a_time(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """A dozen clients that ask for long windows all get them, and no more than two are read at any moment; whoever does
    not read on is cut off, so that the others do not wait for it.
    """
    monkeypatch.setattr(security, "STALL_S", 1.0)
    take, now, most = client.desk.session.takes[0], 0, 0
    guard = threading.Lock()
    stop = 10 * take.sample_rate
    wav = recordings.Recordings.wav

    def counted(self: recordings.Recordings, *window: Any) -> tuple[int, Iterator[bytes]]:
        nonlocal now, most
        with guard:
            now += 1
            most = max(most, now)
        size, pieces = wav(self, *window)

        def until_sent() -> Iterator[bytes]:
            nonlocal now
            yield from pieces
            with guard:
                now -= 1
        return size, until_sent()

    monkeypatch.setattr(recordings.Recordings, "wav", counted)
    monkeypatch.setattr(server, "AT_ONCE_BYTES", 1)
    got: list[int] = []
    with served(client) as port:
        ask = head(port, f"takes/0/sound?start=0&stop={stop}", "connection: close", method="GET")
        with socket.create_connection(("127.0.0.1", port), timeout=10) as idle:
            idle.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            idle.sendall(ask)
            threads = [threading.Thread(target=lambda: got.append(len(talk(port, ask)))) for _ in range(12)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join(60)

    assert 12 == len(got)
    assert len(set(got)) == 1
    assert got[0] > 4 * stop
    assert most <= 3  # with the one that was cut off, whose count never ends


def test_sound_in_blocks_is_the_sound(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows, outlines and lifted tails do not depend on the blocks in which they are read."""
    found = client.server.recordings
    take, hit = client.desk.session.takes[0], client.kept("snare")[0]
    x = found.read(take.name, -500, 30_000)
    monkeypatch.setattr(recordings, "BLOCK", 1000)
    answer = client.http.get("/api/takes/0/sound?start=-500&stop=30000")
    names = [mic.name for mic in found.mics(take)]
    rows = dict(zip(names, found.read(hit.take, hit.onset, hit.onset + 30_000), strict=True))
    boosted = client.http.get(f"/api/hits/{hit.id}/lifted?frames=30000&mic={hit.usable[0]}")

    assert len(answer.content) == int(answer.headers["content-length"])
    np.testing.assert_array_equal(x.T, heard(answer.content)[0])
    for points in (1, 7, 800, 4000):
        np.testing.assert_array_equal(peaks(x, points), found.peaks(take.name, -500, 30_000, points))
    np.testing.assert_allclose(lift(np.stack([rows[hit.usable[0]].astype(float)] * 2), take.sample_rate).T,
                               heard(boosted.content)[0], atol=1e-7)


def test_a_window_of_a_damaged_file_is_told_in_words(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not by an answer that breaks off."""
    read = recordings.Recordings.read

    def broken(self: recordings.Recordings, name: str, start: int, stop: int, mics: tuple[str, ...] = ()) -> Any:
        if start >= 2000:
            raise AudioError("a.wav breaks off at frame 2000")
        return read(self, name, start, stop, mics)

    monkeypatch.setattr(recordings, "BLOCK", 1000)
    monkeypatch.setattr(recordings.Recordings, "read", broken)
    answer = client.http.get("/api/takes/0/sound?start=0&stop=5000")

    assert 422 == answer.status_code
    assert "a.wav breaks off at frame 2000" == answer.json()["error"]
