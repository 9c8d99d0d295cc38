"""How a server's processes start and end."""

import gc
import os
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import uvicorn

from service.settings import Settings

if TYPE_CHECKING:
    from starlette.types import ASGIApp


def listen(settings: Settings) -> None:
    """Serve until somebody says to stop."""
    # Each worker process reads its settings anew, from the environment.
    os.environ["MANYBATCH_DATABASE_URL"] = settings.database_url
    with TemporaryDirectory(prefix="manybatch-") as meeting_place:
        if settings.workers > 1:
            os.environ["MANYBATCH_MEETING_PLACE"] = meeting_place
        uvicorn.run(
            "service.serving:application",
            factory=True,
            host=settings.host,
            port=settings.port,
            workers=settings.workers,
            log_config=None,
            access_log=False,
            server_header=False,
            # Who is asking is for MANYBATCH_TRUSTED_PROXIES to say, and not for the server's own default.
            proxy_headers=False,
            timeout_graceful_shutdown=settings.shutdown_seconds,
        )


def application() -> "ASGIApp":
    """Make the application of one process."""
    gc.disable()
    from service.app import create_app  # noqa: PLC0415  not before, and not in the process that only watches workers

    application = create_app()
    # What is loaded stays: no collection need ever look through it again.
    gc.freeze()
    gc.enable()
    return application
