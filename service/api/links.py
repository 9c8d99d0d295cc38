"""Where things are: addresses that leave the service begin with PUBLIC_URL, never with what a Host header says."""

from fastapi import Request


def address(request: Request, path: str) -> str:
    """Complete a path of this service."""
    public_url: str = request.app.state.settings.public_url
    return f"{public_url}{path}"
