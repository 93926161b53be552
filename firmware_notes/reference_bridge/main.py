"""Runs on the board. All that can be rehearsed without one is in the other files.

Wiring: firmware_notes/caliper_ports.md. Output: the board's USB serial port (standard output).
"""

import os
import sys
import time
from array import array

import infrared_sensor
import machine
import settings
from bridge import Bridge
from caliper_signal import FrameReader
from hs1_line import LineSender, Uptime

RING = 128  # edges; two frames of 52 bits and some
_times = array("I", [0] * RING)
_levels = bytearray(RING)
_written = 0

_clock = machine.Pin(settings.CLOCK_PIN, machine.Pin.IN)
_data = machine.Pin(settings.DATA_PIN, machine.Pin.IN)
_flip = 1 if settings.INVERTED else 0


def _on_clock(_pin):
    """At the active edge: two pins, one time, no memory taken."""
    global _written
    now = time.ticks_us()
    level = _data.value() ^ _flip
    if _clock.value() ^ _flip:  # high again already: a glitch
        return
    place = _written % RING
    _times[place] = now
    _levels[place] = level
    _written += 1


def main():
    scl, sda = machine.Pin(settings.I2C_SCL_PIN), machine.Pin(settings.I2C_SDA_PIN)
    bus = machine.I2C(0, scl=scl, sda=sda, freq=settings.I2C_HZ)
    key = machine.Pin(settings.KEY_PIN, machine.Pin.IN, machine.Pin.PULL_UP)
    watchdog = machine.WDT(timeout=settings.WATCHDOG_MS)
    uptime = Uptime(time.ticks_ms())
    output = getattr(sys.stdout, "buffer", sys.stdout)

    boot = f"{int.from_bytes(os.urandom(2), 'big'):04X}"
    sender = LineSender(output.write, settings.IDENTITY, settings.FIRMWARE, boot)
    bridge = Bridge(
        sender,
        lambda: bus.readfrom_mem(infrared_sensor.ADDRESS, infrared_sensor.OBJECT_REGISTER, 3),
        infrared_sensor.celsius_text,
        settings.RAW_FRAMES,
        settings.SIGN_BIT,
    )
    reader = FrameReader(settings.LEADING_ONE)
    edge = machine.Pin.IRQ_RISING if settings.INVERTED else machine.Pin.IRQ_FALLING
    _clock.irq(handler=_on_clock, trigger=edge)

    taken = 0
    while True:
        ms = uptime.ms(time.ticks_ms())
        if _written - taken > RING:  # the loop was held up: what was overwritten is lost
            taken = _written - RING
        while taken < _written:
            place = taken % RING
            frame = reader.edge(_times[place], _levels[place])
            taken += 1
            if frame is not None:
                bridge.frame(frame, ms)
        frame = reader.idle(time.ticks_us())
        if frame is not None:
            bridge.frame(frame, ms)
        bridge.step(ms, not key.value())
        watchdog.feed()
        time.sleep_ms(2)


main()
