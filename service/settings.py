from typing import Annotated, Literal, Self

from pydantic import Field, SecretStr, field_validator
from pydantic_settings import BaseSettings, NoDecode, SettingsConfigDict

MEBIBYTE = 1024 * 1024


class Settings(BaseSettings):
    """What the host may set, each as an environment variable `MANYBATCH_<NAME>`."""

    model_config = SettingsConfigDict(env_prefix="MANYBATCH_", extra="ignore", frozen=True)

    database_url: str = Field(
        "sqlite:///./manybatch.db", description="Where the record is kept: a SQLite file or `postgresql+psycopg://...`."
    )
    read_database_url: str | None = Field(
        None, description="A streaming replica (PostgreSQL), read by whoever sends no token and names no state."
    )
    host: str = Field("127.0.0.1", description="Address to listen on.")
    port: int = Field(8000, ge=0, le=65535, description="Port to listen on.")
    workers: int = Field(1, ge=1, le=64, description="Server processes.")
    threads: int = Field(16, ge=2, le=200, description="Threads for storage work in one process, and its pool size.")
    max_body_bytes: int = Field(
        MEBIBYTE, ge=1024, le=64 * MEBIBYTE, description="Largest request body; columns and pooling take 16 times this."
    )
    body_seconds: float = Field(
        20, gt=0, le=3600, description="How long a request's body may take, and a second more for each 16 KiB of it."
    )
    rate_limits: Literal["on", "off"] = Field(
        "on", description="`off` turns the limits by address and by contributor off."
    )
    trusted_proxies: Annotated[list[str], NoDecode] = Field(
        default_factory=list, description="Comma-separated addresses or networks whose X-Forwarded-For is believed."
    )
    public_url: str = Field("", description="Address that links are built from; empty gives path-only links.")
    sealing_key: SecretStr | None = Field(
        None, description="Key for sealed trials; without it a 0600 key file is kept beside the database."
    )
    metrics_token: SecretStr | None = Field(None, description="Token for `/metrics` from elsewhere than loopback.")
    log_level: Literal["debug", "info", "warning", "error"] = Field("info", description="Least level that is logged.")
    slow_query_ms: int = Field(
        500, ge=-1, le=600_000, description="Statements that take this long are logged, without values; -1 logs none."
    )
    min_free_disk_mib: int = Field(
        256, ge=0, description="Free MiB beside a SQLite file below which the service isn't ready."
    )
    max_replica_lag_seconds: float = Field(
        30, gt=0, le=86_400, description="How far behind the replica may be before `/health/ready` says `degraded`."
    )
    shutdown_seconds: int = Field(
        20, ge=1, le=600, description="How long what has begun may take to end after SIGTERM."
    )

    @field_validator("trusted_proxies", mode="before")
    @classmethod
    def _split(cls, value: object) -> object:
        return [part.strip() for part in value.split(",") if part.strip()] if isinstance(value, str) else value

    @field_validator("public_url")
    @classmethod
    def _no_trailing_slash(cls, value: str) -> str:
        return value.rstrip("/")

    def on(self, **changes: object) -> Self:
        """Return a copy with some settings replaced, for a command's options."""
        return self.model_copy(update={name: value for name, value in changes.items() if value is not None})
