"""BTHome v2 adverts against the format's own examples and an independent decoder (bthome-ble)."""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Callable

import pytest
from bthome_ble.const import MEAS_TYPES
from bthome_ble.parser import BTHomeBluetoothDeviceData
from habluetooth import BluetoothServiceInfoBleak

from hoofsense.wire.bthome import (
    OBJECTS,
    BTHomeObject,
    decode_bthome,
    encode_bthome,
    is_sealed,
    sealed,
    sealed_counter,
    unsealed,
)
from hoofsense.wire.errors import FrameError

# bthome.io, encryption page: key, address and counter of its worked example (read there). Ciphertext and MIC
# were computed with AES-CCM and agree with the page's from memory.
KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
ADDRESS = bytes.fromhex("5448E68F80A5")
COUNTER = 0x33221100
PLAIN = bytes.fromhex("4002ca0903bf13")
SEALED = bytes.fromhex("41a47266c95f730011223378237214")

Oracle = Callable[[bytes], dict[str, float | str]]


@pytest.fixture
def oracle() -> Oracle:
    def says(payload: bytes, key: bytes | None = None) -> dict[str, float | str]:
        parser = BTHomeBluetoothDeviceData(key)  # a new one each time: it keeps earlier values
        update = parser.update(
            BluetoothServiceInfoBleak(
                name="oracle",
                address="54:48:E6:8F:80:A5",
                rssi=-60,
                manufacturer_data={},
                service_data={"0000fcd2-0000-1000-8000-00805f9b34fb": payload},
                service_uuids=[],
                source="",
                device=None,
                advertisement=None,
                connectable=False,
                time=0.0,
                tx_power=None,
            )
        )
        said: dict[str, float | str] = {str(k.key): v.native_value for k, v in update.entity_values.items()}
        said |= {str(k.key): event.event_type for k, event in update.events.items()}
        said.pop("signal_strength")
        return said

    return says


def _ours(payload: bytes) -> dict[str, float | None]:
    """Our objects under the names the other decoder gives: equal names are numbered."""
    packet = decode_bthome(payload)
    names = [one.name for one in packet.objects]
    said: dict[str, float | None] = {} if packet.packet_id is None else {"packet_id": packet.packet_id}
    for place, one in enumerate(packet.objects):
        many = names.count(one.name) > 1
        said[f"{one.name}_{names[: place + 1].count(one.name)}" if many else one.name] = one.value
    return said


@pytest.mark.parametrize(
    ("hexed", "name", "value", "unit"),
    [
        # The format page's examples (read), each also by hand: little-endian count times factor.
        ("0161", "battery", 97.0, "%"),
        ("02CA09", "temperature", 25.06, "Cel"),  # 0x09CA = 2506
        ("451101", "temperature", 27.3, "Cel"),  # 0x0111 = 273
        ("57EA", "temperature", -22.0, "Cel"),
        ("58EA", "temperature", -7.7, "Cel"),  # -22 * 0.35
        ("03BF13", "humidity", 50.55, "%"),
        ("2E23", "humidity", 35.0, "%"),
        ("04138A01", "pressure", 1008.83, "hPa"),  # 0x018A13 = 100883
        ("08CA06", "dew_point", 17.38, "Cel"),  # 0x06CA = 1738
        ("400C00", "distance", 12.0, "mm"),
        ("414E00", "distance", 7.8, "m"),
        ("444E34", "speed", 133.9, "m/s"),  # 0x344E = 13390
        ("3A01", "button", 1.0, "1"),
        ("3A00", "button", None, "1"),
    ],
)
def test_the_examples_of_the_format_page_are_read(
    hexed: str, name: str, value: float | None, unit: str
) -> None:
    (said,) = decode_bthome(bytes.fromhex("40" + hexed)).objects
    assert (said.name, said.value, said.unit) == (name, value, unit)


def test_temperature_and_humidity_come_together() -> None:
    packet = decode_bthome(PLAIN)
    assert [one.value for one in packet.objects] == [25.06, 50.55]
    assert (packet.packet_id, packet.triggered, packet.unread_id) == (None, False, None)


def test_the_other_decoder_reads_the_same_from_good_packets(oracle: Oracle) -> None:
    rng = random.Random(6)
    # Without the button (an event there), metres (it loses the first of a distance in mm and one in m) and
    # 0x58 (it rounds 0.35 degC steps to 0.1).
    ids = [one for one in OBJECTS if one not in (0x3A, 0x41, 0x58)]
    for _ in range(300):
        objects = []
        for object_id in sorted(rng.choices(ids, k=rng.randrange(1, 6))):
            objects.append(bytes((object_id,)) + rng.randbytes(OBJECTS[object_id].length))
        packet_id = bytes((0, rng.randrange(256))) if rng.random() < 0.5 else b""
        payload = bytes((rng.choice((0x40, 0x44)),)) + packet_id + b"".join(objects)
        assert _ours(payload) == oracle(payload), payload.hex()


def test_the_other_decoder_steps_over_the_same_lengths(oracle: Oracle) -> None:
    for object_id, layout in MEAS_TYPES.items():
        if layout.data_format in ("raw", "string", "command") or object_id == 0x00:
            continue
        packet = decode_bthome(bytes((0x40, object_id)) + bytes(layout.data_length) + b"\x40\x0c\x00")
        if packet.unread_id is None:
            assert packet.objects[-1] == BTHomeObject(0x40, "distance", 12.0, "mm", 1.0), hex(object_id)
        else:
            assert packet.unread_id == object_id


