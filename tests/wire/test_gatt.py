"""Health Thermometer, Environmental Sensing and Battery characteristics.

The vectors are those of the health thermometer profile's usual examples and of the characteristic's layout
(read in the GATT supplement's descriptions); each is worked out by hand beside it.
"""

from __future__ import annotations

import random
from datetime import datetime

import pytest

from hoofsense.wire.errors import FrameError
from hoofsense.wire.gatt import (
    ENVIRONMENTAL_UUIDS,
    DeviceDate,
    HealthTemperature,
    calendar_ms,
    decode_battery,
    decode_environmental,
    decode_health_temperature,
    decode_medfloat32,
    encode_battery,
    encode_environmental,
    encode_health_temperature,
    encode_medfloat32,
)

FINGER = 4  # temperature type, GATT assigned numbers


def test_the_published_indication_of_a_finger_is_read() -> None:
    # 0x000EB0 = 3760, exponent 0xFE = -2: 37.60; 0x07DC = 2012, 12, 5, 11:09:39.
    said = decode_health_temperature(bytes.fromhex("06B00E00FEDC070C050B092704"))
    assert said == HealthTemperature(37.6, "Cel", 0.01, DeviceDate(2012, 12, 5, 11, 9, 39), FINGER)


@pytest.mark.parametrize(
    ("payload", "value", "unit", "resolution"),
    [
        ("00790100FF", 37.7, "Cel", 0.1),  # 0x000179 = 377, 10^-1
        ("009CFFFFFF", -10.0, "Cel", 0.1),  # 0xFFFF9C = -100, 10^-1
        ("01DA0300FF", 98.6, "[degF]", 0.1),  # 0x0003DA = 986, 10^-1
        ("0005000001", 50.0, "Cel", 10.0),  # 5 * 10^1
        ("00FFFF7FFF", 838860.7, "Cel", 0.1),  # special only at exponent 0
    ],
)
def test_mantissa_and_exponent_make_value_and_resolution(
    payload: str, value: float, unit: str, resolution: float
) -> None:
    assert decode_health_temperature(bytes.fromhex(payload)) == HealthTemperature(value, unit, resolution)


@pytest.mark.parametrize("payload", ["00FFFF7F00", "0000008000", "00FEFF7F00", "0002008000", "0001008000"])
def test_the_five_special_values_are_no_reading(payload: str) -> None:
    said = decode_health_temperature(bytes.fromhex(payload))
    assert said.value is None and said.resolution is None


def test_a_date_with_unknown_parts_is_no_date() -> None:
    assert decode_health_temperature(bytes.fromhex("02790100FF") + bytes(7)).dated is None


@pytest.mark.parametrize(
    "date",
    [
        "DC070D050B0927",
        "DC070C200B0927",
        "DC0702" + "1E0B0927",
        "DC070C05180927",
        "DC070C050B3C27",
        "01000C050B0927",
    ],
)
def test_an_impossible_date_is_refused(date: str) -> None:
    with pytest.raises(FrameError) as caught:
        decode_health_temperature(bytes.fromhex("02790100FF" + date))
    assert caught.value.reason == "field"


def test_reserved_flags_are_refused() -> None:
    for bit in range(3, 8):
        with pytest.raises(FrameError):
            decode_health_temperature(bytes((1 << bit,)) + bytes.fromhex("790100FF"))


@pytest.mark.parametrize("flags", range(8))
def test_every_truncation_and_every_extra_byte_is_refused(flags: int) -> None:
    dated = DeviceDate(2024, 2, 29, 23, 59, 59) if flags & 2 else None
    whole = encode_health_temperature(
        36.6, "[degF]" if flags & 1 else "Cel", -2, dated, 2 if flags & 4 else None
    )
    assert whole[0] == flags
    for length in range(len(whole)):
        with pytest.raises(FrameError) as caught:
            decode_health_temperature(whole[:length])
        assert caught.value.reason == "short"
    with pytest.raises(FrameError) as caught:
        decode_health_temperature(whole + b"\x00")
    assert caught.value.reason == "long"


def test_temperatures_come_back_as_they_were_sent() -> None:
    rng = random.Random(2)
    for _ in range(5000):
        exponent = rng.randrange(-3, 2)
        value = float(f"{rng.randrange(-80000, 80000)}e{exponent}")
        dated = DeviceDate(rng.randrange(1582, 10000), rng.randrange(1, 13), rng.randrange(1, 29), 1, 2, 3)
        sent = encode_health_temperature(value, "Cel", exponent, dated, rng.randrange(10))
        said = decode_health_temperature(sent)
        assert (said.value, said.resolution, said.dated) == (value, float(f"1e{exponent}"), dated)


