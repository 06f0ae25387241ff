"""The desk as a web application: the page, its files, and what it asks for."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from importlib import resources
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from core.errors import NothingMeasurable, ToelineError, UnreadableFile, UsageError
from desk.review.desk import Desk, as_problem
from desk.review.guard import App, Guard
from desk.review.pictures import Pictures

TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}


def make_app(desk: Desk, *, port: int, token: str, close: Callable[[], None]) -> App:
    """Return the guarded application of one desk.

    Parameters
    ----------
    port
        Where it is served: part of the name it answers to.
    token
        Opens the desk once.
    close
        Called when the person closes the desk.
    """
    # Read once into memory: no request names a file.
    files = {file.name: file.read_bytes() for file in (resources.files("desk.review") / "static").iterdir()}
    pictures = Pictures()

    async def page(request: Request) -> Response:
        return _file(files, "index.html")

    async def static(request: Request) -> Response:
        return _file(files, request.path_params["name"])

    async def listing(request: Request) -> Response:
        return await _answer(desk.listing)

    async def item(request: Request) -> Response:
        return await _answer(lambda: desk.opened(request.path_params["id"]))

    async def measure(request: Request) -> Response:
        id = request.path_params["id"]
        return await _answer_to(
            request, lambda given: desk.measured(id, given.get("moves"), moving=given.get("moving") is True)
        )

    async def decide(request: Request) -> Response:
        return await _answer_to(request, lambda given: desk.decide(request.path_params["id"], given))

    async def picture(request: Request) -> Response:
        size = request.path_params["size"]
        if size not in ("full", "small"):
            return JSONResponse(as_problem(UsageError("a picture is full or small.")), 404)

        def encoded() -> Response:
            path, sha256 = desk.picture(request.path_params["id"])
            return Response(pictures.get(path, sha256, size), media_type="image/jpeg")

        return await _guarded(encoded)

    async def closing(request: Request) -> Response:
        close()
        return JSONResponse({"closed": True})

    routes = [
        Route("/", page),
        Route("/static/{name}", static),
        Route("/api/items", listing),
        Route("/api/items/{id}", item),
        Route("/api/items/{id}/measure", measure, methods=["POST"]),
        Route("/api/items/{id}/decision", decide, methods=["POST"]),
        Route("/api/items/{id}/picture/{size}", picture),
        Route("/api/close", closing, methods=["POST"]),
    ]
    return Guard(Starlette(routes=routes), port=port, token=token)


def _file(files: dict[str, bytes], name: str) -> Response:
    content = files.get(name)
    suffix = "." + name.rpartition(".")[2]
    if content is None or suffix not in TYPES:
        return Response("There is no such file.\n", 404, media_type="text/plain")
    return Response(content, headers={"content-type": TYPES[suffix]})


async def _answer(work: Callable[[], dict[str, Any]]) -> Response:
    return await _guarded(lambda: JSONResponse(work()))


async def _answer_to(request: Request, work: Callable[[dict[str, Any]], dict[str, Any]]) -> Response:
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
        return JSONResponse(as_problem(UsageError("the page speaks JSON.", code="not_json")), 415)
    body = await request.body()
    try:
        given = json.loads(body.decode("utf-8"), parse_constant=_no_constant, parse_float=_finite)
    except (ValueError, RecursionError):
        return JSONResponse(as_problem(UsageError("the request is no JSON.", code="not_json")), 400)
    if not isinstance(given, dict):
        return JSONResponse(as_problem(UsageError("the request must be an object.", code="not_json")), 400)
    return await _answer(lambda: work(given))


async def _guarded(work: Callable[[], Response]) -> Response:
    """Do the work beside the loop that serves, and turn an error into a sentence for the page."""
    try:
        return await run_in_threadpool(work)
    except ToelineError as error:
        return JSONResponse(as_problem(error), _status(error))


def _status(error: ToelineError) -> int:
    if error.code in ("unknown_item", "no_picture"):
        return 404
    if error.code == "record_moved":
        return 409
    if isinstance(error, UsageError | NothingMeasurable):
        return 422
    return 410 if isinstance(error, UnreadableFile) else 500


def _no_constant(text: str) -> float:
    raise ValueError(f"{text} is no number")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text} is too large")
    return value
