"""Bluetooth instruments, read over the real library and a real bus; only the radio is made up."""

from __future__ import annotations

import itertools

from bluetooth_bench import Listen, Sink, address, degC, status_of, thermometer
from fake_peripheral import Char
from fake_radio import Radio

from hoofsense.decoding import measurements_from
from hoofsense.sources.bluetooth import BluetoothSource
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.instrument_list import InstrumentList, KnownInstrument
from hoofsense.wire.bridge_line import BridgeLine, Kind, encode_bridge_line
from hoofsense.wire.gatt import encode_environmental

UART = "6e400001-b5a3-f393-e0a9-e50e24dcca9e"
UART_SENDS = "6e400003-b5a3-f393-e0a9-e50e24dcca9e"


def test_an_instrument_is_found_connected_and_read_under_its_serial_number(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument, rssi=-48)
    source = listen()
    recorder.wait_up("A17")
    assert radio.do(instrument.notify, 0x2A1C, degC(31.2))
    (frame,) = recorder.wait_for("gatt:2a1c")
    (measurement,) = measurements_from(frame)
    assert frame.source_id == "A17"
    assert frame.payload == degC(31.2)
    assert (measurement.value, measurement.unit) == (31.2, "Cel")
    status = status_of(source, "A17")
    assert (status.kind, status.name, status.measures) == ("Bluetooth", "thermometer", ("temperature",))
    assert (status.connected, status.rssi_dBm, status.note) == (True, -48, "")
    assert status.last_seen_ns == frame.at_ns


def test_a_burst_of_stored_indications_arrives_whole_in_order_and_stamped(
    radio: Radio, listen: Listen, recorder: Sink, clock: SteadyClock
) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    listen()
    recorder.wait_up("A17")
    before_ns = clock.instant().steady_ns
    sent = [degC(20.0 + n / 10) for n in range(400)]

    def burst() -> None:
        for payload in sent:
            instrument.notify(0x2A1C, payload)

    radio.do(burst)
    frames = recorder.wait_for("gatt:2a1c", len(sent))
    assert [frame.payload for frame in frames] == sent
    stamps = [frame.at_ns for frame in frames]
    assert before_ns < stamps[0]
    assert all(a <= b for a, b in itertools.pairwise(stamps))


