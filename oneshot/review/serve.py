"""Serve: the review of one kit, from the first address to the last request."""

from __future__ import annotations

import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from oneshot.core.errors import KitError, WorkError
from oneshot.core.files import recover_folder
from oneshot.core.kit_lock import Holder, process
from oneshot.core.user_state import session_of
from oneshot.review.incoming import TimedProtocol
from oneshot.review.security import new_token
from oneshot.review.server import application
from oneshot.review.state import Desk

CONNECTIONS = 64
"""Open at once, of all pages together: a browser opens six for each."""
LOOPBACK = ("127.0.0.1", "localhost", "::1")


def serve(folder: Path, *, session_path: Path | None, host: str, port: int, browser: bool,
          tell: Callable[[str], None]) -> None:
    """Serve the review page of a kit until the process is interrupted.

    ``port`` 0 takes a free one; ``tell`` gets the address, once requests are answered there. Raises KitError where the
    folder is no kit, its recordings are not known, or another process reviews it; WorkError where the port is taken.
    """
    recover_folder(folder)
    recordings = session_path or session_of(folder)
    if recordings is None:
        raise KitError(f"{folder}: the folder of its recordings is not known on this machine: name it with --session")
    holder = Holder(folder)
    holder.take(f"a review, {process()}")
    try:
        desk = Desk(folder, recordings)
        listener = _listen(host, port)
        taken = int(listener.getsockname()[1])
        token = new_token()
        app, _ = application(desk, token=token, port=taken, loopback=host in LOOPBACK, names=(host.lower(),))
        address = f"http://{f'[{host}]' if ':' in host else host}:{taken}/#{token}"
        holder.say(f"a review, {process()} at port {taken}")
        server = server_of(app)
        threading.Thread(target=_announce, args=(server, address, browser, tell), daemon=True).start()
        server.run(sockets=[listener])
    finally:
        holder.leave()


def server_of(app: ASGIApp) -> uvicorn.Server:
    """The server of that application, with the limits that it has."""
    return uvicorn.Server(uvicorn.Config(app, http=TimedProtocol, ws="none", limit_concurrency=CONNECTIONS,
                                         log_level="warning", access_log=False, server_header=False))


def _announce(server: uvicorn.Server, address: str, browser: bool, tell: Callable[[str], None]) -> None:
    """Tell the address once it answers."""
    waiting = threading.Event()
    while not server.started:
        if server.should_exit or waiting.wait(0.02):
            return
    tell(address)
    if browser:
        webbrowser.open(address)


def _listen(host: str, port: int) -> socket.socket:
    try:
        return socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
    except OSError as error:
        raise WorkError(f"port {port} of {host} cannot be used ({error.strerror or error}): choose another one with "
                        "--port") from None
