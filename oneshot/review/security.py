"""Guard: who may speak to the review server, and what its answers allow a page to do.

The server holds private recordings and can write into a kit, so a stranger's web page open in the same browser must not
reach it. Host names other than this machine's are refused (else a name that is bound anew to 127.0.0.1 would get in);
requests from another origin are refused; every request for data carries a token that only the command's user has seen.
"""

from __future__ import annotations

import ipaddress
import secrets
from collections.abc import Collection
from contextlib import suppress

import anyio
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from oneshot.review.incoming import MOST_BYTES

TOKEN_HEADER = "x-oneshot-token"  # noqa: S105 - the name of a header, not a secret
POLICY = ("default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
          "base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
HEADERS = {
    "content-security-policy": POLICY, "x-content-type-options": "nosniff", "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin", "cross-origin-opener-policy": "same-origin",
    "cache-control": "no-store", "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
STALL_S = 20.0
"""How long a client may leave an answer unread before its connection is cut."""


def new_token() -> str:
    """A token nobody guesses: 128 bits."""
    return secrets.token_urlsafe(16)


class Guard:
    """Wraps the application. ``loopback``: only names of this machine are served; else any bare address is, too."""

    def __init__(self, app: ASGIApp, *, token: str, port: int, loopback: bool = True,
                 names: Collection[str] = ()) -> None:
        self.app, self.token, self.port, self.loopback = app, token, port, loopback
        self.names = {"127.0.0.1", "localhost", "::1", *names}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve, or say why not."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return

        async def outward(message: Message) -> None:
            """Every answer with the headers that keep it to itself."""
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                if message["status"] in (408, 413):  # what else it sends is not read
                    headers["connection"] = "close"
            with anyio.fail_after(STALL_S):
                await send(message)

        refused = self._refused(scope)
        with suppress(TimeoutError):  # the server closes the connection of an answer that does not end
            if refused is not None:
                await JSONResponse({"error": refused[1]}, refused[0])(scope, receive, outward)
            else:
                await self.app(scope, receive, outward)

    def _refused(self, scope: Scope) -> tuple[int, str] | None:
        """(status, reason) where a request must not be served."""
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not self._is_ours(host):
            return 421, "this server answers to its own address only"
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{host}":
            return 403, "requests from other pages are refused"
        if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            return 403, "requests from other pages are refused"
        if not scope["path"].startswith("/api/"):
            return None
        if not secrets.compare_digest(headers.get(TOKEN_HEADER, "").encode(), self.token.encode()):
            return 401, "the token is missing or wrong: open the address that the command printed"
        length = headers.get("content-length", "")
        if scope["method"] != "GET" and (not length.isdecimal() or len(length) > 9 or int(length) > MOST_BYTES):
            return 413, "a request needs a content length, within the limit"
        return None

    def _is_ours(self, host: str) -> bool:
        name, _, port = host.rpartition(":")
        if port != str(self.port):
            return False
        name = name.strip("[]").lower()
        if name in self.names:
            return True
        if self.loopback:
            return False
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True
