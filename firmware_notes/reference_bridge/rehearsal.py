"""Two minutes of a bridge at work, without a board: micropython rehearsal.py

A simulated caliper is set to one length after another while a simulated thermometer sends; the key is
pressed, with bounces, at each length. What comes out is what the program reads.
"""

import sys

import infrared_sensor
from bridge import Bridge
from caliper_signal import FrameReader
from caliper_simulation import FRAME_GAP_US, Noise, edges_seen, wave_of, word_bits
from hs1_line import LineSender, Uptime

LENGTHS = ("0004D2", "1004D2", "8003CB", "000000", "FFFF801234530", "FFFF000485541")
LENGTH_FOR_MS = 20_000
TICKS_START = (1 << 30) - 5_000  # the board's ticks wrap five seconds in


def run(write, raw_frames=True, jitter_percent=20, clock_glitches=1, data_glitches=1):
    noise = Noise(2024)
    asked = [0]

    def read_ir():
        asked[0] += 1
        if asked[0] % 100 == 0:
            raise OSError("no answer")
        return infrared_sensor.answer_for(30000 + 2 * noise.below(100))

    sender = LineSender(write, "bridge-01", "1", "7F3A")
    bridge = Bridge(sender, read_ir, infrared_sensor.celsius_text, raw_frames)
    reader = FrameReader()
    uptime = Uptime(TICKS_START)
    now_us = 0
    for text in LENGTHS:
        bits = word_bits(text)
        until_us = now_us + LENGTH_FOR_MS * 1000
        while now_us < until_us:
            wave, ended_us = wave_of(bits, now_us, noise, jitter_percent, clock_glitches, data_glitches)
            ms = uptime.ms((TICKS_START + now_us // 1000) % (1 << 30))
            for edge_us, data in edges_seen(wave, noise):
                frame = reader.edge(edge_us & 0x3FFFFFFF, data)
                if frame is not None:
                    bridge.frame(frame, ms)
            frame = reader.idle((ended_us + 1000) & 0x3FFFFFFF)
            if frame is not None:
                bridge.frame(frame, ms)
            # Pressed for 300 ms, bouncing for the first and the last 10.
            for step in range(0, FRAME_GAP_US, 5_000):
                pressed_us = now_us + step - (until_us - LENGTH_FOR_MS * 500)
                down = 0 <= pressed_us < 300_000 and not (pressed_us % 10_000 and pressed_us < 10_000)
                bridge.step(uptime.ms((TICKS_START + (now_us + step) // 1000) % (1 << 30)), down)
            now_us = ended_us + FRAME_GAP_US


if __name__ == "__main__":
    run(getattr(sys.stdout, "buffer", sys.stdout).write, "decoded" not in sys.argv[1:])
