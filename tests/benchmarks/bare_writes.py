"""The least that a server can do to keep what it is sent: one insert and one commit.

Once as the stack would have it (the same models in, SQLModel to the record), and once with nothing but the driver.
"""

import json
import os
import sqlite3
import threading
from contextlib import nullcontext
from typing import Any
from uuid import UUID, uuid4

import psycopg
from fastapi import FastAPI
from sqlalchemy import JSON, Engine, MetaData, event, make_url
from sqlalchemy.orm import registry
from sqlmodel import Field, Session, SQLModel, create_engine

from service.intake.documents import ReplicationDocument

WHERE = "BENCHMARKS_WRITE_TO"
_LOCAL = threading.local()
_TABLE = "CREATE TABLE IF NOT EXISTS bare (id TEXT PRIMARY KEY, document TEXT NOT NULL)"
_INSERT = "INSERT INTO bare (id, document) VALUES ({0}, {0})"
_AT_ONCE = 40
"""Connections: as many as FastAPI has threads for plain functions."""


class _Own(SQLModel, registry=registry()):
    """Tables that the service's own migrations know nothing of."""

    metadata = MetaData()


class Modelled(_Own, table=True):
    """What a route keeps that does nothing else."""

    __tablename__ = "bare_model"

    id: UUID = Field(default_factory=uuid4, primary_key=True)
    document: dict[str, Any] = Field(sa_type=JSON)


def prepare(url: str) -> None:
    """Make the tables."""
    connection = _connect(url)
    connection.execute(_TABLE)
    connection.commit()
    connection.close()
    engine = _engine(url)
    Modelled.metadata.create_all(engine)
    engine.dispose()


def create_app() -> FastAPI:
    """Make the server; where to write is in its environment."""
    return writing_to(os.environ[WHERE])


def writing_to(url: str) -> FastAPI:
    """Make the server."""
    on_sqlite = url.startswith("sqlite")
    statement = _INSERT.format("?" if on_sqlite else "%s")
    # A file has one writer; whoever doesn't wait for his turn here waits longer for the file's lock.
    turn = threading.Lock() if on_sqlite else nullcontext()
    engine = _engine(url)
    app = FastAPI(openapi_url=None)

    @app.post("/driver", status_code=201)
    def by_driver(body: dict[str, Any]) -> dict[str, Any]:
        with turn:
            if not hasattr(_LOCAL, "connection"):
                _LOCAL.connection = _connect(url)
            name = os.urandom(16).hex()
            _LOCAL.connection.execute(statement, (name, json.dumps(body)))
            _LOCAL.connection.commit()
        return {"id": name, **body}

    @app.post("/models", status_code=201)
    def by_models(body: ReplicationDocument) -> Modelled:
        with turn, Session(engine, expire_on_commit=False) as session:
            row = Modelled(document=body.model_dump(mode="json"))
            session.add(row)
            session.commit()
        return row

    @app.get("/ready")
    def ready() -> dict[str, str]:
        return {}

    return app


def _engine(url: str) -> Engine:
    engine = create_engine(url, pool_size=_AT_ONCE)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", lambda connection, _: _synchronise(connection))
    return engine


def _synchronise(connection: Any) -> None:
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")


def _connect(url: str) -> Any:
    parsed = make_url(url)
    if parsed.get_backend_name() == "sqlite":
        connection = sqlite3.connect(parsed.database or "", timeout=5)
        _synchronise(connection)
        return connection
    return psycopg.connect(parsed.set(drivername="postgresql").render_as_string(hide_password=False))
