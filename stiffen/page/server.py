"""The server of the page: its files, one WebSocket, and the run from start to end."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from importlib.resources import files
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from stiffen.io.files import json_text, system_error

from .guard import ADDRESS, REPORT_POLICY, Guard, new_secret
from .session import Session

MAX_MESSAGE_BYTES = 8_000_000
FILE_CHECK_SECONDS = 2.0
REPLACED_CLOSE = 4001  # close code: the page was opened in another window
TYPES = {".html": "text/html", ".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}


class PageSocket:
    """The WebSocket of the page that is open.  A second page takes over; the first is told."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.current: WebSocket | None = None

    async def run(self, socket: WebSocket) -> None:
        """Talk to one page until it is closed or another one takes over."""
        session = self.session
        await socket.accept()
        session.loop = asyncio.get_running_loop()
        queue: asyncio.Queue[str] = asyncio.Queue()
        before, self.current = self.current, socket
        if before is not None:
            with suppress(RuntimeError):
                await before.close(REPLACED_CLOSE)
        session.send = lambda data: queue.put_nowait(json_text(data, ascii_only=True))
        session.greet()
        sender = asyncio.create_task(_send_all(queue, socket))
        try:
            while self.current is socket:
                message = json.loads(await socket.receive_text())
                if isinstance(message, dict):
                    session.receive(message)
        except (WebSocketDisconnect, RuntimeError, json.JSONDecodeError, KeyError):
            pass
        finally:
            sender.cancel()
            if self.current is socket:
                self.current, session.send = None, lambda data: None


async def _send_all(queue: asyncio.Queue[str], socket: WebSocket) -> None:
    with suppress(WebSocketDisconnect, RuntimeError):
        while True:
            await socket.send_text(await queue.get())


async def _static(request: Request) -> Response:
    name = request.path_params.get("name") or "page.html"
    source = files("stiffen.page") / "static" / name
    if "/" in name or "\\" in name or not source.is_file():
        return Response("there is no such file", 404)
    return Response(source.read_bytes(), media_type=TYPES.get(Path(name).suffix, "application/octet-stream"))


def make_app(session: Session) -> Starlette:
    """The app behind the guard."""

    @asynccontextmanager
    async def watch_file(app: Starlette) -> AsyncIterator[None]:
        async def watch() -> None:
            while True:
                await asyncio.sleep(FILE_CHECK_SECONDS)
                session.notice_file()

        task = asyncio.create_task(watch())
        yield
        task.cancel()

    async def written(request: Request) -> Response:
        file = session.written_file(request.path_params["name"])
        if file is None:
            return Response("not written yet", 404)
        policy = {"content-security-policy": REPORT_POLICY} if file.suffix == ".html" else None
        return FileResponse(file, content_disposition_type="inline", headers=policy)

    return Starlette(
        routes=[
            Route("/", _static),
            Route("/static/{name}", _static),
            Route("/written/{name}", written),
            WebSocketRoute("/socket", PageSocket(session).run),
        ],
        lifespan=watch_file,
    )


@contextmanager
def listening(port: int) -> Iterator[socket.socket]:
    """A socket of this machine alone that listens at a port; 0 for any.  InputError if the port is taken."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as one:
        one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            one.bind((ADDRESS, port))
        except OSError as error:
            raise system_error(f"port {port}", "cannot be listened at", error) from None
        yield one


def serve(session: Session, port: int, on_address: Callable[[str], None]) -> None:
    """Serve the page until Ctrl-C.  on_address: called with the address to open, secret included."""
    with listening(port) as one:
        port, secret = one.getsockname()[1], new_secret()
        config = uvicorn.Config(
            Guard(make_app(session), port, secret),
            log_level="critical",
            access_log=False,
            ws="websockets-sansio",
            ws_max_size=MAX_MESSAGE_BYTES,
            timeout_graceful_shutdown=1,
        )
        on_address(f"http://{ADDRESS}:{port}/{secret}/")
        try:
            with suppress(KeyboardInterrupt):  # uvicorn stops in good order and then tells it on
                uvicorn.Server(config).run(sockets=[one])
        finally:
            session.close()
