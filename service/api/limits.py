"""How much one caller may ask for in a while, counted in this process's memory, and the headers that say so.

`RateLimit` and `RateLimit-Policy` are those of draft-ietf-httpapi-ratelimit-headers: structured fields, with `q` the
quota, `w` the window in seconds, `r` what remains and `t` the seconds until there is more.
"""

import math
import time
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from limits import RateLimitItemPerSecond
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

from service.api.boundary import Refuse, as_document
from service.api.callers import Callers
from service.api.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Iterable

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

_BYTES_PER_UNIT = 16 * 1024
_TIDY_EVERY = 10_000


@dataclass(frozen=True, slots=True)
class Policy:
    """So many requests of one kind in so many seconds.

    An exact policy remembers each request, and is for small quotas. The library's memory for that starts a thread every
    few milliseconds, which on a busy machine would hold up calculators more than all the rest: they are counted here,
    by a counter that slides.
    """

    name: str
    quota: int
    window_s: int
    exact: bool = True


CALCULATIONS = Policy("calculations", 120_000, 60, exact=False)
"""By address. A request is one, and one more for every 16 KiB that it sends."""
READS = Policy("reads", 30_000, 60, exact=False)
"""By address."""
EXPORTS = Policy("exports", 60, 60)
"""By address: data packages, which read a question whole."""
NEWCOMERS = Policy("newcomers", 300, 3600)
"""By address: new contributors."""
STRANGERS = Policy("strangers", 600, 60)
"""By address: writes without a token (secret links), and tokens that are nobody's."""
WRITES = Policy("writes", 600, 60)
"""By contributor."""


@cache
def _policy_header(policy: Policy) -> tuple[bytes, bytes]:
    return b"ratelimit-policy", f'"{policy.name}";q={policy.quota};w={policy.window_s}'.encode()


@dataclass(slots=True)
class Taken:
    """What came of asking for a place under a policy."""

    policy: Policy
    granted: bool
    remaining: int
    reset_s: int

    def headers(self) -> list[tuple[bytes, bytes]]:
        """The two header fields of the answer."""
        state = f'"{self.policy.name}";r={self.remaining};t={self.reset_s}'
        return [_policy_header(self.policy), (b"ratelimit", state.encode())]

    def problem(self) -> Problem:
        """The refusal."""
        return Problem("too-many-requests", headers={"Retry-After": str(self.reset_s)})


