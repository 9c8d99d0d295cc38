"""Write openapi_notes/openapi.json as the service serves it: `python -m tests.write_openapi`."""

import json
from pathlib import Path

from service.app import create_api
from service.record.database import Database
from service.settings import Settings

OPENAPI = Path(__file__).parents[1] / "openapi_notes" / "openapi.json"


def served() -> str:
    """Return the text; nothing is opened for it, neither a record nor a port."""
    text = create_api(Settings(), Database("sqlite:///nowhere.db")).openapi()
    return json.dumps(text, ensure_ascii=False, indent=1) + "\n"


if __name__ == "__main__":
    OPENAPI.write_text(served(), encoding="utf-8")
