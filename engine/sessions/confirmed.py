"""Image sources that the user confirmed on this machine, and what only this machine may know.

A cell or session can come from anywhere, and a folder, device, address or command that it names
could be a trap. So a source stays inactive until it is confirmed here, for this very folder; what
is confirmed lies in the user's own configuration folder and never travels with a session. Commands
and credentials lie there too: a cell only names them.
"""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from ..files import sha256
from .schema import record_of
from .store import config_folder, remember, remembered
from .yaml_text import read_yaml

CONFIRMED_FILE = "confirmed.json"
SETTINGS_FILE = "settings.yaml"


@dataclass(frozen=True, slots=True)
class Credentials:
    """User name and password for one address."""

    user: str
    password: str


@dataclass(frozen=True, slots=True)
class Settings:
    """What only this machine knows: commands by name (program and arguments), and credentials
    by host name."""

    commands: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    credentials: Mapping[str, Credentials] = field(default_factory=dict)


def read_settings() -> Settings:
    """Read ``settings.yaml`` of the user's configuration folder; empty where there is none."""
    path = config_folder() / SETTINGS_FILE
    if not os.path.exists(path):
        return Settings()
    return record_of(Settings, None, ()).read(read_yaml(path))


def is_confirmed(folder: Path, source: Mapping[str, str]) -> bool:
    """Tell whether this source of the cell or session in ``folder`` was confirmed here."""
    return _key(folder, source) in remembered(CONFIRMED_FILE)


def confirm(folder: Path, source: Mapping[str, str], *, now: datetime) -> None:
    """Remember that the user confirmed this source for this folder on this machine."""
    known = remembered(CONFIRMED_FILE)
    remember(CONFIRMED_FILE, known | {_key(folder, source): now.isoformat("T", "seconds")})


def _key(folder: Path, source: Mapping[str, str]) -> str:
    """Return the hash that stands for source, folder and machine together."""
    whole = [platform.node(), str(folder.resolve()), sorted(source.items())]
    return sha256(json.dumps(whole).encode())
