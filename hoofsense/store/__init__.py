"""Readings, verdicts and visits on disk: nothing acknowledged is ever lost."""

from hoofsense.store.backup import BackupReport
from hoofsense.store.batching import FrameBatch
from hoofsense.store.errors import StoreError
from hoofsense.store.frame_rows import DamagedChunk
from hoofsense.store.location import default_store_path, known_instruments_path
from hoofsense.store.points import BIN_NS, Point, TraceBin
from hoofsense.store.van_store import Store, open_reader, open_store
from hoofsense.store.visit_rows import VisitSummary

__all__ = [
    "BIN_NS",
    "BackupReport",
    "DamagedChunk",
    "FrameBatch",
    "Point",
    "Store",
    "StoreError",
    "TraceBin",
    "VisitSummary",
    "default_store_path",
    "known_instruments_path",
    "open_reader",
    "open_store",
]
