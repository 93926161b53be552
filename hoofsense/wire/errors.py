"""The one error that bytes can cause."""

from __future__ import annotations

from typing import Literal

Reason = Literal[
    "short",  # fewer bytes than the layout needs
    "long",  # more bytes than the layout has
    "checksum",  # the bytes are not the ones that were sent
    "field",  # a field holds what the layout forbids
    "number",  # text where a number belongs
    "unit",  # a unit that is missing, unknown or measures something else
    "version",  # a document version this program does not read
    "sealed",  # encrypted, and not to be opened with this key
    "channel",  # no decoder for this channel
]

_SHOWN_BYTES = 48  # of the payload in the message; own choice, one terminal line


class FrameError(Exception):
    """Bytes that are not what their channel promises; carries the payload and a short reason to count by."""

    def __init__(self, message: str, payload: bytes, reason: Reason) -> None:
        super().__init__(message)
        self.message = message
        self.payload = bytes(payload)
        self.reason: Reason = reason

    def __str__(self) -> str:
        shown = self.payload[:_SHOWN_BYTES].hex() or "no bytes"
        rest = "..." if len(self.payload) > _SHOWN_BYTES else ""
        return f"{self.message} [{shown}{rest}]"

    def __reduce__(self) -> tuple[type[FrameError], tuple[str, bytes, Reason]]:
        return (FrameError, (self.message, self.payload, self.reason))
