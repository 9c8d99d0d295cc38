"""A client for other programs: typed answers, and retries that can't do a thing twice.

ClientError
├── Refused      the service said no; `problem` is its problem document
└── Unreachable  no answer came, after every retry
"""

import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import quote, urlencode
from uuid import uuid4

import httpx
from pydantic import BaseModel, ConfigDict

from service import __version__
from service.evidence.shape import EvidenceAnswer
from service.intake.report_models import Report

DEFAULT_ADDRESS = "http://127.0.0.1:8000"
_TRIES = 5
_LONGEST_WAIT_SECONDS = 30.0
_PASSING = {409, 429, 503}

Progress = Callable[[int, int | None], None]
"""Told of a download: bytes so far, and bytes in all where that is known."""


class ClientError(Exception):
    """Root of what the client raises."""


class Refused(ClientError):  # noqa: N818  it says what happened
    """The service refused; `problem` is its problem document."""

    def __init__(self, problem: Mapping[str, Any]) -> None:
        super().__init__(str(problem.get("detail", "the service refused")))
        self.problem = problem

    @property
    def faults(self) -> list[tuple[str, str]]:
        """Where and what to mend."""
        return [(fault["pointer"], fault["detail"]) for fault in self.problem.get("errors") or ()]


class Unreachable(ClientError):  # noqa: N818
    """No answer came."""


class Kept(BaseModel):
    """A replication as the service keeps it; the rest of the document is in `model_extra`."""

    model_config = ConfigDict(extra="allow")
    id: str
    revision: int
    state: str
    report: Report


class Client:
    """Calls one manybatch service.

    Parameters
    ----------
    address : str
        Where the service is.
    token : str or None
        A contributor's token, for what needs one.
    timeout_s : float
        Seconds to wait for one answer.
    transport : httpx.BaseTransport or None
        Another way to reach the service, for tests.
    pause : callable
        What waits between tries, in seconds.

    """

    def __init__(
        self,
        address: str = DEFAULT_ADDRESS,
        token: str | None = None,
        *,
        timeout_s: float = 30.0,
        transport: httpx.BaseTransport | None = None,
        pause: Any = time.sleep,  # noqa: ANN401  any callable of seconds
    ) -> None:
        headers = {"User-Agent": f"manybatch-client/{__version__}", "Accept": "application/json"}
        if token is not None:
            headers["Authorization"] = f"Bearer {token}"
        self._http = httpx.Client(base_url=address, headers=headers, timeout=timeout_s, transport=transport)
        self._pause = pause

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections."""
        self._http.close()

    def check(self, document: Mapping[str, Any]) -> Report:
        """Check a replication document and return its report; nothing is kept."""
        return Report.model_validate(self._send("POST", "/v1/replications/check", json=document).json())

    def submit(self, document: Mapping[str, Any], *, idempotency_key: str | None = None) -> Kept:
        """Register or submit a replication; sent again with its key where the answer was lost."""
        key = idempotency_key or str(uuid4())
        answer = self._send("POST", "/v1/replications", json=document, headers={"Idempotency-Key": key})
        return Kept.model_validate(answer.json())

    def evidence(self, slug: str, **filters: Any) -> EvidenceAnswer:  # noqa: ANN401  as the interface documents them
        """Read the pooled answer to a question; filters as `GET .../evidence` takes them."""
        asked = {name: value for name, value in filters.items() if value is not None}
        return EvidenceAnswer.model_validate(
            self._send("GET", f"/v1/questions/{quote(slug, safe='')}/evidence", params=asked).json()
        )

    def calculate(self, name: str, **inputs: Any) -> dict[str, Any]:  # noqa: ANN401
        """Run a calculator and return inputs, result, method and cautions."""
        answer: dict[str, Any] = self._send("POST", f"/v1/calculators/{name}", json=inputs).json()
        return answer

    def calculators(self) -> list[dict[str, Any]]:
        """List the calculators."""
        return list(self.items("/v1/calculators"))

    def questions(self) -> Iterator[dict[str, Any]]:
        """List the questions, newest first, page after page."""
        return self.items("/v1/questions")

    def items(self, path: str) -> Iterator[dict[str, Any]]:
        """Walk a list through its pages."""
        following: str | None = path
        while following is not None:
            page = self._send("GET", following).json()
            yield from page["items"]
            following = page["next"]

    def export(self, slug: str, into: Path, *, as_of: str | None = None, progress: Progress | None = None) -> int:
        """Download a question's data package, as of now or of then, and return its size in bytes."""
        asked = f"?{urlencode({'as_of': as_of})}" if as_of is not None else ""
        return self.download(f"/v1/questions/{quote(slug, safe='')}/data-package{asked}", into, progress=progress)

    def download(self, path: str, into: Path, *, progress: Progress | None = None) -> int:
        """Stream a file to disk and return its size in bytes; nothing half-written is left under its name.

        `progress` is told the bytes so far and in all (None where the service doesn't say). What breaks off on the
        way is begun anew.
        """
        part = into.with_name(f"{into.name}.part")
        try:
            self._patiently(lambda: self._stream(path, part, progress))
            size = part.stat().st_size
            part.replace(into)
        finally:
            part.unlink(missing_ok=True)
        return size

    def _stream(self, path: str, part: Path, progress: Progress | None) -> httpx.Response:
        with self._http.stream("GET", path, headers={"Accept": "*/*"}) as answer:
            if not answer.is_success:
                answer.read()
                return answer
            announced = answer.headers.get("Content-Length", "")
            total, size = int(announced) if announced.isdigit() else None, 0
            with part.open("wb") as out:
                for chunk in answer.iter_bytes():
                    size += out.write(chunk)
                    if progress is not None:
                        progress(size, total)
        return answer

    def _send(self, method: str, path: str, **request: Any) -> httpx.Response:  # noqa: ANN401  httpx's own
        return self._patiently(lambda: self._http.request(method, path, **request))

    def _patiently(self, ask: Callable[[], httpx.Response]) -> httpx.Response:
        """Ask, and again while the trouble is passing: every request here may be repeated without harm."""
        for attempt in range(1, _TRIES + 1):
            try:
                answer = ask()
            except httpx.TransportError as error:
                if attempt == _TRIES:
                    raise Unreachable(f"{self._http.base_url}: {error}") from error
                self._pause(min(0.2 * 2**attempt, _LONGEST_WAIT_SECONDS))
                continue
            if answer.is_success:
                return answer
            if attempt == _TRIES or not _is_passing(answer):
                raise _refusal(answer)
            self._pause(_wait_of(answer, attempt))
        raise AssertionError("the last try returns or raises")


def _is_passing(answer: httpx.Response) -> bool:
    if answer.status_code == 409:
        return str(_problem(answer).get("type")) == "/problems/request-in-flight"
    return answer.status_code in _PASSING


def _wait_of(answer: httpx.Response, attempt: int) -> float:
    said = answer.headers.get("Retry-After", "")
    return min(float(said) if said.isdigit() else 0.2 * 2**attempt, _LONGEST_WAIT_SECONDS)


def _problem(answer: httpx.Response) -> dict[str, Any]:
    try:
        found = answer.json()
    except ValueError:
        found = None
    return found if isinstance(found, dict) else {"status": answer.status_code, "detail": answer.reason_phrase}


def _refusal(answer: httpx.Response) -> Refused:
    return Refused(_problem(answer))
