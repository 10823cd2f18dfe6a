"""The built app over HTTP, from memory."""

from typing import Any

from litestar import HttpMethod, Request, Response, route
from litestar.datastructures import State
from litestar.exceptions import NotFoundException
from litestar.params import FromPath

from api.storage.static_files import StaticFile, StaticFiles

_FOREVER = "public, max-age=31536000, immutable"
_ASK_FIRST = "no-cache"
_MISSING_PAGE = b"""<!doctype html>
<html lang="en"><meta charset="utf-8"><title>Crura</title>
<h1>The app has not been built</h1>
<p>The server runs and devices can exchange with it, but the pages of the app are missing.
Run <code>make setup</code> in the project's folder, then start the server again.</p>
</html>
"""


@route(
    "/",
    http_method=[HttpMethod.GET, HttpMethod.HEAD],
    include_in_schema=False,
    comes_squeezed=True,
    opt={"needs": "app.read"},
)
async def get_start(request: Request[Any, Any, Any], state: State) -> Response[bytes]:
    """Answer with the app."""
    return _find(request, state, "index.html")


@route(
    "/{path:path}",
    http_method=[HttpMethod.GET, HttpMethod.HEAD],
    include_in_schema=False,
    comes_squeezed=True,
    opt={"needs": "app.read"},
)
async def get_static_file(
    request: Request[Any, Any, Any], state: State, path: FromPath[str]
) -> Response[bytes]:
    """Answer with one file; an address without an extension is a place inside the app."""
    name = path.strip("/")
    if name == "api" or name.startswith("api/"):
        raise NotFoundException
    return _find(request, state, name)


def _find(request: Request[Any, Any, Any], state: State, name: str) -> Response[bytes]:
    files: StaticFiles = state.static_files
    if not files.is_built:
        return Response(_MISSING_PAGE, media_type="text/html", status_code=503)
    file = files.find(name) or (files.find("index.html") if "." not in name else None)
    if file is None:
        raise NotFoundException
    return _answer(request, file)


def _answer(request: Request[Any, Any, Any], file: StaticFile) -> Response[bytes]:
    headers = {
        "etag": file.etag,
        "cache-control": _FOREVER if file.name.startswith("assets/") else _ASK_FIRST,
        "vary": "accept-encoding",
    }
    if file.etag in request.headers.get("if-none-match", ""):
        return Response(b"", status_code=304, headers=headers, media_type=file.media_type)
    content = file.content
    if file.squeezed is not None and "gzip" in request.headers.get("accept-encoding", ""):
        content = file.squeezed
        headers["content-encoding"] = "gzip"
    return Response(content, headers=headers, media_type=file.media_type)
