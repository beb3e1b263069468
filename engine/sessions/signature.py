"""A result signed with the site's own key: Ed25519 (RFC 8032), by the library `cryptography`.

The signature covers result.yaml and the hash of the journal's last line, and with that everything
they hash: the session, the points, and every line before. It shows that whoever holds the key
signed exactly this; not who that is, nor that the measurement was good. `cryptography` is an extra:
``pip install stationbook[signature]``.
"""

from __future__ import annotations

import os
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from ..errors import FileError, StationbookError
from ..files import inside, read_bytes, sha256
from .journal import last_line
from .schema import record_of
from .store import (
    PRIVATE,
    RESULT_FILE,
    config_folder,
    make_folder,
    write_bytes_atomic,
    write_bytes_new,
    write_text_atomic,
)
from .yaml_text import read_yaml, yaml_dump

SIGNATURE_FILE = "signature.yaml"
KEY_FILE = "site-key.pem"  # in the user's configuration folder, readable by the user alone
TRUSTED_FILE = "trusted-keys.yaml"  # there too: names and public keys of other sites
NO_LIBRARY = "Install it once: pip install 'stationbook[signature]'."


@dataclass(frozen=True, slots=True)
class Signature:
    """signature.yaml: what was signed (SHA-256), when, with which public key [hex], and how."""

    result: str
    journal: str | None
    at: str
    key: str
    signature: str

    def message(self) -> bytes:
        """Return the bytes that are signed."""
        return f"stationbook result {self.result} journal {self.journal} at {self.at}".encode()


@dataclass(frozen=True, slots=True)
class Signed:
    """What a signature shows: ``problem`` is "" where result and journal are what was signed."""

    key: str
    at: str
    name: str | None
    problem: str


def new_key() -> tuple[Path, str]:
    """Make the site's key and return its path and the public key [hex].

    Raises FileError where there is one already.
    """
    library = _library()
    from cryptography.hazmat.primitives.serialization import (
        Encoding,
        NoEncryption,
        PrivateFormat,
    )

    key = library.Ed25519PrivateKey.generate()
    pem = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    path = config_folder() / KEY_FILE
    make_folder(path.parent)
    write_bytes_new(path, pem, PRIVATE)
    return path, _public(key)


def sign(folder: Path, *, now: datetime) -> Signature:
    """Sign the stored result with the site's key; hold the folder's lock. Raises FileError."""
    key = _key()
    result = sha256(read_bytes(inside(folder, RESULT_FILE)))
    unsigned = Signature(result, last_line(folder), now.isoformat("T", "seconds"), _public(key), "")
    signed = replace(unsigned, signature=key.sign(unsigned.message()).hex())
    write_text_atomic(inside(folder, SIGNATURE_FILE), yaml_dump({"format": 1, **asdict(signed)}))
    return signed


def verified(folder: Path) -> Signed | None:
    """Return what the signature in a session folder shows, None where there is none.

    Raises FileError where it cannot be read, StationbookError without the library.
    """
    path = inside(folder, SIGNATURE_FILE)
    if not os.path.exists(path):
        return None
    root = read_yaml(path)
    root.entries().pop("format", None)
    said = record_of(Signature).read(root)
    return Signed(said.key, said.at, _trusted().get(said.key), _problem(folder, said))


def _problem(folder: Path, said: Signature) -> str:
    library = _library()
    from cryptography.exceptions import InvalidSignature

    try:
        key = library.Ed25519PublicKey.from_public_bytes(bytes.fromhex(said.key))
        key.verify(bytes.fromhex(said.signature), said.message())
    except (InvalidSignature, ValueError):
        return "the signature is not of this key"
    if sha256(read_bytes(inside(folder, RESULT_FILE))) != said.result:
        return "result.yaml is not the one that was signed"
    if said.journal is not None and last_line(folder, said.journal) is None:
        return "the journal is not the one that was signed"
    return ""


def _library() -> Any:
    try:
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError:
        raise StationbookError("signatures need the library cryptography", NO_LIBRARY) from None
    return ed25519


def _key() -> Any:
    library = _library()
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    path = config_folder() / KEY_FILE
    if not os.path.exists(path):
        raise FileError(path, "there is no key", "Make one: stationbook sign --new-key.")
    try:
        key = load_pem_private_key(read_bytes(path, 10_000), None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise FileError(path, f"this is no private key ({error})") from None
    if not isinstance(key, library.Ed25519PrivateKey):
        raise FileError(path, "this is no Ed25519 key", "Make one: stationbook sign --new-key.")
    return key


def _public(key: Any) -> str:
    return str(key.public_key().public_bytes_raw().hex())


def _trusted() -> dict[str, str]:
    """Return the names of the keys that this user trusts, by public key."""
    path = config_folder() / TRUSTED_FILE
    if not os.path.exists(path):
        return {}
    entries = read_yaml(path).entries("names and public keys")
    return {node.text("a public key").lower(): name for name, node in entries.items()}


def trust(name: str, key: str) -> Path:
    """Remember under ``name`` a public key [hex] that this user trusts; returns the file."""
    path = config_folder() / TRUSTED_FILE
    known = {named: public for public, named in _trusted().items()}
    make_folder(path.parent)
    write_bytes_atomic(path, yaml_dump({**known, name: key.lower()}).encode(), PRIVATE)
    return path
