"""The least that a server can do to keep what it is sent: one insert and one commit, with the same drivers."""

import json
import os
import sqlite3
import threading
from typing import Any

import psycopg
from fastapi import FastAPI
from sqlalchemy import make_url

WHERE = "BENCHMARKS_WRITE_TO"
_LOCAL = threading.local()
_TABLE = "CREATE TABLE IF NOT EXISTS bare (id TEXT PRIMARY KEY, document TEXT NOT NULL)"
_INSERT = "INSERT INTO bare (id, document) VALUES ({0}, {0})"


def prepare(url: str) -> None:
    """Make the table."""
    connection = _connect(url)
    connection.execute(_TABLE)
    connection.commit()
    connection.close()


def create_app() -> FastAPI:
    """Make the server; where to write is in its environment."""
    return writing_to(os.environ[WHERE])


def writing_to(url: str) -> FastAPI:
    """Make the server."""
    on_sqlite = url.startswith("sqlite")
    statement = _INSERT.format("?" if on_sqlite else "%s")
    one_writer = threading.Lock()
    app = FastAPI(openapi_url=None)

    def insert(body: dict[str, Any]) -> str:
        if not hasattr(_LOCAL, "connection"):
            _LOCAL.connection = _connect(url)
        name = os.urandom(16).hex()
        _LOCAL.connection.execute(statement, (name, json.dumps(body)))
        _LOCAL.connection.commit()
        return name

    @app.post("/bare", status_code=201)
    def post(body: dict[str, Any]) -> dict[str, Any]:
        if not on_sqlite:
            return {"id": insert(body), **body}
        with one_writer:
            return {"id": insert(body), **body}

    @app.get("/ready")
    def ready() -> dict[str, str]:
        return {}

    return app


def _connect(url: str) -> Any:
    parsed = make_url(url)
    if parsed.get_backend_name() == "sqlite":
        connection = sqlite3.connect(parsed.database or "", timeout=5)
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        return connection
    return psycopg.connect(parsed.set(drivername="postgresql").render_as_string(hide_password=False))