def test_no_reading_comes_back_as_no_reading() -> None:
    assert decode_health_temperature(encode_health_temperature(None)).value is None


def test_every_raw_float_encodes_back_to_itself() -> None:
    rng = random.Random(3)
    for _ in range(5000):
        raw = (rng.randrange(256) << 24) | rng.randrange(1 << 24)
        value, _ = decode_medfloat32(raw)
        if value is not None and abs((raw >> 24) - 256 * (raw >> 31)) < 20:
            exponent = (raw >> 24) - 256 * (raw >> 31)
            assert encode_medfloat32(value, exponent) == raw


def test_a_value_without_a_code_is_own_misuse() -> None:
    for value, exponent in ((1e9, 0), (1.0, 200), (8388607.0, 0)):
        with pytest.raises(ValueError):
            encode_medfloat32(value, exponent)
    with pytest.raises(ValueError, match="Cel"):
        encode_health_temperature(300.0, "K")


def test_the_instruments_calendar_agrees_with_the_standard_librarys() -> None:
    rng = random.Random(4)
    for _ in range(2000):
        when = datetime(
            rng.randrange(1583, 9999), rng.randrange(1, 13), rng.randrange(1, 29), rng.randrange(24), 5, 6
        )
        dated = DeviceDate(when.year, when.month, when.day, when.hour, when.minute, when.second)
        assert calendar_ms(dated) == (when - datetime(1970, 1, 1)).total_seconds() * 1000
    assert (
        calendar_ms(DeviceDate(2024, 3, 1, 0, 0, 0)) - calendar_ms(DeviceDate(2024, 2, 29, 0, 0, 0))
        == 86_400_000
    )


@pytest.mark.parametrize(
    ("uuid16", "payload", "name", "value", "unit"),
    [
        (0x2A6E, "0CFE", "temperature", -5.0, "Cel"),  # 0xFE0C = -500
        (0x2A6F, "BF13", "humidity", 50.55, "%"),  # 0x13BF = 5055
        (0x2A6D, "02760F00", "pressure", 101325.0, "Pa"),  # 0x000F7602 = 1013250
        (0x2A7B, "F6", "dew_point", -10.0, "Cel"),
        (0x2A70, "2C01", "wind", 3.0, "m/s"),  # 0x012C = 300
        (0x2A72, "2C01", "apparent_wind", 3.0, "m/s"),
        (0x2A6E, "0080", "temperature", None, "Cel"),
        (0x2A6F, "FFFF", "humidity", None, "%"),
    ],
)
def test_the_examples_of_environmental_sensing_are_read_and_written(
    uuid16: int, payload: str, name: str, value: float | None, unit: str
) -> None:
    said = decode_environmental(uuid16, bytes.fromhex(payload))
    assert (said.name, said.value, said.unit) == (name, value, unit)
    assert encode_environmental(uuid16, value) == bytes.fromhex(payload)


@pytest.mark.parametrize("uuid16", ENVIRONMENTAL_UUIDS)
def test_every_count_of_a_characteristic_comes_back_and_every_other_length_is_refused(uuid16: int) -> None:
    size = len(encode_environmental(uuid16, 1.0))
    counts = range(1 << 8 * size) if size < 2 else random.Random(5).sample(range(1 << 8 * size), 4000)
    for count in counts:
        payload = count.to_bytes(size, "little")
        assert encode_environmental(uuid16, decode_environmental(uuid16, payload).value) == payload
    for length in (*range(size), size + 1):
        with pytest.raises(FrameError) as caught:
            decode_environmental(uuid16, bytes(length))
        assert caught.value.reason == ("short" if length < size else "long")


def test_values_that_a_characteristic_cannot_hold_are_own_misuse() -> None:
    for uuid16, value in (
        (0x2A6E, 400.0),
        (0x2A6F, -1.0),
        (0x2A6F, 655.35),
        (0x2A6D, None),
        (0x2A6E, float("nan")),
    ):
        with pytest.raises(ValueError):
            encode_environmental(uuid16, value)
    with pytest.raises(ValueError, match="0x2a6e"):
        decode_environmental(0x1234, b"")


def test_a_battery_holds_0_to_100_percent() -> None:
    for percent in range(101):
        assert decode_battery(encode_battery(percent)) == percent
    for payload in (b"", b"\x00\x00", *(bytes((level,)) for level in range(101, 256))):
        with pytest.raises(FrameError):
            decode_battery(payload)
    with pytest.raises(ValueError):
        encode_battery(101)
