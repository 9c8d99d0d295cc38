"""What the figures were taken on."""

import os
import platform
import sqlite3
from pathlib import Path

import psycopg

from tests import postgres


def machine() -> dict[str, str]:
    """Name the machine and what runs on it."""
    return {
        "processor": f"{_processor()}, {os.cpu_count()} cores",
        "memory": f"{os.sysconf('SC_PAGE_SIZE') * os.sysconf('SC_PHYS_PAGES') / 2**30:.0f} GiB",
        "system": f"{platform.system()} {platform.release()}",
        "Python": platform.python_version(),
        "SQLite": sqlite3.sqlite_version,
        "PostgreSQL": _postgres(),
    }


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        return platform.processor() or platform.machine()
    return next((line.partition(":")[2].strip() for line in lines if line.startswith("model name")), platform.machine())


def _postgres() -> str:
    try:
        with postgres.server() as server, psycopg.connect(server.url) as connection:
            return str(connection.execute("SHOW server_version").fetchone()[0]).split()[0]
    except postgres.NoPostgres:
        return "none"
