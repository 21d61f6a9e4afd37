"""The page's server: on loopback alone, behind a token, with every request checked.

Starlette answers and uvicorn listens; what the page shows and does is in ``desk.py``.
"""

from __future__ import annotations

import json
import secrets
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from allocator.base.errors import AllocatorError, OutputError
from allocator.view.controls import ChangeError, changes_of
from allocator.view.desk import Desk
from allocator.view.shell import shell_html, shell_script, shell_style

HOST = "127.0.0.1"
MOST_BYTES = 256 * 1024
"""The largest request that is read."""
MOST_CLIENTS = 64
"""Connections at a time."""
POLL_SECONDS = 20.0
"""A request for news is answered after so long, also without news."""
UNFORESEEN = (
    "The plans in the folder are as they were. Try it again; if that fails, end 'allocator view' "
    "and start it again."
)
SHELL_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "frame-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
PLAN_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'self'; sandbox allow-scripts"
)
"""The page of a plan may run its own script and reach nothing, not even the page around it."""


def new_token() -> str:
    """A token that nobody guesses, for one run of the server."""
    return secrets.token_urlsafe(24)


def listening(port: int) -> socket.socket:
    """A socket on loopback; port 0: any that is free.

    Raises:
        OutputError: the port is taken, or not for this user.
    """
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        found.bind((HOST, port))
    except OSError as error:
        found.close()
        why = (error.strerror or str(error)).lower()
        raise OutputError(
            f"cannot listen on port {port} of {HOST}: {why}; name another with --port, or leave "
            "it out for any that is free"
        ) from None
    return found


class Guard:
    """Refuses what does not come from the page itself: before anything else is looked at.

    A request needs the Host of this server (so that no other name leads here), the token as the
    first part of its path, and, where it changes anything, the Origin of this server. A request
    with another Origin, or that a browser sends for another site, is refused in any case.
    """

    def __init__(self, app: ASGIApp, token: str, port: int) -> None:
        self._app, self._token = app, token
        self._hosts = {f"{name}:{port}" for name in (HOST, "localhost")}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        refusal = "only HTTP is answered" if scope["type"] != "http" else self._refusal(scope)
        if refusal:
            if scope["type"] == "http":
                await _headed(PlainTextResponse(refusal, 403))(scope, receive, send)
            return
        _, _, rest = scope["path"].lstrip("/").partition("/")
        path = f"/{rest}"
        await self._app({**scope, "path": path, "raw_path": path.encode()}, receive, send)

    def _refusal(self, scope: Scope) -> str:
        headers: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name, []).append(value)
        hosts = [value.decode("latin-1") for value in headers.get(b"host", [])]
        if len(hosts) != 1 or hosts[0] not in self._hosts:
            return "refused: not the host of this page"
        origins = [value.decode("latin-1") for value in headers.get(b"origin", [])]
        if origins and origins != [f"http://{hosts[0]}"]:
            return "refused: another origin"
        if not origins and scope["method"] not in ("GET", "HEAD"):
            return "refused: no origin"
        site = headers.get(b"sec-fetch-site", [b"none"])
        if any(value not in (b"same-origin", b"none") for value in site):
            return "refused: another site"
        token = scope["path"].lstrip("/").partition("/")[0]
        if not secrets.compare_digest(token.encode("utf-8"), self._token.encode("ascii")):
            return "refused: no token; use the address that 'allocator view' printed"
        return ""


def _headed(response: Response, policy: str = SHELL_POLICY) -> Response:
    """The response with the headers that all have."""
    response.headers.update(
        {
            "Content-Security-Policy": policy,
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "same-origin",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Cross-Origin-Opener-Policy": "same-origin",
            "Cache-Control": "no-store",
        }
    )
    return response


Handler = Callable[[Request], Awaitable[Response]]


async def _body(request: Request) -> bytes:
    """The content of a request. Raises ChangeError where it is too large."""
    content = b""
    async for part in request.stream():
        content += part
        if len(content) > MOST_BYTES:
            raise ChangeError(f"the request is larger than {MOST_BYTES // 1024} kB")
    return content


