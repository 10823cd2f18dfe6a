"""From where somebody asks who has proved nothing yet: what limits by source are counted for.

It is the address at the other end of the line, and no header is believed about it. Behind a proxy
on this machine that address is the proxy's for everybody: there it is what the proxy itself has
written last into `X-Forwarded-For`, whatever was written before it by whom. Rule ids: SEC-06.
"""

import ipaddress
from typing import Any

from litestar import Request

# Whoever has an IPv6 line has all of this network, so that addresses in it count as one.
_IPV6_PREFIX = 64


def source_of(request: Request[Any, Any, Any]) -> str:
    """Return the source of a request, "" where nothing is known of the line."""
    line = request.client.host if request.client else ""
    address = _read_address(line)
    if address is None:
        return line
    if request.app.state.surroundings.is_behind_proxy and address.is_loopback:
        address = _told_by_proxy(request) or address
    if isinstance(address, ipaddress.IPv6Address):
        return str(ipaddress.ip_network((address, _IPV6_PREFIX), strict=False))
    return str(address)


def _told_by_proxy(
    request: Request[Any, Any, Any],
) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """Return the last address of the last header: all before it came from elsewhere."""
    entries = ",".join(request.headers.getall("x-forwarded-for", []))
    return _read_address(entries.rpartition(",")[2].strip())


def _read_address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return None
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return mapped or address
