"""The student application: who you are, what you may see, what you tapped. Starlette routes over `StudentDesk`."""

from __future__ import annotations

import asyncio
import ipaddress
import json
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from truelobe.judging.classes import Classes
from truelobe.judging.student_view import student_tap
from truelobe.messages import TruelobeError
from truelobe.pages.options import DARK, LIGHT
from truelobe.pages.students.rooms import ROUTES
from truelobe.pages.students.site import COOKIE, Answer, StudentSite, as_json, word_of
from truelobe.store import Store

COOKIE_SECONDS = 180 * 86_400
LARGEST_REQUEST = 4096
_WEB = Path(__file__).parent / "web"
_FILES = ("page.css", "placing.css", "training.css", "page.js", "placing.js", "drills.js", "looking.js", "plot.js")
_TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript"}
_STATUS = {
    "not-found": 404,
    "word-wrong": 403,
    "word-wait": 429,
    "picture-gone": 409,
    "knocking": 429,
    "unknown-device": 401,
}
_HEADERS = (
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        b"connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
)


def _state(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    return as_json(site.state(request))


def _enter(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    address = request.client.host if request.client else ""
    token = site.enter(address, word_of(body, "student"), word_of(body, "word"))
    answer = as_json({})
    answer.set_cookie(COOKIE, token, max_age=COOKIE_SECONDS, path="/", httponly=True, samesite="strict")
    return answer


def _leave(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    token = request.cookies.get(COOKIE)
    if token:
        site.roster.hand_on(token)
    answer = as_json({})
    answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return answer


def _begin(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    student = site.student(request)
    site.sessions.begin_alone(Classes(site.store).get(word_of(body, "class")), student.uid)
    return as_json(site.state(request))


def _tap(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    student = site.student(request)
    with site.writing:  # in line, rather than each waiting for the database's lock by chance
        return as_json(student_tap(site.sessions, student.uid, body))


def _finished(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    student = site.student(request)
    return as_json(site.desk.finished(student.uid, request.path_params["session"]))


def _picture(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    data = site.picture(site.student(request), request.path_params["name"])
    return Response(data, media_type="image/webp", headers={"Cache-Control": "private, max-age=3600"})


def _route(path: str, answer: Answer, method: str = "GET") -> Route:
    async def endpoint(request: Request) -> Response:
        site: StudentSite = request.app.state.site
        try:
            body = await _body(request) if method == "POST" else {}
            if request.client:
                site.on_request(request.client.host)
            return await run_in_threadpool(answer, site, request, body)
        except TruelobeError as error:
            said = error.message.document()
            return JSONResponse(said, _STATUS.get(said["code"], 400), headers={"Cache-Control": "no-store"})

    return Route(path, endpoint, methods=[method])


async def _body(request: Request) -> dict[str, Any]:
    """Read a small JSON object; a form of another site can't send one without asking first."""
    unreadable = TruelobeError("not-found", "This can't be read.", "Reload the page.")
    origin = request.headers.get("origin")
    if origin is not None and origin.split("://")[-1] != request.headers.get("host"):
        raise unreadable
    if not request.headers.get("content-type", "").startswith("application/json"):
        raise unreadable
    written = b""
    async for piece in request.stream():
        written += piece
        if len(written) > LARGEST_REQUEST:
            raise unreadable
    try:
        body = json.loads(written)
    except ValueError:
        raise unreadable from None
    if not isinstance(body, dict):
        raise unreadable
    return body


def _file(name: str) -> Callable[[Request], Awaitable[Response]]:
    path = _WEB / name

    async def endpoint(request: Request) -> Response:
        written = path.read_text(encoding="utf-8")
        if name == "page.css":
            written = f"{_colours()}\n{written}"
        return Response(written, media_type=_TYPES[path.suffix], headers={"Cache-Control": "no-cache"})

    return endpoint


def _colours() -> str:
    names = LIGHT.__dataclass_fields__
    pairs = ((n.replace("_", "-"), getattr(LIGHT, n), getattr(DARK, n)) for n in names)
    return f":root {{ {' '.join(f'--tl-{n}: light-dark({light}, {dark});' for n, light, dark in pairs)} }}"


class Guard:
    """Answers to names of this machine alone, and puts the same careful headers on everything."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def careful(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message["headers"], *_HEADERS]
            await send(message)

        host = dict(scope["headers"]).get(b"host", b"").decode("latin-1")
        if not is_own_name(host):
            await Response("Not this machine.", 421)(scope, receive, careful)
            return
        await self._app(scope, receive, careful)


def is_own_name(host: str) -> bool:
    """Tell whether a Host header is an address in digits or a name of this machine.

    A page elsewhere whose name was turned to this machine's address afterwards (DNS rebinding) is not answered.
    """
    name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
    with suppress(ValueError):
        return bool(ipaddress.ip_address(name.strip("[]")))
    own = socket.gethostname().lower()
    return name.lower() in {"localhost", own, f"{own}.local"}


def make_app(store: Store, on_request: Callable[[str], None] = lambda address: None) -> Starlette:
    """Return the application; it takes lapsed placings once a second as long as it runs."""
    site = StudentSite(store, on_request)

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        async def take_lapsed() -> None:
            while True:
                with suppress(TruelobeError):  # a busy or full store is tried again a second later
                    await run_in_threadpool(site.sessions.lapse)
                await asyncio.sleep(1)

        task = asyncio.create_task(take_lapsed())
        yield
        task.cancel()

    routes = [
        Route("/", _file("page.html")),
        *(Route(f"/{name}", _file(name)) for name in _FILES),
        _route("/api/state", _state),
        _route("/api/enter", _enter, "POST"),
        _route("/api/leave", _leave, "POST"),
        _route("/api/begin", _begin, "POST"),
        _route("/api/tap", _tap, "POST"),
        _route("/api/finished/{session}", _finished),
        _route("/picture/{name}", _picture),
        *(_route(*one) for one in ROUTES),
    ]
    app = Starlette(routes=routes, middleware=[Middleware(Guard)], lifespan=life)
    app.state.site = site
    return app
