"""Times in a store's sentences."""

from __future__ import annotations

from datetime import UTC, datetime

from hoofsense.records import NS_PER_S


def utc_text(at_ns: int) -> str:
    """RFC 3339 UTC to the second, e.g. 2026-02-03T09:15:00Z; any 64-bit number of ns since 1970."""
    return datetime.fromtimestamp(at_ns // NS_PER_S, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
