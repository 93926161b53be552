"""The reference bridge's files as a board sees them: flat, imported by plain name."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

BRIDGE = Path(__file__).parents[2] / "firmware_notes" / "reference_bridge"
PURE = ("hs1_line", "caliper_signal", "caliper_simulation", "infrared_sensor", "bridge", "rehearsal")


@pytest.fixture(scope="session")
def board() -> Iterator[SimpleNamespace]:
    """The pure files of the bridge, each an attribute."""
    sys.path.insert(0, str(BRIDGE))
    try:
        yield SimpleNamespace(**{name: importlib.import_module(name) for name in PURE}, folder=BRIDGE)
    finally:
        sys.path.remove(str(BRIDGE))
        for name in PURE:
            sys.modules.pop(name, None)
