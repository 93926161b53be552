"""HS1 lines, as the program's bridge_line reads them: pure, runs under MicroPython and Python alike.

$HS1,<seq>,<ms>,<kind>,<channel>,<value>,<unit>*<CRC>\\r\\n   see firmware_notes/hs1_bridge_line.md
"""

CRC_START = 0xFFFF  # CRC-16/IBM-3740, check value 0x29B1 over "123456789"
CRC_POLYNOMIAL = 0x1021
U32 = 0xFFFFFFFF
TICKS_PERIOD_MS = 1 << 30  # MicroPython's ticks_ms wraps here on most ports, an HS1 clock at 2^32


def crc16(body):
    """CRC-16/IBM-3740 of bytes; bit by bit, because MicroPython has no crc_hqx."""
    register = CRC_START
    for byte in body:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1) ^ CRC_POLYNOMIAL if register & 0x8000 else register << 1
        register &= 0xFFFF
    return register


class Uptime:
    """Milliseconds since boot as a u32, from ticks that wrap earlier. Ask at least once per ticks period."""

    def __init__(self, ticks_ms, period_ms=TICKS_PERIOD_MS):
        self._last = ticks_ms
        self._period = period_ms
        self._ms = 0

    def ms(self, ticks_ms):
        self._ms = (self._ms + (ticks_ms - self._last) % self._period) & U32
        self._last = ticks_ms
        return self._ms


class LineSender:
    """Numbers, stamps and checks lines; write takes bytes, boot tells boots apart (4 hex digits)."""

    def __init__(self, write, identity, firmware, boot):
        self._write = write
        self._identity = identity
        self._firmware = firmware
        self._boot = boot
        self._sequence = 0

    def identity(self, ms):
        self._send(ms, "I", self._identity, "fw=" + self._firmware, "boot=" + self._boot)

    def measurement(self, ms, channel, text, unit):
        """text is the decimal number with the digits of its resolution, "" for no reading."""
        self._send(ms, "M", channel, text, unit)

    def button(self, ms, channel):
        self._send(ms, "B", channel, "1", "")

    def error(self, ms, channel, text):
        self._send(ms, "E", channel, text, "")

    def _send(self, ms, kind, channel, text, unit):
        for field in (channel, text, unit):
            for separator in ",*$\r\n":
                if separator in field:
                    raise ValueError("a field holds a separator")
        body = f"HS1,{self._sequence},{ms},{kind},{channel},{text},{unit}".encode()
        self._write(b"$" + body + f"*{crc16(body):04X}\r\n".encode())
        self._sequence = (self._sequence + 1) & U32


def packets(line, size=20):
    """A line cut for UART over GATT: a notification holds MTU - 3 bytes, 20 unless more was agreed."""
    return [line[at : at + size] for at in range(0, len(line), size)]