async def _data(request: Request) -> object:
    """The content of a request as data. Raises ChangeError where it is none."""
    try:
        return json.loads(await _body(request) or b"{}")
    except (ValueError, RecursionError):
        raise ChangeError("the request is no JSON; load the page again") from None


async def _fault(_: Request, error: Exception) -> Response:
    code = 500 if isinstance(error, OutputError) else 400
    return _headed(JSONResponse({"faults": str(error).splitlines()}, code))


async def _unforeseen(_: Request, error: Exception) -> Response:
    words = f"an error in the program: {type(error).__name__}: {error}".strip(": ")
    return _headed(JSONResponse({"faults": [*words.splitlines(), UNFORESEEN]}, 500))


async def _missing(_: Request, error: Exception) -> Response:
    return _headed(PlainTextResponse("there is no such page", getattr(error, "status_code", 404)))


def application(desk: Desk, token: str, port: int) -> ASGIApp:
    """The whole server for a desk."""

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        await desk.begin()
        try:
            yield
        finally:
            await desk.end()

    async def shell(_: Request) -> Response:
        return _headed(Response(shell_html(desk.site.name), media_type="text/html"))

    async def style(_: Request) -> Response:
        return _headed(Response(shell_style(), media_type="text/css"))

    async def script(_: Request) -> Response:
        return _headed(Response(shell_script(), media_type="text/javascript"))

    async def plan_page(request: Request) -> Response:
        page = desk.page
        if request.url.path.endswith("new"):
            page = b"" if desk.run is None else desk.run.page
        if not page:
            return _headed(PlainTextResponse("no plan yet", 404))
        return _headed(Response(page, media_type="text/html"), PLAN_POLICY)

    async def state(request: Request) -> Response:
        seen = request.query_params.get("seen", "")
        if seen.isdecimal() and len(seen) < 12:
            await desk.wait(int(seen), POLL_SECONDS)
        return _headed(JSONResponse(desk.state()))

    async def controls(_: Request) -> Response:
        return _headed(JSONResponse(await run_in_threadpool(desk.controls)))

    async def plan_again(request: Request) -> Response:
        await desk.plan_again(changes_of(await _data(request)))
        return _headed(JSONResponse({}))

    async def accept(request: Request) -> Response:
        data = await _data(request)
        seen = data.get("run") if isinstance(data, dict) else None
        return _headed(JSONResponse({"folder": await desk.accept(seen)}))

    def act(does: Callable[[], Awaitable[None]]) -> Handler:
        async def done(request: Request) -> Response:
            await _body(request)
            await does()
            return _headed(JSONResponse({}))

        return done

    app = Starlette(
        routes=[
            Route("/", shell, methods=["GET"]),
            Route("/view.css", style, methods=["GET"]),
            Route("/view.js", script, methods=["GET"]),
            Route("/plans/present", plan_page, methods=["GET"]),
            Route("/plans/new", plan_page, methods=["GET"]),
            Route("/state", state, methods=["GET"]),
            Route("/controls", controls, methods=["GET"]),
            Route("/plan", plan_again, methods=["POST"]),
            Route("/stop", act(desk.stop), methods=["POST"]),
            Route("/discard", act(desk.discard), methods=["POST"]),
            Route("/accept", accept, methods=["POST"]),
        ],
        exception_handlers={
            AllocatorError: _fault,
            404: _missing,
            405: _missing,
            Exception: _unforeseen,
        },
        lifespan=lifespan,
    )
    return Guard(app, token, port)


def serve(desk: Desk, token: str, sock: socket.socket) -> None:
    """Answer until Ctrl-C or a request to end; the desk's processes are gone when it returns.

    Raises:
        KeyboardInterrupt: after Ctrl-C.
    """
    config = uvicorn.Config(
        application(desk, token, sock.getsockname()[1]),
        log_level="critical",
        access_log=False,
        lifespan="on",
        limit_concurrency=MOST_CLIENTS,
        timeout_keep_alive=10,
        timeout_graceful_shutdown=1,
        server_header=False,
        proxy_headers=False,
        ws="none",
    )
    uvicorn.Server(config).run(sockets=[sock])
