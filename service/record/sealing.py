"""Keeps the key of an open trial from whoever can read the database: encrypted, under a key that isn't in it."""

import hashlib
import os
import secrets
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from sqlalchemy import URL
from sqlalchemy.orm import Session

from service.record.canonical import canonical_bytes
from service.record.errors import NoSealingKey

SALT_BYTES = 32

_KEY_BYTES = 32
_NONCE_BYTES = 12
_SHORTEST_SECRET = 16
_PURPOSE = b"manybatch sealed trials 1"
_HOW = "set MANYBATCH_SEALING_KEY to 32 random bytes in hex, the same for every server process, and restart."


@dataclass(slots=True)
class Sealer:
    """Seals and opens, with AES-256-GCM; what is sealed about one thing can't be passed off as another's.

    Parameters
    ----------
    secret : str or None
        What the encryption key is derived from (HKDF-SHA-256).
    file : Path or None
        Where it is kept where none is given; made at the first seal, for its owner's eyes alone.

    """

    secret: str | None = None
    file: Path | None = None
    _cipher: AESGCM | None = None

    def seal(self, content: bytes, about: str) -> bytes:
        """Encrypt content about a subject.

        Raises
        ------
        NoSealingKey
            There is neither a usable secret nor a file to keep one in.

        """
        nonce = secrets.token_bytes(_NONCE_BYTES)
        return nonce + self._with_key(make=True).encrypt(nonce, content, about.encode())

    def open(self, sealed: bytes, about: str) -> bytes:
        """Decrypt what was sealed about the same subject.

        Raises
        ------
        NoSealingKey
            The key isn't there any more, or is another one.

        """
        nonce, ciphertext = sealed[:_NONCE_BYTES], sealed[_NONCE_BYTES:]
        try:
            return self._with_key(make=False).decrypt(nonce, ciphertext, about.encode())
        except InvalidTag:
            raise NoSealingKey(
                "This trial was sealed under another key than the one there is now: the host must bring that one back."
            ) from None

    def is_set(self) -> bool:
        """Whether there is a key, usable or not; where there may be a file, one is made at the first seal."""
        return self.secret is not None or (self.file is not None and self.file.exists())

    def _with_key(self, *, make: bool) -> AESGCM:
        if self._cipher is None:
            secret = self.secret if self.secret is not None else _kept(self.file, make=make)
            if len(secret) < _SHORTEST_SECRET:
                raise NoSealingKey(f"The sealing key is shorter than {_SHORTEST_SECRET} characters: {_HOW}")
            derived = HKDF(SHA256(), _KEY_BYTES, salt=None, info=_PURPOSE).derive(secret.encode())
            self._cipher = AESGCM(derived)
        return self._cipher


def sealer_for(url: URL, secret: str | None = None) -> Sealer:
    """Return the sealer of a record: with the secret given, else on SQLite with one in a file beside the database."""
    if secret is not None or url.get_backend_name() != "sqlite":
        return Sealer(secret)
    return Sealer(file=Path(f"{url.database}.sealing-key"))


def sealer_of(session: Session) -> Sealer:
    """Return the sealer of the record that a session is on."""
    return cast("Sealer", session.info["sealer"])


def commitment(salt: bytes, key: Mapping[str, Any]) -> str:
    """Return the hex SHA-256 of a salt followed by the RFC 8785 bytes of a key."""
    return hashlib.sha256(salt + canonical_bytes(key)).hexdigest()


def _kept(file: Path | None, *, make: bool) -> str:
    if file is None:
        raise NoSealingKey(f"There is no key to seal a trial under: {_HOW}")
    try:
        return file.read_text("ascii").strip()
    except FileNotFoundError:
        pass
    except (OSError, ValueError):
        raise NoSealingKey(f"The key file {file.name} can't be read: the host must mend that.") from None
    if not make:
        raise NoSealingKey(f"The key file {file.name} is gone: the host must bring it back from a copy.")
    _make(file)
    return file.read_text("ascii").strip()


def _make(file: Path) -> None:
    """Put a new secret on the disk whole, or leave the one that another process has put there meanwhile."""
    draft = file.with_name(f"{file.name}.{secrets.token_hex(8)}")
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(descriptor, "w", encoding="ascii") as writing:
            writing.write(f"{secrets.token_hex(_KEY_BYTES)}\n")
            writing.flush()
            os.fsync(writing.fileno())
        with suppress(FileExistsError):
            os.link(draft, file)
    finally:
        draft.unlink()
    folder = os.open(file.parent, os.O_RDONLY)
    try:
        # What is sealed is lost with its key: the name must be as safe as the database's commits.
        os.fsync(folder)
    finally:
        os.close(folder)