class Limits:
    """The counters of this process; several worker processes each have their own."""

    def __init__(self) -> None:
        self._storage = MemoryStorage()
        self._exact = MovingWindowRateLimiter(self._storage)
        self._sliding: dict[tuple[str, str], _Sliding] = {}
        self._until_tidy = _TIDY_EVERY

    def take(self, policy: Policy, who: str, cost: int = 1) -> Taken:
        """Take places under a policy, where they are left; nothing costs more than all of them."""
        self._until_tidy -= 1
        if self._until_tidy == 0:
            self._until_tidy = _TIDY_EVERY
            self._tidy()
        cost = min(cost, policy.quota)
        return self._exactly(policy, who, cost) if policy.exact else self._about(policy, who, cost)

    def _exactly(self, policy: Policy, who: str, cost: int) -> Taken:
        item = RateLimitItemPerSecond(policy.quota, policy.window_s)
        granted = self._exact.hit(item, policy.name, who, cost=cost)
        reset_at, remaining = self._exact.get_window_stats(item, policy.name, who)
        return Taken(policy, granted, max(remaining, 0), max(math.ceil(reset_at - time.time()), 1))

    def _about(self, policy: Policy, who: str, cost: int) -> Taken:
        """Count by whole windows, the one before weighing less the longer it is past."""
        number, passed = divmod(time.time() / policy.window_s, 1.0)
        key = (policy.name, who)
        found = self._sliding.get(key)
        if found is None:
            found = self._sliding[key] = _Sliding(number)
        elif found.number != number:
            found.before = found.count if found.number == number - 1.0 else 0
            found.number, found.count = number, 0
        left = policy.quota - found.count - found.before * (1.0 - passed)
        granted = cost <= left
        if granted:
            found.count += cost
            left -= cost
        return Taken(policy, granted, max(int(left), 0), math.ceil((1.0 - passed) * policy.window_s))

    def _tidy(self) -> None:
        """Forget who hasn't been here for a while; the library keeps an empty list for everybody it has seen."""
        for idle in [key for key, events in self._storage.events.copy().items() if not events]:
            self._storage.clear(idle)
        windows = {policy.name: time.time() // policy.window_s for policy in (CALCULATIONS, READS)}
        self._sliding = {
            key: found for key, found in self._sliding.items() if found.number >= windows.get(key[0], 0.0) - 1.0
        }


@dataclass(slots=True)
class _Sliding:
    """What one caller has taken in the present window, and took in the one before."""

    number: float
    count: int = 0
    before: int = 0


def policy_of(method: str, path: str, *, with_token: bool) -> Policy | None:
    """Choose what a request is counted under before anything is known of its caller but the address.

    None for what is counted later, by contributor, and for probes of the service's health.
    """
    if path.startswith("/v1/calculators") or path == "/v1/replications/check":
        return CALCULATIONS
    if method in {"GET", "HEAD", "OPTIONS"}:
        if path.startswith("/health/") or path == "/metrics":
            return None
        return EXPORTS if path.endswith("/data-package") else READS
    if path in {"/v1/contributors", "/take-part/begin"}:
        return NEWCOMERS
    return None if with_token else STRANGERS


@dataclass(slots=True)
class Account:
    """One request's account; its answer tells of what it was counted under last."""

    limits: Limits
    address: str
    last: Taken | None = None

    def charge(self, policy: Policy, who: str | None = None, cost: int = 1) -> None:
        """Count the request, by address where no contributor is named; raise the refusal where there is no room."""
        self.last = self.limits.take(policy, who or self.address, cost)
        if not self.last.granted:
            raise self.last.problem()

    def telling(self, send: "Send") -> "Send":
        """Let the answer say how much is left."""

        async def tell(message: "Message") -> None:
            if message["type"] == "http.response.start" and self.last is not None:
                message["headers"] = [*message.get("headers", ()), *self.last.headers()]
            await send(message)

        return tell


class Limited:
    """Plain ASGI: refuses who asks too much, and tells everybody how much is left."""

    def __init__(self, app: "ASGIApp", callers: Callers, refuse: Refuse = as_document) -> None:
        self._app = app
        self._callers = callers
        self._refuse = refuse
        self._limits = Limits()

    async def __call__(self, scope: "Scope", receive: "Receive", send: "Send") -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        account = scope["account"] = Account(self._limits, self._callers.address(scope))
        with_token, length = _announced(scope["headers"])
        policy = policy_of(scope["method"], scope["path"], with_token=with_token)
        tell = account.telling(send)
        if policy is not None:
            try:
                account.charge(policy, cost=1 + length // _BYTES_PER_UNIT)
            except Problem as problem:
                await self._refuse(scope, problem)(scope, receive, tell)
                return
        await self._app(scope, receive, tell)


def charge_contributor(scope: Any, contributor_id: object) -> None:  # noqa: ANN401  an ASGI scope is any mapping
    """Count a write under the contributor it is made by, or a token that is nobody's (None) under its address."""
    account: Account | None = scope.get("account")
    if account is None:
        return
    if contributor_id is None:
        account.charge(STRANGERS)
    elif scope["method"] != "GET":
        account.charge(WRITES, str(contributor_id))


def _announced(headers: "Iterable[tuple[bytes, bytes]]") -> tuple[bool, int]:
    """Read from the head of a request whether a token comes with it, and how many bytes it says will follow."""
    with_token, length = False, 0
    for name, value in headers:
        if name == b"authorization":
            with_token = True
        elif name == b"content-length" and value.isdigit() and len(value) < 19:
            length = int(value)
    return with_token, length
