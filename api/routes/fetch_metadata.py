"""What a foreign page makes a browser send is refused by the headers that browsers set themselves.

Fetch Metadata (W3C) says where a request comes from; no page can set or leave out its headers.
Devices in a browser ask from our own page; commands and calendars are no browsers, send none of
them and prove themselves by a key. Rule ids: SEC-05.
"""

from http import HTTPStatus
from urllib.parse import urlsplit

from litestar.types import HTTPScope

_SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
_OWN = "same-origin"
_BY_HAND = "none"
_JSON = "application/json"
# The one address that takes something else: pieces of still pictures.
_PICTURES = "/api/pictures/"
_BYTES = "application/octet-stream"


def refuse_foreign_page(scope: HTTPScope) -> tuple[HTTPStatus, str] | None:
    """Return status and sentence of a refusal, None for what may go on to the routes.

    A form of another page can send neither JSON nor plain bytes without asking first, so the type
    of the content is a second wall.
    """
    headers = {name: content.decode("latin-1") for name, content in scope["headers"]}
    is_safe = scope["method"] in _SAFE_METHODS
    if _is_foreign(headers, scope["path"], is_safe=is_safe):
        return (
            HTTPStatus.FORBIDDEN,
            "Another page made the browser send this. Open Crura itself and do it there.",
        )
    has_body = headers.get(b"content-length", "0") != "0" or b"transfer-encoding" in headers
    if is_safe or not has_body:
        return None
    wanted = _BYTES if scope["path"].startswith(_PICTURES) else _JSON
    if headers.get(b"content-type", "").partition(";")[0].strip().lower() == wanted:
        return None
    return (
        HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
        f"Content is taken as {wanted} alone. Send it so, with that content type.",
    )


def _is_foreign(headers: dict[bytes, str], path: str, *, is_safe: bool) -> bool:
    site = headers.get(b"sec-fetch-site")
    if not is_safe:
        if site is not None:
            return site != _OWN
        origin = headers.get(b"origin")
        return origin is not None and urlsplit(origin).netloc != headers.get(b"host", "")
    # Reading: a link may lead here, but no page may draw in an answer of the interface.
    is_led_here = headers.get(b"sec-fetch-mode") == "navigate"
    return path.startswith("/api/") and site not in (None, _OWN, _BY_HAND) and not is_led_here
