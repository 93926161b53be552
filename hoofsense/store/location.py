"""Where the store lives unless a path is given."""

from __future__ import annotations

from pathlib import Path

import platformdirs

STORE_FILE_NAME = "visits.sqlite3"
INSTRUMENTS_FILE_NAME = "instruments.json"


def default_store_path() -> Path:
    """Path of the person's own store in the data folder this operating system assigns; nothing is created."""
    return platformdirs.user_data_path("hoofsense", appauthor=False) / STORE_FILE_NAME


def known_instruments_path(store: Path | None) -> Path:
    """The file of the instruments this computer knows, beside the store (None: the person's own)."""
    return (store or default_store_path()).parent / INSTRUMENTS_FILE_NAME