def test_text_and_raw_objects_are_stepped_over_by_their_length_byte() -> None:
    said = decode_bthome(bytes.fromhex("40" + "5303616263" + "5400" + "0161"))
    assert [one.name for one in said.objects] == ["battery"]


def test_an_unknown_object_ends_the_packet_and_is_named() -> None:
    packet = decode_bthome(bytes.fromhex("4002ca09" + "7f0161"))
    assert [one.value for one in packet.objects] == [25.06]
    assert packet.unread_id == 0x7F


@pytest.mark.parametrize(
    "whole", ["4002ca0903bf13", "40000904138a0145110157ea3a01", "40" + "5303616263", "4053"]
)
def test_a_packet_cut_inside_an_object_is_refused_whole(whole: str) -> None:
    payload = bytes.fromhex(whole)
    whole_lengths = set()
    for length in range(len(payload)):
        try:
            decode_bthome(payload[:length])
            whole_lengths.add(length)
        except FrameError as error:
            assert error.reason == "short"
    ends, at = set(), 1  # where an object ends a shorter packet is a packet
    while at < len(payload):
        object_id = payload[at]
        if object_id in (0x53, 0x54):
            at += 2 + (payload[at + 1] if at + 1 < len(payload) else 0)
        else:
            at += 1 + (OBJECTS[object_id].length if object_id in OBJECTS else 1)
        ends.add(at)
    assert whole_lengths == {end for end in ends if end < len(payload)}


def test_a_text_object_without_its_length_is_refused() -> None:
    with pytest.raises(FrameError):
        decode_bthome(bytes.fromhex("4053"))


@pytest.mark.parametrize(
    ("info", "reason"), [(0x20, "version"), (0x60, "version"), (0x42, "field"), (0x50, "field")]
)
def test_other_versions_and_reserved_bits_are_refused(info: int, reason: str) -> None:
    with pytest.raises(FrameError) as caught:
        decode_bthome(bytes((info,)) + PLAIN[1:])
    assert caught.value.reason == reason


def test_packets_come_back_as_they_were_written() -> None:
    rng = random.Random(7)
    for _ in range(2000):
        values = []
        for object_id in rng.sample(list(OBJECTS), rng.randrange(1, 5)):
            layout = OBJECTS[object_id]
            low = -(1 << 8 * layout.length - 1) if layout.signed else 1
            high = 1 << 8 * layout.length - layout.signed
            values.append((object_id, rng.randrange(low, high) * layout.per_count / layout.divisor))
        packet_id = rng.choice((None, rng.randrange(256)))
        packet = decode_bthome(encode_bthome(tuple(values), packet_id, triggered=True))
        assert packet.triggered and packet.packet_id == packet_id
        assert [(one.object_id, one.value) for one in packet.objects] == sorted(values)


def test_values_that_do_not_fit_are_own_misuse() -> None:
    for values in (((0x02, 400.0),), ((0x03, -1.0),), ((0x05, 1.0),)):
        with pytest.raises(ValueError):
            encode_bthome(values)


def test_the_format_pages_encrypted_example_opens_and_closes(oracle: Oracle) -> None:
    assert is_sealed(SEALED) and not is_sealed(PLAIN)
    assert sealed_counter(SEALED) == COUNTER
    assert unsealed(SEALED, KEY, ADDRESS) == PLAIN
    assert sealed(PLAIN, KEY, ADDRESS, COUNTER) == SEALED
    assert oracle(SEALED, KEY) == _ours(PLAIN)  # type: ignore[call-arg]


def test_an_encrypted_packet_says_so_when_no_key_was_used() -> None:
    with pytest.raises(FrameError) as caught:
        decode_bthome(SEALED)
    assert caught.value.reason == "sealed"


def test_a_wrong_key_another_address_and_every_flipped_bit_stay_closed() -> None:
    for key, address in ((bytes(16), ADDRESS), (KEY, bytes(6))):
        with pytest.raises(FrameError):
            unsealed(SEALED, key, address)
    for bit in range(8 * len(SEALED)):
        flipped = bytearray(SEALED)
        flipped[bit // 8] ^= 1 << bit % 8
        with pytest.raises(FrameError):
            unsealed(bytes(flipped), KEY, ADDRESS)


def test_every_truncation_of_an_encrypted_packet_stays_closed() -> None:
    for length in range(len(SEALED)):
        with pytest.raises(FrameError):
            unsealed(SEALED[:length], KEY, ADDRESS)


def test_keys_and_addresses_of_the_wrong_length_are_own_misuse() -> None:
    with pytest.raises(ValueError, match="32 hex digits"):
        unsealed(SEALED, KEY[:-1], ADDRESS)
    with pytest.raises(ValueError, match="6 bytes"):
        unsealed(SEALED, KEY, ADDRESS[:-1])


def test_reading_plain_adverts_loads_no_cryptography() -> None:
    loaded = subprocess.run(
        [sys.executable, "-c", "import sys, hoofsense.decoding; print('cryptography' in sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert loaded.stdout.strip() == "False"
