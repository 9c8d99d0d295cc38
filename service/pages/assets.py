"""The few files that pages ask for, read once and served by a name that changes with them."""

import hashlib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from fastapi import APIRouter
from starlette.responses import Response

from service.api.problems import Problem

router = APIRouter(include_in_schema=False)

_MEDIA_TYPES = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
_LASTING = {"Cache-Control": "public, max-age=31536000, immutable"}


@dataclass(frozen=True, slots=True)
class Asset:
    """One file, and the mark of its content."""

    content: bytes
    media_type: str
    mark: str


@cache
def assets() -> dict[str, Asset]:
    """Read the files that lie beside this module."""
    found = {}
    for path in files("service.pages").joinpath("static").iterdir():
        media_type = _MEDIA_TYPES.get(path.name.rpartition(".")[2])
        if media_type is not None:
            content = path.read_bytes()
            found[path.name] = Asset(content, media_type, hashlib.sha256(content).hexdigest()[:12])
    return found


def asset_path(name: str) -> str:
    """Give a file's address: as its content changes so does the address, and nobody keeps an old one."""
    return f"/static/{assets()[name].mark}/{name}"


@router.get("/static/{mark}/{name}")
async def read_asset(mark: str, name: str) -> Response:
    """Serve one file to whoever has its present address."""
    asset = assets().get(name)
    if asset is None or asset.mark != mark:
        raise Problem("not-found")
    return Response(asset.content, headers=_LASTING, media_type=asset.media_type)
