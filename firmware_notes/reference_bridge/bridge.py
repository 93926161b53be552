"""What the bridge sends and when: pure, runs under MicroPython and Python alike.

The data key sends a button line and the length the caliper shows; the thermometer sends by itself; the
bridge says who it is at boot and once a minute.
"""

from caliper_signal import SteadyFrame, unit_of, value_of

IDENTITY_EVERY_MS = 60_000
INFRARED_EVERY_MS = 200
DEBOUNCE_MS = 30
U32 = 0xFFFFFFFF


class Key:
    """A key without its bounces: step() is True once at each press held for DEBOUNCE_MS."""

    def __init__(self, debounce_ms=DEBOUNCE_MS):
        self._debounce_ms = debounce_ms
        self._down = False
        self._changed_ms = None

    def step(self, down, ms):
        if down == self._down:
            self._changed_ms = None
            return False
        if self._changed_ms is None:
            self._changed_ms = ms
        if (ms - self._changed_ms) & U32 < self._debounce_ms:
            return False
        self._down = down
        self._changed_ms = None
        return down


class Bridge:
    """One caliper, one infrared thermometer, one key.

    sender      an hs1_line.LineSender
    read_ir     () -> answer bytes of the module; raises OSError when it does not answer
    celsius     (answer) -> decimal text, "" or None (infrared_sensor.celsius_text)
    raw_frames  True until the port was checked: frames go out as they came, the program decodes them
    """

    def __init__(self, sender, read_ir, celsius, raw_frames=True, sign_bit=20):
        self._sender = sender
        self._read_ir = read_ir
        self._celsius = celsius
        self._raw_frames = raw_frames
        self._sign_bit = sign_bit
        self._frame = SteadyFrame()
        self._key = Key()
        self._identity_ms = None
        self._infrared_ms = None
        self._infrared_lost = False

    def frame(self, text, ms):
        """A frame the caliper port gave."""
        self._frame.take(text, ms)

    def step(self, ms, key_down):
        """One turn of the main loop."""
        if self._identity_ms is None or (ms - self._identity_ms) & U32 >= IDENTITY_EVERY_MS:
            self._identity_ms = ms
            self._sender.identity(ms)
        if self._infrared_ms is None or (ms - self._infrared_ms) & U32 >= INFRARED_EVERY_MS:
            self._infrared_ms = ms
            self._infrared(ms)
        if self._key.step(key_down, ms):
            self._sender.button(ms, "jaw")
            self._length(ms)

    def _infrared(self, ms):
        try:
            text = self._celsius(self._read_ir())
        except OSError:
            text = None
        if text is not None:
            self._infrared_lost = False
            self._sender.measurement(ms, "ir", text, "Cel")
        elif not self._infrared_lost:  # said once, not five times a second
            self._infrared_lost = True
            self._sender.error(ms, "ir", "no answer")

    def _length(self, ms):
        text = self._frame.now(ms)
        if text is None:
            self._sender.error(ms, "jaw", "no steady signal")
            return
        if self._raw_frames:
            self._sender.measurement(ms, "jaw", text, unit_of(text))
            return
        value = value_of(text, self._sign_bit)
        if value is None:
            self._sender.error(ms, "jaw", "frame breaks the layout")
            return
        self._sender.measurement(ms, "jaw", value[0], value[1])
