"""Whether the computer's clock follows a time server or receiver, as the kernel itself keeps it (Linux)."""

from __future__ import annotations

import ctypes
import sys

_UNSYNCHRONISED = 0x40  # STA_UNSYNC, Linux timex.h
_ERROR = -1


class _Timex(ctypes.Structure):
    """The beginning of struct timex (Linux timex.h); the rest is only room for the kernel to write into."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 64),
    )


def clock_is_synchronised() -> bool | None:
    """True or False as the kernel says (adjtimex with nothing to set); None where it cannot be asked."""
    if sys.platform != "linux":
        return None
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return None
    asked = _Timex()
    if adjtimex(ctypes.byref(asked)) == _ERROR:
        return None
    return not asked.status & _UNSYNCHRONISED
