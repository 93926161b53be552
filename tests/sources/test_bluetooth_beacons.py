"""Beacons: every measurement once, encrypted adverts opened, the list of what is on the air."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from bluetooth_bench import QUICK, Listen, Sink, address, note_of, status_of, thermometer
from fake_peripheral import Char, Peripheral
from fake_radio import Radio

from hoofsense.decoding import measurements_from
from hoofsense.records import NS_PER_S
from hoofsense.sources.bluetooth import discover
from hoofsense.sources.bluetooth_beacons import BEACONS_KEPT, NO_KEY, Beacons, is_numbered
from hoofsense.sources.bluetooth_faults import ADAPTER_OFF, NO_ADAPTER, NOT_PERMITTED
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.instrument_list import InstrumentList, KnownInstrument
from hoofsense.sources.link import LinkError
from hoofsense.wire.bthome import encode_bthome, sealed

KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
YARD = address(0xB0)


def air(packet_id: int | None, air_degC: float = 12.5) -> bytes:
    return encode_bthome(((0x02, air_degC), (0x03, 61.25)), packet_id)


def sealed_air(counter: int, air_degC: float = 12.5) -> bytes:
    return sealed(air(None, air_degC), KEY, bytes.fromhex(YARD.replace(":", "")), counter)


def beacon(radio: Radio) -> Peripheral:
    return radio.bluez.peripheral(YARD, "yard")


def send(radio: Radio, instrument: Peripheral, payload: bytes, rssi: int = -60) -> None:
    radio.do(instrument.advertise, service_data={0xFCD2: payload}, rssi=rssi)


def test_each_measurement_of_a_beacon_is_recorded_once(radio: Radio, listen: Listen, recorder: Sink) -> None:
    instrument = beacon(radio)
    source = listen()
    recorder.wait_until(lambda: radio.do(lambda: radio.bluez.scanning))
    for packet_id in range(3):
        for repeat in range(5):
            send(radio, instrument, air(packet_id, 12.5 + packet_id), rssi=-60 - repeat)
    frames = recorder.wait_for("advert:fcd2", 3)
    send(radio, instrument, air(3))
    recorder.wait_for("advert:fcd2", 4)
    assert [measurements_from(frame)[0].value for frame in frames] == [12.5, 13.5, 14.5]
    status = status_of(source, "yard")
    assert (status.kind, status.connected) == ("Bluetooth beacon", True)
    assert status.measures == ("temperature", "humidity")


def test_a_change_that_is_no_advert_does_not_make_an_old_value_new(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = radio.bluez.peripheral(YARD, "yard", {0x181A: [Char(0x2A6E, ["read"], b"\x00\x00")]})
    listen()
    recorder.wait_until(lambda: radio.do(lambda: radio.bluez.scanning))
    send(radio, instrument, air(1))
    recorder.wait_up("yard")
    for _ in range(3):
        ups = recorder.ups("yard")
        radio.do(instrument.drop)
        recorder.wait_downs("yard", ups)
        radio.do(instrument.advertise)
        recorder.wait_up("yard", ups + 1)
    assert recorder.payloads("advert:fcd2") == [air(1)]


def test_an_encrypted_beacon_is_opened_with_its_key_and_kept_as_it_came(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = beacon(radio)
    source = listen(keys={YARD.lower(): KEY})
    recorder.wait_until(lambda: radio.do(lambda: radio.bluez.scanning))
    send(radio, instrument, sealed_air(7))
    send(radio, instrument, sealed_air(7))
    send(radio, instrument, sealed_air(8))
    assert recorder.wait_for("advert:fcd2", 2)[0].payload == air(None)
    assert recorder.payloads("advert:fcd2+sealed") == [sealed_air(7), sealed_air(8)]
    assert note_of(source, "yard") == ""


@pytest.mark.parametrize(
    ("keys", "note"), [({}, NO_KEY), ({YARD: bytes(16)}, "does not open with the key given")]
)
def test_without_its_key_an_encrypted_beacon_is_kept_and_said_so(
    radio: Radio, listen: Listen, recorder: Sink, keys: dict[str, bytes], note: str
) -> None:
    instrument = beacon(radio)
    source = listen(keys=keys)
    recorder.wait_until(lambda: radio.do(lambda: radio.bluez.scanning))
    send(radio, instrument, sealed_air(7))
    recorder.wait_for("advert:fcd2+sealed")
    recorder.wait_until(lambda: note in note_of(source, "yard"))
    assert recorder.of("advert:fcd2") == []


def test_the_key_in_the_list_of_instruments_is_used(radio: Radio, listen: Listen, recorder: Sink) -> None:
    instrument = beacon(radio)
    listen(known=InstrumentList((KnownInstrument("pasture", "Bluetooth beacon", "x", (YARD,), "air", KEY),)))
    recorder.wait_until(lambda: radio.do(lambda: radio.bluez.scanning))
    send(radio, instrument, sealed_air(7))
    (frame,) = recorder.wait_for("advert:fcd2")
    assert frame.source_id == "pasture"


def test_a_beacon_that_falls_silent_is_missed_and_welcomed_back(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = beacon(radio)
    source = listen()
    recorder.wait_until(lambda: radio.do(lambda: radio.bluez.scanning))
    send(radio, instrument, air(1))
    recorder.wait_down("yard", "not heard for 0.4 s")
    assert not status_of(source, "yard").connected
    recorder.wait_until(lambda: radio.do(lambda: radio.bluez.scanning))
    send(radio, instrument, air(2))
    recorder.wait_up("yard", 2)
    assert status_of(source, "yard").connected


def test_adverts_come_however_often_the_scan_is_begun_anew(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = beacon(radio)
    listen()
    recorder.wait_until(lambda: radio.do(lambda: radio.bluez.calls.count("Adapter1.StartDiscovery")) >= 2)
    recorder.wait_until(lambda: radio.do(lambda: radio.bluez.scanning))
    send(radio, instrument, air(1))
    recorder.wait_for("advert:fcd2")
    assert recorder.downs("bluetooth") == []


# -- without a radio -------------------------------------------------------------------------------
def test_repeats_are_told_by_packet_id_by_counter_or_else_by_time() -> None:
    beacons = Beacons({})
    numbered, counted, plain = air(1), sealed_air(1), air(None)
    assert [is_numbered(p) for p in (numbered, counted, plain, b"", b"\x40")] == [True, True, *[False] * 3]
    for payload, after_long in ((numbered, True), (counted, True), (plain, False)):
        assert not beacons.is_repeat("a", payload, 0)
        assert beacons.is_repeat("a", payload, NS_PER_S - 1)
        assert beacons.is_repeat("a", payload, 100 * NS_PER_S) is after_long


def test_passers_by_do_not_fill_the_memory() -> None:
    beacons = Beacons({})
    for n in range(3 * BEACONS_KEPT):
        beacons.is_repeat(f"address {n}", air(1), 0)
    assert len(beacons._last) == BEACONS_KEPT


def test_an_advert_of_another_version_is_recorded_with_a_note(clock: SteadyClock) -> None:
    advert = Beacons({}).advert(clock.instant(), "yard", YARD, b"\x20\x02\xca\x09")
    assert [frame.channel for frame in advert.frames] == ["advert:fcd2"]
    assert "version 1" in advert.note


def test_a_hidden_address_cannot_open_an_advert_and_says_so(clock: SteadyClock) -> None:
    hidden = "6F1C2A1E-0000-4000-8000-000000000000"
    advert = Beacons({hidden: KEY}).advert(clock.instant(), "yard", hidden, sealed_air(1))
    assert "hides its address" in advert.note


# -- the list of what is on the air ----------------------------------------------------------------
def test_what_is_on_the_air_is_listed_the_strongest_first(radio: Radio) -> None:
    radio.on_air(thermometer(radio), rssi=-70)
    radio.on_air(beacon(radio), rssi=-50, service_data={0xFCD2: sealed_air(3)})
    radio.on_air(radio.bluez.peripheral(address(0xC1), "speaker", {0x1812: []}), rssi=-40)
    near, far = discover(0.3, keys={YARD: KEY}, timing=QUICK)
    assert (near.source_id, near.kind, near.rssi_dBm) == ("yard", "Bluetooth beacon", -50)
    assert near.measures == ("temperature", "humidity")
    assert near.last_value == "temperature 12.5 Cel, humidity 61.25 %"
    assert (far.source_id, far.kind, far.measures) == ("thermometer", "Bluetooth", ("temperature",))
    assert far.address == address(0xAF)


def test_a_missing_key_is_said_in_the_list(radio: Radio) -> None:
    radio.on_air(beacon(radio), service_data={0xFCD2: sealed_air(3)})
    (found,) = discover(0.2, timing=QUICK)
    assert (found.note, found.last_value, found.measures) == (NO_KEY, "", ())


def test_with_nothing_on_the_air_the_list_is_empty(radio: Radio) -> None:
    assert discover(0.05, timing=QUICK) == ()


@pytest.mark.parametrize(
    ("settings", "sentence"), [({"has_adapter": False}, NO_ADAPTER), ({"deny_bluez": True}, NOT_PERMITTED)]
)
def test_a_list_that_cannot_be_made_is_one_sentence(
    make_radio: Callable[..., Radio], settings: dict[str, bool], sentence: str
) -> None:
    make_radio(**settings)
    with pytest.raises(LinkError) as refused:
        discover(0.05, timing=QUICK)
    assert str(refused.value) == sentence


def test_a_list_with_the_adapter_off_is_one_sentence(radio: Radio) -> None:
    radio.do(radio.bluez.power, False)
    with pytest.raises(LinkError) as refused:
        discover(0.05, timing=QUICK)
    assert str(refused.value) == ADAPTER_OFF
