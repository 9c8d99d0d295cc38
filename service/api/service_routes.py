"""What the service says of itself: version, health, problem types, and the API's text as a page."""

import hashlib
from dataclasses import asdict
from datetime import datetime
from importlib.resources import files
from typing import TYPE_CHECKING, Literal

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field
from pydantic_core import to_json
from starlette.responses import HTMLResponse, Response

from service import __version__
from service.api.conditional import REVALIDATE, matched, not_modified
from service.api.problems import SOON, Fault, Problem
from service.api.routing import JSON, Route
from service.api.storage import Stored, json_response
from service.evidence.method import METHOD_VERSION
from service.record import ledger, migrate, totals
from service.settings import Settings

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(route_class=Route)
_AS_OF_NOW = {"Cache-Control": "no-store"}
# Changes with the software alone.
_KEPT = {"Cache-Control": "public, max-age=3600"}


class Counts(BaseModel):
    """How much the record holds."""

    model_config = ConfigDict(extra="forbid")
    questions: int
    replications: int
    households: int
    ledger_entries: int


class Version(BaseModel):
    """What is running, and on which state of the record."""

    model_config = ConfigDict(extra="forbid")
    software: str = Field(examples=["manybatch 0.1.0"])
    schema_revision: str | None
    method_version: str
    data_at: datetime | None = Field(description="When the record last changed.")
    counts: Counts


class Live(BaseModel):
    """That the process answers."""

    model_config = ConfigDict(extra="forbid")
    status: Literal["live"] = "live"


class PartOfService(BaseModel):
    """One thing that the service stands on."""

    model_config = ConfigDict(extra="forbid")
    well: bool
    detail: str = Field(examples=["is this software's"])


class Ready(BaseModel):
    """That the service can do its work, and how what it stands on is."""

    model_config = ConfigDict(extra="forbid")
    status: Literal["ready", "degraded"] = Field(
        description="`degraded` where something is unwell that the service can do without."
    )
    parts: dict[str, PartOfService] = Field(
        description="`database`, `schema`, `disk`, `sealing_key`, and `replica` where there is one."
    )


@router.get("/v1/version", tags=["service"], operation_id="read_version", response_model=Version)
async def version(storage: Stored) -> Response:
    """Say what is running, the method it pools by, and how much the record holds."""

    def look(session: "Session") -> Version:
        head = ledger.head(session)
        return Version(
            software=f"manybatch {__version__}",
            schema_revision=migrate.schema_revision(session.connection()),
            method_version=METHOD_VERSION,
            data_at=head.at if head.size else None,
            counts=Counts(**asdict(totals.totals(session)), ledger_entries=head.size),
        )

    return json_response(await storage.read(look), headers={"Cache-Control": REVALIDATE})


@router.get("/health/live", tags=["service"], operation_id="health_live", response_model=Live)
async def live() -> Response:
    """Answer as long as the process can answer at all."""
    return json_response(Live(), headers=_AS_OF_NOW)


@router.get("/health/ready", tags=["service"], operation_id="health_ready", response_model=Ready)
async def ready(request: Request, storage: Stored) -> Response:
    """Answer 200 only where the record can be read, written and kept; say how each part is, or what is unwell."""
    settings: Settings = request.app.state.settings
    parts = await storage.health(settings.min_free_disk_mib, settings.max_replica_lag_seconds)
    faults = [Fault(pointer=f"part/{part.name}", detail=part.detail) for part in parts if part.needed and not part.well]
    if faults:
        detail = "; ".join(f"{fault.pointer.removeprefix('part/')} {fault.detail}" for fault in faults)
        raise Problem("unavailable", detail, faults=faults, headers=SOON)
    status: Literal["ready", "degraded"] = "ready" if all(part.well for part in parts) else "degraded"
    shown = {part.name: PartOfService(well=part.well, detail=part.detail) for part in parts}
    return json_response(Ready(status=status, parts=shown), headers=_AS_OF_NOW)


@router.get("/openapi.json", include_in_schema=False)
async def openapi_text(request: Request) -> Response:
    """Give the API's text, for programs."""
    body = to_json(request.app.openapi())
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    if matched(request, tag):
        return not_modified(tag)
    return Response(body, headers={"ETag": tag, "Cache-Control": REVALIDATE}, media_type=JSON)


_DOCS = """<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>manybatch: the HTTP interface</title><link rel="stylesheet" href="docs/swagger-ui.css">
<div id="swagger-ui"></div><script src="docs/swagger-ui-bundle.js"></script><script src="docs/start.js"></script></html>
"""
_START = """SwaggerUIBundle({url: new URL("../openapi.json", document.currentScript.src).href, dom_id: "#swagger-ui",
  deepLinking: true, defaultModelsExpandDepth: 0, validatorUrl: null});
"""
_ONLY_FROM_HERE = "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; frame-ancestors 'none'"
_ASSETS = {"swagger-ui.css": "text/css", "swagger-ui-bundle.js": "text/javascript"}
_MEDIA = frozenset(_ASSETS.values())


@router.get("/docs", include_in_schema=False, response_class=HTMLResponse)
async def docs() -> HTMLResponse:
    """Show the OpenAPI text as a page, from this host alone."""
    return HTMLResponse(_DOCS, headers=_KEPT | {"Content-Security-Policy": _ONLY_FROM_HERE})


@router.get("/docs/{asset}", include_in_schema=False, responses={200: {"content": {media: {} for media in _MEDIA}}})
async def docs_asset(asset: str) -> Response:
    """Serve the page's script and style from the installed package."""
    if asset == "start.js":
        return Response(_START, media_type="text/javascript", headers=_KEPT)
    if asset not in _ASSETS:
        raise Problem("not-found")
    content = files("fastapi_swagger.resources").joinpath(asset).read_bytes()
    return Response(content, media_type=_ASSETS[asset], headers=_KEPT)
