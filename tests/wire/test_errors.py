"""The one error that bytes can cause."""

from __future__ import annotations

import pickle

from hoofsense.wire.errors import FrameError


def test_the_payload_is_shown_in_hex_beside_the_sentence() -> None:
    error = FrameError("too short: send it again", b"\x01\xff", "short")
    assert str(error) == "too short: send it again [01ff]"
    assert (error.message, error.payload, error.reason) == ("too short: send it again", b"\x01\xff", "short")


def test_a_long_payload_is_kept_whole_and_shown_in_part() -> None:
    error = FrameError("x", bytes(200), "long")
    assert len(error.payload) == 200
    assert len(str(error)) < 120 and str(error).endswith("...]")


def test_a_frame_error_is_no_value_error_so_that_own_misuse_is_never_taken_for_damage() -> None:
    assert not isinstance(FrameError("x", b"", "short"), ValueError)


def test_it_survives_the_way_between_processes() -> None:
    error = pickle.loads(pickle.dumps(FrameError("x: y", b"\x00", "field")))
    assert (error.message, error.payload, error.reason) == ("x: y", b"\x00", "field")
