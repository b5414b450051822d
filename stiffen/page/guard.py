"""Who may use the page: the browser of this machine, with the secret that stands in the address.

A page of another site that is open in the same browser cannot guess the secret, and its requests bear another origin.
A name that was pointed at 127.0.0.1 shows as another host.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

ADDRESS = "127.0.0.1"
SECRET_BYTES = 24
FORBIDDEN_CLOSE = 1008  # close code of a WebSocket: policy violation (RFC 6455, 7.4.1)
HEADERS = {
    "content-security-policy": (
        "default-src 'self'; connect-src 'self' ws://127.0.0.1:* ws://localhost:*; frame-ancestors 'none'; "
        "base-uri 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-resource-policy": "same-origin",
}


# A written report carries its style and its pictures in itself; it runs nothing and loads nothing.
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; base-uri 'none'"


def new_secret() -> str:
    """A secret for one run of the page."""
    return secrets.token_urlsafe(SECRET_BYTES)


@dataclass(frozen=True)
class Guard:
    """Lets a request pass only if host, origin and the first part of its path are right; strips that part.

    app: what is guarded.  port: at which the server listens.  secret: first part of the path.
    """

    app: ASGIApp
    port: int
    secret: str
    hosts: frozenset[str] = field(init=False)

    def __post_init__(self) -> None:
        names = (ADDRESS, "localhost")
        object.__setattr__(self, "hosts", frozenset(f"{name}:{self.port}" for name in names))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        path = self._inner_path(scope)
        if path is None:
            await self._refuse(scope, receive, send)
            return
        await self.app({**scope, "path": path, "raw_path": path.encode()}, receive, _with_headers(send))

    def _inner_path(self, scope: Scope) -> str | None:
        """The path behind the secret; None if the request is not let in."""
        headers = Headers(scope=scope)
        if headers.get("host") not in self.hosts:
            return None
        origin = headers.get("origin")
        must_tell = scope["type"] == "websocket"  # every browser tells the origin of a WebSocket
        if (origin is not None or must_tell) and origin not in {f"http://{host}" for host in self.hosts}:
            return None
        first, _, rest = str(scope["path"]).removeprefix("/").partition("/")
        if not secrets.compare_digest(first.encode(), self.secret.encode()):
            return None
        return "/" + rest

    async def _refuse(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": FORBIDDEN_CLOSE})
            return
        text = "This is not the address of the page. Use the whole one that stiffen printed.\n"
        await PlainTextResponse(text, status_code=403)(scope, receive, _with_headers(send))


def _with_headers(send: Send) -> Send:
    """`send` that adds to a response those of HEADERS that it does not have."""

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = list(message.get("headers", []))
            known = {key.lower() for key, _ in own}
            added = [(key.encode(), value.encode()) for key, value in HEADERS.items() if key.encode() not in known]
            message = {**message, "headers": [*own, *added]}
        await send(message)

    return sending
