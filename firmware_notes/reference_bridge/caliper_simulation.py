"""A caliper's clock and data line as they change, with jitter and glitches: pure, both interpreters.

The wave is a list of (us, clock, data), a row at every change. Clock idles high; data is set before the
clock falls and held past its rise; the falling edge is the active one. Own numbers, chosen to be worse than
a bench shows: no source.
"""

BIT_US = 300  # one clock period
GROUP_GAP_US = 120  # extra pause after every fourth bit
FRAME_GAP_US = 110_000  # between frames: nine a second
LONGEST_GLITCH_US = 8
EARLIEST_READ_US, LATEST_READ_US = 4, 24  # after the edge, when an interrupt routine reads the pins


class Noise:
    """The same numbers on every board: a linear congruential generator (Numerical Recipes' constants)."""

    def __init__(self, seed):
        self._state = seed & 0xFFFFFFFF

    def below(self, bound):
        """A whole number from 0 to bound - 1."""
        self._state = (1664525 * self._state + 1013904223) & 0xFFFFFFFF
        return (self._state >> 8) % bound


def word_bits(text):
    """Bits in the order of the wire of 6 or 13 hex digits."""
    if len(text) == 6:
        word = int(text, 16)
        return [word >> place & 1 for place in range(24)]
    return [int(digit, 16) >> place & 1 for digit in text for place in range(4)]


def wave_of(bits, start_us, noise, jitter_percent=0, clock_glitches=0, data_glitches=0):
    """The wave of one frame and the time at which it has ended."""
    wave = [(start_us, 1, 0)]
    now = start_us
    for place, bit in enumerate(bits):
        period = BIT_US + BIT_US * (noise.below(2 * jitter_percent + 1) - jitter_percent) // 100
        wave.append((now, 1, bit))
        wave.append((now + period // 4, 0, bit))
        wave.append((now + 3 * period // 4, 1, bit))
        now += period + (GROUP_GAP_US if place % 4 == 3 else 0)
    wave.append((now, 1, 0))
    for _ in range(clock_glitches):
        wave = _with_glitch(wave, start_us, now, noise, True)
    for _ in range(data_glitches):
        wave = _with_glitch(wave, start_us, now, noise, False)
    return wave, now


def _with_glitch(wave, start_us, end_us, noise, on_clock):
    """The wave with one line upside down for a few microseconds."""
    begin = start_us + noise.below(end_us - start_us)
    end = begin + 1 + noise.below(LONGEST_GLITCH_US)
    changed = []
    level = wave[0]
    begun = ended = False
    for row in wave:
        if not begun and row[0] > begin:
            changed.append(_flipped((begin, level[1], level[2]), on_clock))
            begun = True
        if not ended and row[0] > end:
            changed.append((end, level[1], level[2]))
            ended = True
        changed.append(_flipped(row, on_clock) if begin <= row[0] < end else row)
        level = row
    return changed


def _flipped(row, on_clock):
    time, clock, data = row
    return (time, 1 - clock, data) if on_clock else (time, clock, 1 - data)


def edges_seen(wave, noise):
    """What an interrupt routine on the falling clock records: (us, data), read a little after the edge.

    It reads the clock once more and drops the edge when the clock is high again: a glitch. A second edge
    while it still waits is lost.
    """
    seen = []
    busy_until = -1
    before = wave[0][1]
    for place, (time, clock, _) in enumerate(wave):
        if before and not clock and time >= busy_until:
            reads_at = time + EARLIEST_READ_US + noise.below(LATEST_READ_US - EARLIEST_READ_US)
            busy_until = reads_at
            at = place
            while at + 1 < len(wave) and wave[at + 1][0] <= reads_at:
                at += 1
            level = wave[at]
            if not level[1]:
                seen.append((time, level[2]))
        before = clock
    return seen
