"""The list of instruments over the fake radio: what is heard, what is remembered, and what it says."""

from __future__ import annotations

import json
from pathlib import Path

from bluetooth_bench import address, thermometer
from fake_peripheral import Char
from fake_radio import Radio

from hoofsense.instruments_near import instruments_near
from hoofsense.sources.instrument_list import InstrumentList, KnownInstrument, write_instrument_list
from hoofsense.wire.bthome import encode_bthome

LISTEN_s = 0.5


def test_remembered_instruments_show_role_battery_and_last_value_and_others_are_left_alone(
    radio: Radio, tmp_path: Path
) -> None:
    mine, strange = thermometer(radio), thermometer(radio, b"B22", last=0xA2, name="strange")
    mine.services[0x180F] = [Char(0x2A19, ["read"], b"\x51")]
    mine.services[0x181A] = [Char(0x2A6E, ["read"], (3120).to_bytes(2, "little"))]
    beacon = radio.bluez.peripheral(address(0xB0), "yard")
    said = encode_bthome(((0x02, 21.5), (0x01, 93)), packet_id=7)
    radio.on_air(mine)
    radio.on_air(strange)
    radio.on_air(beacon, service_data={0xFCD2: said}, uuids=())
    file = tmp_path / "instruments.json"
    away = KnownInstrument("C3", "Bluetooth", "bridge", role="bridge")
    write_instrument_list(
        file, InstrumentList((KnownInstrument("A17", "Bluetooth", "pen", (mine.address,), "sole"), away))
    )
    told = json.loads(instruments_near(LISTEN_s, True, file))
    by_id = {one["source_id"]: one for one in told["instruments"]}
    assert told["troubles"] == []
    pen = by_id["A17"]
    assert (pen["role"], pen["battery_percent"], pen["heard"]) == ("sole", 81, True)
    assert pen["last_value"] == "temperature 31.2 Cel"
    assert pen["rssi_dBm"] == -60
    assert (by_id["yard"]["battery_percent"], by_id["yard"]["remembered"]) == (93, False)
    assert "temperature 21.5" in by_id["yard"]["last_value"]
    assert by_id["C3"]["heard"] is False
    assert strange.connects == 0
    assert not radio.do(lambda: mine.connected)


def test_the_list_for_a_person_names_what_to_know(radio: Radio, tmp_path: Path) -> None:
    radio.on_air(thermometer(radio))
    text = instruments_near(LISTEN_s, False, tmp_path / "none.json")
    assert "thermometer" in text and "temperature" in text and "signal -60 dBm" in text
