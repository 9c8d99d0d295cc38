"""Where a request comes from: the peer's address, or what a proxy that is trusted by name says of it."""

from collections.abc import Iterable
from functools import lru_cache
from ipaddress import IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Any

from starlette.datastructures import Headers

_UNKNOWN = "unknown"
_IPV6_PREFIX = 64
"""Bits of an IPv6 address that name a site; the rest is anybody's to vary (RFC 4291, 2.5.4)."""


class Callers:
    """Tells callers apart by address.

    Parameters
    ----------
    trusted_proxies : iterable of str
        Addresses or networks whose X-Forwarded-For is believed; everybody else's is not even read.

    """

    def __init__(self, trusted_proxies: Iterable[str] = ()) -> None:
        self._trusted = tuple(ip_network(each, strict=False) for each in trusted_proxies)

    def address(self, scope: Any) -> str:  # noqa: ANN401  an ASGI scope is any mapping
        """Return whose request it is: an IPv4 address, or the /64 network of an IPv6 one."""
        peer = (scope.get("client") or (_UNKNOWN,))[0]
        if self._trusted and _is_in(peer, self._trusted):
            # Each proxy adds the address it was reached from at the end: the first one that isn't ours is the caller.
            named = ",".join(Headers(scope=scope).getlist("x-forwarded-for")).split(",")
            for hop in reversed([each.strip() for each in named if each.strip()]):
                peer = hop
                if not _is_in(hop, self._trusted):
                    break
        return _grouped(peer)


@lru_cache(maxsize=4096)
def _is_in(text: str, networks: tuple[IPv4Network | IPv6Network, ...]) -> bool:
    try:
        address = ip_address(text)
    except ValueError:
        return False
    return any(address in network for network in networks)


@lru_cache(maxsize=4096)
def _grouped(text: str) -> str:
    try:
        address = ip_address(text)
    except ValueError:
        return _UNKNOWN
    if isinstance(address, IPv6Address):
        if address.ipv4_mapped is not None:
            return str(address.ipv4_mapped)
        return str(ip_network((address, _IPV6_PREFIX), strict=False))
    return str(address)