def test_air_values_are_notified_or_asked_for_and_a_second_of_a_kind_keeps_its_handle(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    indoors, outdoors = encode_environmental(0x2A6E, 21.5), encode_environmental(0x2A6E, -5.0)
    humidity = encode_environmental(0x2A6F, 50.55)
    notified = Char(0x2A6E, ["read", "notify"], indoors)
    asked = Char(0x2A6F, ["read"], humidity)
    second = Char(0x2A6E, ["read"], outdoors)
    instrument = radio.bluez.peripheral(address(0xB1), "air", {0x181A: [notified, asked, second]})
    radio.on_air(instrument)
    source = listen()
    recorder.wait_up("air")
    recorder.wait_for("gatt:2a6f", 3)
    radio.do(instrument.notify, notified, encode_environmental(0x2A6E, 22.0))
    frames = recorder.wait_for("gatt:2a6e", 2)
    assert [measurements_from(frame)[0].value for frame in frames] == [21.5, 22.0]
    assert notified.reads == 1, "a subscribed value is not asked for again"
    (repeated,) = {f.channel for f in recorder.frames if f.channel.startswith("gatt:2a6e#")}
    said = {m.sensor: m.value for f in recorder.of(repeated) for m in measurements_from(f)}
    assert list(said.values()) == [-5.0]
    assert set(recorder.payloads("gatt:2a6f")) == {humidity}
    assert status_of(source, "air").measures == ("temperature", "humidity")


def test_the_battery_is_asked_for_and_shown(radio: Radio, listen: Listen, recorder: Sink) -> None:
    instrument = thermometer(radio)
    levels = iter(range(80, 0, -1))
    instrument.services[0x180F] = [Char(0x2A19, ["read"], lambda: bytes((next(levels),)))]
    radio.on_air(instrument)
    source = listen()
    recorder.wait_for("gatt:2a19", 3)
    assert recorder.payloads("gatt:2a19")[:3] == [b"\x50", b"\x4f", b"\x4e"]
    assert (status_of(source, "A17").battery_percent or 0) <= 78


def test_lines_of_a_bridge_are_put_together_from_packets(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    sends = Char(UART_SENDS, ["notify"])
    bridge = radio.bluez.peripheral(address(0xB2), "bridge-01", {UART: [sends]})
    radio.on_air(bridge)
    listen()
    recorder.wait_up("bridge-01")
    lines = [
        encode_bridge_line(BridgeLine(n, 100 * n, Kind.MEASUREMENT, "jaw", f"{n}.50", "mm"))
        for n in range(30)
    ]
    stream = b"".join(line + b"\r\n" for line in lines)
    for start in range(0, len(stream), 20):
        radio.do(bridge.notify, sends, stream[start : start + 20])
    frames = recorder.wait_for("line:hs1", len(lines))
    assert [frame.payload for frame in frames] == lines
    assert measurements_from(frames[12])[0].value == 12.5


def test_the_sign_bit_found_for_a_bridge_goes_with_its_lines(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    sends = Char(UART_SENDS, ["notify"])
    bridge = radio.bluez.peripheral(address(0xB2), "bridge-01", {UART: [sends]})
    radio.on_air(bridge)
    checked = KnownInstrument("jaw-7", "Bluetooth", "bridge-01", (bridge.address,), sign_bit=21)
    listen(known=InstrumentList((checked,)))
    recorder.wait_up("jaw-7")
    line = encode_bridge_line(BridgeLine(1, 2, Kind.MEASUREMENT, "jaw", "2004D2", "hex24"))
    radio.do(bridge.notify, sends, line + b"\r\n")
    (frame,) = recorder.wait_for("line:hs1?sign=21", 1, "jaw-7")
    assert measurements_from(frame)[0].value == -12.34


def test_half_a_line_of_a_lost_link_never_meets_the_next_one(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    sends = Char(UART_SENDS, ["notify"])
    bridge = radio.bluez.peripheral(address(0xB2), "bridge-01", {UART: [sends]})
    radio.on_air(bridge)
    listen()
    recorder.wait_up("bridge-01")
    radio.do(bridge.notify, sends, b"$HS1,1,2,M,ja")
    radio.do(bridge.drop)
    recorder.wait_up("bridge-01", 2)
    line = encode_bridge_line(BridgeLine(3, 4, Kind.BUTTON, "jaw", "1"))
    radio.do(bridge.notify, sends, line + b"\r\n")
    assert [frame.payload for frame in recorder.wait_for("line:hs1")] == [line]


def test_two_instruments_of_the_same_name_are_two(radio: Radio, listen: Listen, recorder: Sink) -> None:
    pair = [thermometer(radio, serial=None, last=last) for last in (0xA1, 0xA2)]
    for instrument in pair:
        radio.on_air(instrument)
    source = listen()
    recorder.wait_until(lambda: all(radio.do(lambda p=p: p.connected) for p in pair))
    recorder.wait_until(lambda: sum(1 for s in source.status() if s.connected) == 3)
    for n, instrument in enumerate(pair):
        assert radio.do(instrument.notify, 0x2A1C, degC(30.0 + n))
    frames = recorder.wait_for("gatt:2a1c", 2)
    assert len({frame.source_id for frame in frames}) == 2
    assert all(frame.source_id.startswith("thermometer") for frame in frames)


def test_the_same_serial_number_in_two_instruments_does_not_merge_them(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    pair = [thermometer(radio, serial=b"1234", last=last, name=None) for last in (0xA1, 0xA2)]
    for instrument in pair:
        radio.on_air(instrument)
    source = listen()
    recorder.wait_until(lambda: sum(1 for s in source.status() if s.connected) == 3)
    identities = {s.source_id for s in source.status() if s.kind == "Bluetooth"}
    assert len(identities) == 2
    assert all(identity.startswith("1234") for identity in identities)


def test_an_instrument_in_the_list_keeps_its_identity(radio: Radio, listen: Listen, recorder: Sink) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    known = InstrumentList((KnownInstrument("sole-ir", "Bluetooth", "mine", (instrument.address,), "sole"),))
    listen(known=known)
    recorder.wait_up("sole-ir")


def test_a_new_identity_is_handed_over_to_be_remembered(radio: Radio, listen: Listen, recorder: Sink) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    remembered: list[KnownInstrument] = []
    listen(remember=remembered.append)
    recorder.wait_up("A17")
    assert remembered == [KnownInstrument("A17", "Bluetooth", "thermometer", (instrument.address,))]


def test_only_the_instruments_asked_for_are_connected_to(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    mine, other = thermometer(radio, b"A17"), thermometer(radio, b"B2", last=0xA2, name="neighbour")
    radio.on_air(other)
    radio.on_air(mine)
    listen(only=("Thermometer",))
    recorder.wait_up("A17")
    recorder.wait_until(lambda: "Device1.Connect" in radio.bluez.calls)
    assert other.connects == 0


def test_an_instrument_of_no_known_service_is_left_alone(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    stranger = radio.bluez.peripheral(address(0xC1), "speaker", {0x1812: [Char(0x2A4D, ["notify"])]})
    mine = thermometer(radio)
    radio.on_air(stranger)
    radio.on_air(mine)
    listen()
    recorder.wait_up("A17")
    assert stranger.connects == 0


def test_a_bridge_whose_adverts_name_no_service_is_connected_to_when_asked_for_or_known(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    asked = radio.bluez.peripheral(address(0xB2), "bridge-01", {UART: [Char(UART_SENDS, ["notify"])]})
    listed = radio.bluez.peripheral(address(0xB3), "bridge-02", {UART: [Char(UART_SENDS, ["notify"])]})
    radio.on_air(asked, uuids=())
    radio.on_air(listed, uuids=())
    first = listen(only=("bridge-01",))
    recorder.wait_up("bridge-01")
    assert listed.connects == 0
    first.stop()
    listen(known=InstrumentList((KnownInstrument("yard-bridge", "Bluetooth", "x", (listed.address,)),)))
    recorder.wait_up("yard-bridge")


def test_stopping_lets_the_instruments_go_and_ends_the_thread(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    source = listen()
    recorder.wait_up("A17")
    source.stop()
    assert not radio.do(lambda: instrument.connected)
    assert not radio.do(lambda: radio.bluez.scanning)
    kept = len(recorder.frames)
    assert not radio.do(instrument.notify, 0x2A1C, degC(30.0))
    assert len(recorder.frames) == kept
    source.stop()


def test_a_source_is_started_once(radio: Radio, listen: Listen, recorder: Sink, clock: SteadyClock) -> None:
    source = listen()
    try:
        source.start(recorder, clock)
    except ValueError as refused:
        assert "make a new one" in str(refused)
    else:
        raise AssertionError("started twice")


def test_stopping_what_was_never_started_does_nothing() -> None:
    BluetoothSource().stop()
