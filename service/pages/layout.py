"""How a page is made: one layout, escaped wherever something is put in, and headers that let nothing else happen."""

import hashlib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any
from urllib.parse import urlsplit

from fastapi import Request
from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.responses import HTMLResponse, RedirectResponse, Response

from service import __version__
from service.api.problems import Problem
from service.pages import wording
from service.pages.assets import asset_path, assets

_POLICY = (
    "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; img-src 'self'"
)
SECURITY = {
    "Content-Security-Policy": _POLICY,
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
}
PRIVATE = {"Cache-Control": "private, no-store"}
SECRET = {"Referrer-Policy": "no-referrer", "X-Robots-Tag": "noindex, nofollow", **PRIVATE}
"""For pages behind a secret link: nobody keeps them, nobody is told where they are."""

HTML = "text/html"
JSON = "application/json"


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("service.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(wording.FILTERS)
    environment.tests.update(wording.TESTS)
    environment.globals.update(asset=asset_path, version=__version__)
    return environment


@cache
def mark() -> str:
    """Give the mark of every template and file: a page's ETag changes with them."""
    digest = hashlib.sha256(__version__.encode())
    for path in sorted(files("service.pages").joinpath("templates").iterdir(), key=lambda path: path.name):
        digest.update(path.read_bytes())
    for name, asset in sorted(assets().items()):
        digest.update(f"{name} {asset.mark}".encode())
    return digest.hexdigest()[:12]


def prefix(request: Request) -> str:
    """Give the path under which a proxy serves us, by PUBLIC_URL; pages link within their own host."""
    public_url: str = request.app.state.settings.public_url
    return urlsplit(public_url).path


def alternate(request: Request, path: str) -> dict[str, str]:
    """Say where the same thing is as JSON."""
    return {"Link": f'<{request.app.state.settings.public_url}{path}>; rel="alternate"; type="{JSON}"'}


def rendered(request: Request, template: str, **shown: Any) -> str:  # noqa: ANN401  whatever the template names
    """Fill a template."""
    return _environment().get_template(template).render(base=prefix(request), here=request.url.path, **shown)


def html(content: str | bytes, status: int = 200, headers: Mapping[str, str] | None = None) -> HTMLResponse:
    """Answer with a page."""
    return HTMLResponse(content, status, {**SECURITY, **(headers or {})})


def page(
    request: Request,
    template: str,
    *,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
    **shown: Any,  # noqa: ANN401  whatever the template names
) -> HTMLResponse:
    """Fill a template and answer with it."""
    kept = {**(headers or {}), **(SECRET if is_secret(request) else {})}
    return html(rendered(request, template, **shown), status, kept)


def see_other(request: Request, path: str, headers: Mapping[str, str] | None = None) -> RedirectResponse:
    """Send a browser on to a page of ours after a form was taken."""
    sent = {**SECURITY, **(SECRET if is_secret(request) else PRIVATE), **(headers or {})}
    return RedirectResponse(f"{prefix(request)}{path}", 303, sent)


def is_secret(request: Request) -> bool:
    """Whether the address stands behind a secret link."""
    return request.url.path.startswith(("/taste/", "/pour/"))


_DATA = ("/v1", "/health", "/metrics", "/openapi.json")


def wants_a_page(request: Request) -> bool:
    """Whether a refusal should be a page: somebody reads, and the address isn't one for data."""
    path = request.url.path
    if any(path == data or path.startswith(f"{data}/") for data in _DATA):
        return False
    return HTML in request.headers.get("accept", "").lower()


def refusal(request: Request, problem: Problem, request_id: str) -> Response:
    """Say no on a page, with what to do about it."""
    shown = {
        "problem": problem.kind,
        "detail": problem.detail,
        "faults": problem.faults,
        "request_id": request_id,
        "wait": (problem.headers or {}).get("Retry-After", ""),
    }
    headers = {**(SECRET if is_secret(request) else PRIVATE), **(problem.headers or {})}
    return page(request, "refusal.html", status=problem.status_code, headers=headers, **shown)
