"""The review server: who may come in, and what its answers allow."""

from __future__ import annotations

import io
import json
import socket
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile
from review_desk import PORT, TOKEN, Client, entries, own_copy, place
from starlette.testclient import TestClient

from oneshot.core.errors import KitError, WorkError
from oneshot.core.kit_lock import Holder
from oneshot.review import recordings
from oneshot.review.security import Guard
from oneshot.review.serve import serve
from oneshot.review.server import application

if TYPE_CHECKING:
    from stage_inputs import Pier


@pytest.mark.parametrize(("headers", "status"), [
    ({}, 200),
    ({"x-oneshot-token": "another"}, 401),
    ({"x-oneshot-token": ""}, 401),
    ({"host": f"attacker.example:{PORT}"}, 421),
    ({"host": "127.0.0.1:9"}, 421),
    ({"host": f"127.0.0.1.attacker.example:{PORT}"}, 421),
    ({"host": f"localhost:{PORT}"}, 200),
    ({"origin": "http://attacker.example"}, 403),
    ({"origin": "null"}, 403),
    ({"origin": f"http://127.0.0.1:{PORT}"}, 200),
    ({"sec-fetch-site": "cross-site"}, 403),
    ({"sec-fetch-site": "same-site"}, 403),
])
def test_only_the_page_itself_is_served(client: Client, headers: dict[str, str], status: int) -> None:
    """No token, another host name (a name bound anew to this machine) or another origin: nothing is told."""
    answer = client.http.get("/api/kit", headers=headers)

    assert status == answer.status_code
    assert status == 200 or set(answer.json()) == {"error"}


def test_a_stranger_can_change_nothing(client: Client) -> None:
    """A form or script of another page cannot write, not even with the right host."""
    hit = client.kept("snare")[0]
    entry = {"revision": 1, "entry": {"kind": "reject", "hits": [place(hit)]}}

    no_token = client.http.post("/api/decide", json=entry, headers={"x-oneshot-token": ""})
    elsewhere = client.http.post("/api/decide", json=entry, headers={"origin": "https://attacker.example"})
    endless = client.http.post("/api/decide", content=b" " * 300_000)

    assert [401, 403, 413] == [no_token.status_code, elsewhere.status_code, endless.status_code]
    assert () == entries(client.desk.folder)


def test_bare_addresses_are_served_only_where_the_network_was_asked_for() -> None:
    """Opened to the network, any bare address is this machine's; a name of somebody else's never is."""
    async def nothing(scope: Any, receive: Any, send: Any) -> None:
        del scope, receive, send

    wide, narrow = (Guard(nothing, token=TOKEN, port=80, loopback=here) for here in (False, True))

    assert wide._is_ours("192.168.1.7:80")
    assert wide._is_ours("[fe80::1]:80")
    assert not wide._is_ours("attacker.example:80")
    assert not narrow._is_ours("192.168.1.7:80")


def test_every_answer_forbids_what_the_page_does_not_need(client: Client) -> None:
    """Scripts, styles and requests of this server alone; no framing, no guessing of types, no address passed on."""
    for path in ("/", "/static/main.js", "/api/kit", "/api/nothing", "/nothing"):
        headers = client.http.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert "nosniff" == headers["x-content-type-options"]
        assert "no-referrer" == headers["referrer-policy"]


@pytest.mark.parametrize("path", ["/static/../desk.py", "/static/%2e%2e/desk.py", "/static/..%2fdesk.py",
                                  "/api/takes/99/sound?start=0&stop=100", "/api/hits/99999", "/api/hits/99999/shot",
                                  "/api/takes/0/sound?start=0&stop=99999999999", "/api/takes/0/sound",
                                  "/api/takes/0/peaks?start=5&stop=1", "/api/takes/0/sound?start=x&stop=--1"])
def test_no_address_leads_out_of_the_kit_and_its_session(client: Client, path: str) -> None:
    """A path that climbs, a take or hit that is not there, a window beyond measure: refused in one line."""
    answer = client.http.get(path)

    assert answer.status_code in (404, 422)
    assert b"import" not in answer.content
    assert len(answer.content) < 400


def test_a_manifest_cannot_name_files_outside_its_kit(client: Client, tmp_path: Path) -> None:
    """A kit from somebody else that points at a private file does not get it played."""
    secret = tmp_path / "secret.wav"
    soundfile.write(secret, np.ones(100) * 0.5, 48000)
    path = client.desk.folder / "manifest.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["one_shots"][0]["files"][0]["path"] = "../secret.wav"
    path.write_text(json.dumps(document), encoding="utf-8")

    with pytest.raises(KitError, match="not a valid manifest"):
        client.desk.reload()
    answer = client.http.get(f"/api/hits/{document['one_shots'][0]['hit']}/shot")

    assert 200 == answer.status_code  # what was read before is still there
    assert float(np.abs(soundfile.read(io.BytesIO(answer.content))[0]).max()) != 0.5


def test_one_kit_has_one_reviewer(pier: Pier, tmp_path: Path) -> None:
    """A second process is told who holds the kit; once the first lets go it may."""
    folder = own_copy(pier, tmp_path)
    first, second = Holder(folder), Holder(folder)
    first.take("process 12 at port 34")

    with pytest.raises(KitError, match=r"in use \(process 12 at port 34\): continue there"):
        second.take("process 56")
    first.leave()
    second.take("process 56")
    second.leave()


def test_the_page_is_whole(client: Client) -> None:
    """The page names only files of its own that are there, and no other server."""
    page = client.http.get("/").text
    named = {line.split('"')[0] for line in page.split("/static/")[1:]}
    scripts = [path.name for path in (Path(recordings.__file__).parent / "static").glob("*.js")]

    for name in {*named, *scripts}:
        answer = client.http.get(f"/static/{name}", headers={"x-oneshot-token": ""})
        assert 200 == answer.status_code
        assert "http://" not in answer.text
        assert "https://" not in answer.text
        assert "innerHTML" not in answer.text


def test_a_server_of_another_token_knows_nothing_of_this_one(client: Client) -> None:
    """Tokens are compared whole."""
    app, _ = application(client.desk, token=TOKEN + "x", port=PORT)
    other = TestClient(app, base_url=f"http://127.0.0.1:{PORT}", headers={"x-oneshot-token": TOKEN})

    assert 401 == other.get("/api/kit").status_code


def test_where_the_recordings_lie_must_be_known(pier: Pier, tmp_path: Path) -> None:
    """A kit that was built elsewhere asks for its session, in one line."""
    told: list[str] = []

    with pytest.raises(KitError, match="name it with --session"):
        serve(own_copy(pier, tmp_path), session_path=None, host="127.0.0.1", port=0, browser=False, tell=told.append)


def test_a_port_that_is_taken_is_told(pier: Pier, tmp_path: Path) -> None:
    """No traceback, and the kit is free again for another try."""
    told: list[str] = []
    folder = own_copy(pier, tmp_path)
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(WorkError, match="choose another one with --port"):
            serve(folder, session_path=pier.session, host="127.0.0.1", port=port, browser=False, tell=told.append)
    assert [] == told
    holder = Holder(folder)
    holder.take("again")
    holder.leave()
