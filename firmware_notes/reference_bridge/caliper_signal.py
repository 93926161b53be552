"""From the clock and data of a caliper port to frames: pure, runs under MicroPython and Python alike.

A frame is a train of clock edges; data is read at each active edge, least significant bit first; trains are
set apart by a gap without clock. 24 and 52 bits are known; a port that sends a 1 before its 24 must be set
so, for a glitch makes 25 bits of 24 too. Nothing in a frame is a checksum, so a frame counts only when so
many in a row are equal. See firmware_notes/caliper_ports.md.
"""

GAP_US = 500  # longer than this without a clock edge ends a frame; write-ups give 0.5 ms or more
SHORTEST_BIT_US = 40  # two clock edges closer than this are one and a glitch
TICKS_MASK = 0x3FFFFFFF  # ticks_us wraps at 2^30
EQUAL_FRAMES = 3
OTHER_FRAMES = 2
FRESH_MS = 1500  # an older frame is not what the jaw shows now: ports send 3 to 8 frames a second
WORD_BITS, NIBBLE_BITS = 24, 52


class FrameReader:
    """Collects bits into frames. edge() at every active clock edge, idle() now and then in between.

    Both return the frame that has ended as hex digits (6 or 13), or None. spoiled counts trains of bits
    whose number is none of a frame's.
    """

    def __init__(self, leading_one=False, gap_us=GAP_US, shortest_bit_us=SHORTEST_BIT_US):
        self._leading_one = leading_one
        self._gap_us = gap_us
        self._shortest_bit_us = shortest_bit_us
        self._bits = []
        self._last_us = None
        self.spoiled = 0

    def edge(self, ticks_us, data):
        frame = self.idle(ticks_us)
        if self._last_us is not None and self._bits:
            if (ticks_us - self._last_us) & TICKS_MASK < self._shortest_bit_us:
                return frame
        self._last_us = ticks_us
        if len(self._bits) <= NIBBLE_BITS + 1:  # more than any frame has, whatever a broken wire does
            self._bits.append(1 if data else 0)
        return frame

    def idle(self, ticks_us):
        if not self._bits or (ticks_us - self._last_us) & TICKS_MASK <= self._gap_us:
            return None
        bits, self._bits = self._bits, []
        text = frame_text(bits, self._leading_one)
        if text is None:
            self.spoiled += 1
        return text


def frame_text(bits, leading_one=False):
    """Hex digits of a frame's bits in the order of the wire; None when no frame has so many bits."""
    if leading_one:
        if bits[0] != 1:
            return None
        bits = bits[1:]
    if len(bits) == WORD_BITS:
        word = 0
        for place, bit in enumerate(bits):
            word |= bit << place
        return f"{word:06X}"
    if len(bits) == NIBBLE_BITS:
        digits = ""
        for at in range(0, NIBBLE_BITS, 4):
            digits += f"{bits[at] | bits[at + 1] << 1 | bits[at + 2] << 2 | bits[at + 3] << 3:X}"
        return digits
    return None


class SteadyFrame:
    """The last frame that came EQUAL_FRAMES times in a row, for as long as it is fresh.

    OTHER_FRAMES different ones in a row end it: the jaw is moving. One alone is a glitch.
    """

    def __init__(self, equal_frames=EQUAL_FRAMES, fresh_ms=FRESH_MS):
        self._equal_frames = equal_frames
        self._fresh_ms = fresh_ms
        self._candidate = None
        self._times = 0
        self._others = 0
        self._steady = None
        self._steady_ms = 0

    def take(self, text, ms):
        self._times = self._times + 1 if text == self._candidate else 1
        self._candidate = text
        self._others = 0 if text == self._steady else self._others + 1
        if self._times >= self._equal_frames:
            self._steady, self._steady_ms, self._others = text, ms, 0
        elif self._others >= OTHER_FRAMES:
            self._steady = None

    def now(self, ms):
        """The steady frame, None when there is none or it is no longer fresh."""
        if self._steady is None or (ms - self._steady_ms) & 0xFFFFFFFF > self._fresh_ms:
            return None
        return self._steady


def unit_of(text):
    """The name HS1 has for a frame passed on as it came: hex24 or hex52."""
    return "hex24" if len(text) == 6 else "hex52"


def value_of(text, sign_bit=20):
    """(decimal text, UCUM unit) of a frame; None when it breaks the layout. For a checked port only."""
    return _value24(int(text, 16), sign_bit) if len(text) == 6 else _value52(text)


def _value24(word, sign_bit):
    if word & 0xFFFFFF & ~(0x8FFFFF | 1 << sign_bit):
        return None
    count = word & 0xFFFFF
    negative = word >> sign_bit & 1
    if word >> 23:
        return _decimal(count * 5, 4, negative), "[in_i]"  # 0.0005 in a count
    return _decimal(count, 2, negative), "mm"


def _value52(text):
    digits = text[5:11]
    if text[:4] != "FFFF" or text[4] not in "08" or not digits.isdigit():
        return None
    if text[11] not in "012345" or text[12] not in "01":
        return None
    return _decimal(int(digits), int(text[11]), text[4] == "8"), "mm" if text[12] == "0" else "[in_i]"


def _decimal(count, places, negative):
    """Integer arithmetic only: a board's floats may be too short for six digits."""
    text = str(count)
    while len(text) <= places:
        text = "0" + text
    if places:
        text = text[:-places] + "." + text[-places:]
    return "-" + text if negative and count else text
