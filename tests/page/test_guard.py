"""Only the page itself gets in: host, origin and secret are checked on every request (same-origin policy, RFC 6454)."""

import asyncio

import pytest
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route, WebSocketRoute

from stiffen.page.guard import Guard

PORT, SECRET = 4321, "s3cret"
HOST, ORIGIN = f"127.0.0.1:{PORT}", f"http://127.0.0.1:{PORT}"


async def _hello(request):
    return PlainTextResponse("in")


async def _socket(socket):
    await socket.accept()
    await socket.close()


APP = Guard(Starlette(routes=[Route("/x", _hello), WebSocketRoute("/socket", _socket)]), PORT, SECRET)


def asked(path, headers, kind="http"):
    """Messages that the app sends to one request."""
    raw = [(key.encode(), value.encode()) for key, value in headers.items()]
    scope = {
        "type": kind,
        "method": "GET",
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "headers": raw,
    }
    scope |= {"scheme": "http", "root_path": "", "http_version": "1.1", "subprotocols": []}
    waiting = [{"type": "websocket.connect"}] if kind == "websocket" else [{"type": "http.request", "body": b""}]
    sent = []

    async def run():
        async def receive():
            return waiting.pop(0) if waiting else await asyncio.sleep(3600)

        async def send(message):
            sent.append(message)

        await APP(scope, receive, send)

    asyncio.run(run())
    return sent


def test_the_page_gets_in():
    start, *_ = asked(f"/{SECRET}/x", {"host": HOST})
    assert start["status"] == 200
    headers = dict(start["headers"])
    assert b"default-src 'self'" in headers[b"content-security-policy"]
    assert headers[b"referrer-policy"] == b"no-referrer"  # the secret stands in the address
    assert asked(f"/{SECRET}/x", {"host": HOST, "origin": ORIGIN})[0]["status"] == 200
    sent = asked(f"/{SECRET}/socket", {"host": HOST, "origin": ORIGIN}, "websocket")
    assert sent[0]["type"] == "websocket.accept"


@pytest.mark.parametrize(
    ("path", "headers"),
    [
        ("/x", {"host": HOST}),
        ("/", {"host": HOST}),
        ("/wrong/x", {"host": HOST}),
        (f"/{SECRET}x/x", {"host": HOST}),
        (f"/{SECRET}/x", {"host": "evil.example"}),
        (f"/{SECRET}/x", {"host": "127.0.0.1"}),
        (f"/{SECRET}/x", {}),
        (f"/{SECRET}/x", {"host": HOST, "origin": "http://evil.example"}),
        (f"/{SECRET}/x", {"host": HOST, "origin": "null"}),
        (f"/{SECRET}/x", {"host": HOST, "origin": f"https://127.0.0.1:{PORT}"}),
    ],
)
def test_a_stranger_does_not(path, headers):
    assert asked(path, headers)[0]["status"] == 403


@pytest.mark.parametrize("origin", [None, "http://evil.example", "null", "http://127.0.0.1:1"])
def test_a_socket_must_tell_the_right_origin(origin):
    headers = {"host": HOST} | ({} if origin is None else {"origin": origin})
    assert asked(f"/{SECRET}/socket", headers, "websocket") == [{"type": "websocket.close", "code": 1008}]
