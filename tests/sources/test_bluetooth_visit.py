"""From a radio to a verdict: a live visit whose only instruments are Bluetooth ones, over a real bus."""

from __future__ import annotations

import dataclasses
import threading
import time
from collections.abc import Callable
from pathlib import Path

from bluetooth_bench import QUICK, degC, thermometer
from fake_peripheral import Char
from fake_radio import Radio

from hoofsense.collector import Collector
from hoofsense.frames_ahead import Inbox, Said, live
from hoofsense.materials import load_profile
from hoofsense.sources.bluetooth import BluetoothSource
from hoofsense.sources.clock import SteadyClock
from hoofsense.store import open_reader, open_store
from hoofsense.visit_marks import mark_payload
from hoofsense.wire.gatt import encode_environmental

PATIENCE_S = 10.0


def until(happened: Callable[[], bool], what: str) -> None:
    give_up_s = time.monotonic() + PATIENCE_S
    while not happened():
        assert time.monotonic() < give_up_s, f"waited in vain for {what}"
        time.sleep(0.01)


def test_indications_and_air_reach_the_verdict_and_the_record(radio: Radio, tmp_path: Path) -> None:
    instrument = thermometer(radio)
    air = radio.bluez.peripheral(
        "00:00:5E:00:53:B0",
        "air",
        {
            0x181A: [
                Char(0x2A6E, ["notify", "read"], encode_environmental(0x2A6E, 9.5)),
                Char(0x2A6F, ["notify", "read"], encode_environmental(0x2A6F, 61.0)),
            ]
        },
    )
    radio.on_air(instrument)
    radio.on_air(air)
    inbox, stopping = Inbox(), threading.Event()
    begin = {
        "mark": "begin", "id": "b", "visit_id": "invented-bluetooth", "horse": "Invented", "practice": "",
        "feet": ["LF"], "material": dataclasses.asdict(load_profile("standard")), "invented": True,
    }  # fmt: skip
    inbox.put(Said("test", "mark", mark_payload(begin)))
    source = BluetoothSource(timing=QUICK)
    store_path = tmp_path / "v.sqlite3"
    with open_store(store_path) as store:
        frames = live([source], SteadyClock.anchored_now(), inbox, stopping)
        collector = Collector(frames, inbox, mode="live", store=store)
        folding = threading.Thread(target=collector.run)
        folding.start()
        try:
            until(lambda: bool(collector.view().get("feet/LF")), "the visit to begin")
            collector.mark({"mark": "fitness", "foot": "LF", "signs": []})
            collector.mark({"mark": "hand", "foot": "LF", "site": "toe"})
            until(lambda: collector.view()["feet/LF"]["stage"] == "dry", "the foot to be cleared")
            until(
                lambda: any(i["source"] == "A17" for i in collector.view()["instruments"]), "the thermometer"
            )
            for step in range(8):
                radio.do(instrument.notify, 0x2A1C, degC(11.0 + step / 10))
            radio.do(air.notify, 0x2A6E, encode_environmental(0x2A6E, 9.4))
            radio.do(air.notify, 0x2A6F, encode_environmental(0x2A6F, 62.0))
            until(lambda: (collector.view()["air"] or {}).get("rh_percent") == 62, "the air")
            until(lambda: (collector.view()["feet/LF"]["surface"] or {}).get("degC") == 11.7, "the surface")
            assert collector.view()["feet/LF"]["surface"]["site"] == "toe"
            assert collector.view()["feet/LF"]["verdict"]["status"] == "CANNOT TELL"
            radio.do(instrument.drop)
            until(lambda: any("not connected" in n["text"] for n in collector.view()["notices"]), "the loss")
        finally:
            stopping.set()
            folding.join(PATIENCE_S)
    with open_reader(store_path) as reader:
        channels = {f.channel for f in reader.frames("invented-bluetooth")}
    assert {"gatt:2a1c", "gatt:2a6e", "gatt:2a6f", "link", "mark", "tick"} <= channels
