"""Frames to measurements and readings."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from hoofsense.decoding import (
    AIR_U_K,
    HUMIDITY_U_RATIO,
    SURFACE_U_K,
    CALIPER_U_m,
    measurements_from,
    reading_from,
    readings_from,
)
from hoofsense.records import Instant, Measurement, Quantity, RawFrame
from hoofsense.wire.bridge_line import BridgeLine, Kind, encode_bridge_line
from hoofsense.wire.bthome import encode_bthome
from hoofsense.wire.checked_text import encode_checked, with_crc
from hoofsense.wire.errors import FrameError
from hoofsense.wire.gatt import DeviceDate, encode_health_temperature
from hoofsense.wire.typed import encode_typed

NOW = Instant(1_700_000_000_000_000_000, 1_700_000_000_100_000_000, 5_000_000_000, "boot-1")


def frame(channel: str, payload: bytes, source_id: str = "tool-1") -> RawFrame:
    return RawFrame(NOW, source_id, channel, payload)


def hs1(body: str) -> bytes:
    return b"$" + with_crc(body.encode())


GOOD = {
    "gatt:2a1c": bytes.fromhex("06B00E00FEDC070C050B092704"),
    "gatt:2a1e": bytes.fromhex("00790100FF"),
    "gatt:2a6e": bytes.fromhex("0CFE"),
    "gatt:2a6f": bytes.fromhex("BF13"),
    "gatt:2a6d": bytes.fromhex("02760F00"),
    "gatt:2a7b": bytes.fromhex("F6"),
    "gatt:2a70": bytes.fromhex("2C01"),
    "gatt:2a72": bytes.fromhex("2C01"),
    "gatt:2a19": b"\x61",
    "advert:fcd2": bytes.fromhex("400011016102ca0903bf1304138a0108ca063a01400c00444e34"),
    "line:hs1": b"$HS1,43,123500,M,ir,31.25,Cel*B7B6",
    "line:gauge": b"+012.34mm",
    "line:gauge?unit=mm&pattern=N{value}~": b"N 3.25;",
    "typed": encode_typed("12,34", "mm"),
}


@pytest.mark.parametrize(
    ("channel", "payload", "sensor", "quantity", "value"),
    [
        ("gatt:2a1c", GOOD["gatt:2a1c"], "temperature", Quantity.SURFACE_TEMPERATURE, 310.75),
        ("gatt:2a1e", GOOD["gatt:2a1e"], "temperature", Quantity.SURFACE_TEMPERATURE, 310.85),
        ("gatt:2a1e", bytes.fromhex("01DA0300FF"), "temperature", Quantity.SURFACE_TEMPERATURE, 310.15),
        ("gatt:2a6e", GOOD["gatt:2a6e"], "temperature", Quantity.AIR_TEMPERATURE, 268.15),
        ("gatt:2a6f", GOOD["gatt:2a6f"], "humidity", Quantity.RELATIVE_HUMIDITY, 0.5055),
        ("gatt:2a6d", GOOD["gatt:2a6d"], "pressure", Quantity.PRESSURE, 101325.0),
        ("gatt:2a7b", GOOD["gatt:2a7b"], "dew_point", Quantity.DEW_POINT, 263.15),
        ("gatt:2a70", GOOD["gatt:2a70"], "wind", Quantity.WIND_SPEED, 3.0),
        ("gatt:2a19", GOOD["gatt:2a19"], "battery", Quantity.BATTERY, 0.97),
        ("line:hs1", GOOD["line:hs1"], "ir", Quantity.SURFACE_TEMPERATURE, 304.4),
        ("line:hs1", hs1("HS1,1,2,M,jaw,0.5,[in_i]"), "jaw", Quantity.LENGTH, 0.0127),
        ("line:hs1", hs1("HS1,1,2,M,air,-3.5,Cel"), "air", Quantity.AIR_TEMPERATURE, 269.65),
        ("line:hs1", hs1("HS1,1,2,M,rh,55.5,%"), "rh", Quantity.RELATIVE_HUMIDITY, 0.555),
        ("line:hs1", hs1("HS1,1,2,B,jaw,1,"), "jaw", Quantity.BUTTON, 1.0),
        ("line:hs1", hs1("HS1,1,2,M,jaw,1004D2,hex24"), "jaw", Quantity.LENGTH, -0.01234),
        ("line:hs1?sign=21", hs1("HS1,1,2,M,jaw,2004D2,hex24"), "jaw", Quantity.LENGTH, -0.01234),
        ("line:hs1", hs1("HS1,1,2,M,jaw,FFFF801234530,hex52"), "jaw", Quantity.LENGTH, -0.012345),
        ("line:gauge", GOOD["line:gauge"], "jaw", Quantity.LENGTH, 0.01234),
        ("line:gauge?unit=[in_i]", b"0.5", "jaw", Quantity.LENGTH, 0.0127),
        ("line:gauge?unit=mm&pattern=N{value}~", b"N 3.25;", "jaw", Quantity.LENGTH, 0.00325),
        ("typed", GOOD["typed"], "jaw", Quantity.LENGTH, 0.01234),
    ],
)
def test_a_channel_gives_its_quantity_in_si(
    channel: str, payload: bytes, sensor: str, quantity: Quantity, value: float
) -> None:
    (reading,) = readings_from(frame(channel, payload))
    assert (reading.source, reading.quantity) == (f"tool-1/{sensor}", quantity)
    assert reading.value == pytest.approx(value, rel=1e-12)
    assert reading.measured_at_ns == NOW.steady_ns


def test_an_advert_gives_all_its_air_quantities_its_battery_and_its_button() -> None:
    found = {one.quantity: one.value for one in readings_from(frame("advert:fcd2", GOOD["advert:fcd2"]))}
    assert found == {
        Quantity.BATTERY: pytest.approx(0.97),
        Quantity.AIR_TEMPERATURE: pytest.approx(298.21),
        Quantity.RELATIVE_HUMIDITY: pytest.approx(0.5055),
        Quantity.PRESSURE: pytest.approx(100883.0),
        Quantity.DEW_POINT: pytest.approx(290.53),
        Quantity.WIND_SPEED: pytest.approx(133.9),
        Quantity.BUTTON: 1.0,
    }


def test_screening_is_told_packet_numbers_and_instrument_clocks() -> None:
    (advert, *_) = measurements_from(frame("advert:fcd2", GOOD["advert:fcd2"]))
    assert (advert.sequence, advert.device_ms) == (0x11, None)
    (line,) = measurements_from(frame("line:hs1", GOOD["line:hs1"]))
    assert line == Measurement("ir", 31.25, "Cel", 0.01, 43, 123500)
    dated = encode_health_temperature(30.0, dated=DeviceDate(1970, 1, 2, 0, 0, 1))
    assert measurements_from(frame("gatt:2a1c", dated))[0].device_ms == 86_401_000


def test_two_sensors_of_one_kind_keep_two_names() -> None:
    advert = encode_bthome(((0x02, 20.0), (0x45, 5.0), (0x02, 21.0)))
    assert [one.sensor for one in measurements_from(frame("advert:fcd2", advert))] == [
        "temperature",
        "temperature#2",
        "temperature#3",
    ]
    (reading,) = readings_from(frame("gatt:2a6e#0017", GOOD["gatt:2a6e"]))
    assert (reading.source, reading.quantity) == ("tool-1/temperature#0017", Quantity.AIR_TEMPERATURE)


@pytest.mark.parametrize(
    ("channel", "payload"),
    [
        ("gatt:2a1c", bytes.fromhex("00FFFF7F00")),
        ("gatt:2a6e", bytes.fromhex("0080")),
        ("gatt:2a6f", bytes.fromhex("FFFF")),
        ("advert:fcd2", bytes.fromhex("403A00")),
        ("line:hs1", hs1("HS1,44,123600,M,jaw,,mm")),
        ("line:hs1", hs1("HS1,44,123600,M,jaw,,hex24")),
        ("line:hs1", hs1("HS1,44,123600,E,jaw,no signal,")),
    ],
)
def test_not_known_is_a_measurement_without_a_value_and_no_reading(channel: str, payload: bytes) -> None:
    (measurement,) = measurements_from(frame(channel, payload))
    assert measurement.value is None
    assert readings_from(frame(channel, payload)) == ()


@pytest.mark.parametrize("channel", ["mark", "tick", "clock", "link", "advert:fcd2+sealed"])
def test_what_bears_no_measurement_decodes_to_nothing(channel: str) -> None:
    assert measurements_from(frame(channel, b"anything")) == ()


def test_an_identity_line_is_no_measurement() -> None:
    assert measurements_from(frame("line:hs1", hs1("HS1,0,0,I,bridge-01,fw=0.1,boot=7F3A"))) == ()


@pytest.mark.parametrize(
    "channel",
    ["", "gatt:ffff", "line", "line:gauge?unit=stone", "line:gauge?pattern=", "line:gauge?colour=red"],
)
def test_a_channel_that_cannot_be_decoded_is_a_frame_error(channel: str) -> None:
    with pytest.raises(FrameError) as caught:
        measurements_from(frame(channel, b"+012.34mm"))
    assert caught.value.reason == "channel"


@pytest.mark.parametrize("sign", ["x", "22", ""])
def test_a_sign_bit_no_port_uses_is_a_frame_error(sign: str) -> None:
    with pytest.raises(FrameError) as caught:
        measurements_from(frame(f"line:hs1?sign={sign}", hs1("HS1,1,2,M,jaw,1004D2,hex24")))
    assert caught.value.reason == "channel"


def test_a_role_for_an_instrument_decides_what_its_thermometer_looks_at() -> None:
    sole = frame("gatt:2a6e", GOOD["gatt:2a6e"])
    assert readings_from(sole, {"tool-1": "sole"})[0].quantity is Quantity.SURFACE_TEMPERATURE
    air = frame("gatt:2a1c", GOOD["gatt:2a1c"])
    assert readings_from(air, (("tool-1", "air"),))[0].quantity is Quantity.AIR_TEMPERATURE
    assert readings_from(air, {"another": "air"})[0].quantity is Quantity.SURFACE_TEMPERATURE
    distance = frame("advert:fcd2", encode_bthome(((0x40, 12.0),)))
    assert readings_from(distance) == ()
    assert readings_from(distance, {"tool-1": "caliper"})[0].value == pytest.approx(0.012)


def test_a_sole_thermometer_tells_nothing_of_the_air() -> None:
    advert = encode_bthome(((0x01, 90.0), (0x02, 30.0), (0x03, 50.0), (0x08, 18.0)))
    found = readings_from(frame("advert:fcd2", advert), {"tool-1": "sole"})
    assert {one.quantity for one in found} == {Quantity.BATTERY, Quantity.SURFACE_TEMPERATURE}


def test_a_role_for_a_bridge_leaves_the_sensors_whose_names_say_what_they_are() -> None:
    for role in ("sole", "caliper", "button"):
        (reading,) = readings_from(frame("line:hs1", hs1("HS1,1,2,M,air,3.5,Cel")), {"tool-1": role})
        assert reading.quantity is Quantity.AIR_TEMPERATURE
    (reading,) = readings_from(frame("line:hs1", hs1("HS1,1,2,M,depth,3.5,mm")), {"tool-1": "caliper"})
    assert reading.quantity is Quantity.LENGTH
    assert readings_from(frame("line:hs1", hs1("HS1,1,2,M,depth,3.5,mm"))) == ()


def test_a_role_for_one_sensor_decides_for_that_sensor_alone() -> None:
    roles = {"tool-1/air": "sole"}
    (reading,) = readings_from(frame("line:hs1", hs1("HS1,1,2,M,air,3.5,Cel")), roles)
    assert reading.quantity is Quantity.SURFACE_TEMPERATURE
    (reading,) = readings_from(frame("line:hs1", hs1("HS1,1,2,M,rh,50,%")), roles)
    assert reading.quantity is Quantity.RELATIVE_HUMIDITY


@pytest.mark.parametrize(
    ("body", "roles"),
    [
        ("HS1,1,2,M,ir,31.25,Pa", {}),
        ("HS1,1,2,M,jaw,12.34,Cel", {}),
        ("HS1,1,2,M,rh,50,furlong", {}),
        ("HS1,1,2,M,ir,31.25,Cel", {"tool-1/ir": "caliper"}),
        ("HS1,1,2,M,other,1,furlong", {"tool-1": "sole"}),
    ],
)
def test_a_unit_that_does_not_fit_is_refused_as_unit(body: str, roles: dict[str, str]) -> None:
    with pytest.raises(FrameError) as caught:
        readings_from(frame("line:hs1", hs1(body)), roles)
    assert caught.value.reason == "unit"


def test_an_unknown_role_is_own_misuse() -> None:
    with pytest.raises(ValueError, match="pair the instrument again"):
        readings_from(frame("gatt:2a1c", GOOD["gatt:2a1c"]), {"tool-1": "roof"})


@pytest.mark.parametrize(
    ("channel", "payload", "resolution", "class_u"),
    [
        ("gatt:2a1e", GOOD["gatt:2a1e"], 0.1, SURFACE_U_K),
        ("gatt:2a1e", bytes.fromhex("01DA0300FF"), 0.1 * 5 / 9, SURFACE_U_K),  # a count of degF is 5/9 K
        ("gatt:2a6e", GOOD["gatt:2a6e"], 0.01, AIR_U_K),
        ("gatt:2a6f", GOOD["gatt:2a6f"], 0.0001, HUMIDITY_U_RATIO),
        ("typed", GOOD["typed"], 1e-5, CALIPER_U_m),
        ("line:hs1", hs1("HS1,1,2,B,jaw,1,"), 0.0, 0.0),
    ],
)
def test_resolution_and_class_make_the_uncertainty(
    channel: str, payload: bytes, resolution: float, class_u: float
) -> None:
    # GUM F.2.2.1: u = resolution / sqrt(12), combined in quadrature.
    (reading,) = readings_from(frame(channel, payload))
    assert reading.standard_uncertainty == pytest.approx(math.sqrt(resolution**2 / 12 + class_u**2))


def test_one_measurement_at_a_time_gives_the_same_readings() -> None:
    for channel, payload in GOOD.items():
        one = frame(channel, payload)
        singly = (reading_from(one, measurement) for measurement in measurements_from(one))
        assert tuple(reading for reading in singly if reading is not None) == readings_from(one)


def _damaged_line(rng: random.Random) -> bytes:
    """A bridge line whose checksum is right and whose fields are anything."""
    fields = [rng.choice(("HS1", "HS1", "HS2", ""))]
    fields += [str(rng.randrange(1 << rng.choice((3, 32, 33)))) for _ in range(2)]
    fields += [rng.choice("MMBIEX"), rng.choice(("jaw", "ir", "", "é", "a b"))]
    fields += [
        rng.choice(("12.34", "1e9", "", "0004D2", "FFFF801234530", "-", "\x00")),
        rng.choice(("mm", "hex24", "hex52", "Cel", "?")),
    ]
    if rng.random() < 0.1:
        rng.shuffle(fields)
    return b"$" + with_crc(",".join(fields[: rng.choice((7, 7, 7, 6))]).encode())


def _damaged_text(rng: random.Random) -> bytes:
    return encode_checked("".join(rng.choice("0123456789.,- mincé") for _ in range(rng.randrange(12))))


def _anything(rng: random.Random, whole: bytes, make: Callable[[random.Random], bytes] | None) -> bytes:
    way = rng.randrange(4)
    if way == 0:
        return rng.randbytes(rng.randrange(40))
    if way == 1:
        return whole[: rng.randrange(len(whole) + 1)]
    if way == 2 or make is None:
        flipped = bytearray(whole)
        for _ in range(rng.randrange(1, 4)):
            flipped[rng.randrange(len(flipped))] ^= 1 << rng.randrange(8)
        return bytes(flipped)
    return make(rng)


def test_a_hundred_thousand_random_truncated_or_flipped_frames_raise_frame_errors_only() -> None:
    rng = random.Random(13)
    channels = [*GOOD.items(), ("line:hs1?sign=21", GOOD["line:hs1"]), ("gatt:2a6e#17", GOOD["gatt:2a6e"])]
    makers = {"line:hs1": _damaged_line, "line:hs1?sign=21": _damaged_line, "typed": _damaged_text}
    read = refused = 0
    for _ in range(100_000 // len(channels) + 1):
        for channel, whole in channels:
            one = frame(channel, _anything(rng, whole, makers.get(channel)))
            try:
                for reading in readings_from(one):
                    assert math.isfinite(reading.value)
                read += 1
            except FrameError as error:
                assert error.payload == one.payload and error.reason
                refused += 1
    assert read + refused >= 100_000
    assert read > 10_000 and refused > 30_000  # both ways were really gone


def test_an_encoded_line_is_decoded_to_what_it_says() -> None:
    line = BridgeLine(4_294_967_295, 4_294_967_295, Kind.MEASUREMENT, "ir", "-40.00", "Cel")
    (said,) = measurements_from(frame("line:hs1", encode_bridge_line(line)))
    assert said == Measurement("ir", -40.0, "Cel", 0.01, 4_294_967_295, 4_294_967_295)
