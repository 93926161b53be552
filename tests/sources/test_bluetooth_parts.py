"""The parts of Bluetooth that need no radio: identities, patience, and the words for what fails."""

from __future__ import annotations

import asyncio

import pytest
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakDBusError, BleakError, BleakGATTProtocolError

from hoofsense.sources.bluetooth_faults import (
    ADAPTER_OFF,
    BUS_LOST,
    NO_BUS,
    NO_SERVICE,
    NOT_PERMITTED,
    sentence_of,
    within,
)
from hoofsense.sources.bluetooth_scanner import MOST_DEVICES, AdvertSieve
from hoofsense.sources.bluetooth_services import (
    BridgeUuids,
    Identities,
    address_hash,
    address_stays,
    identity_from,
    measured_by,
    usable_serial,
    uuid_of,
)
from hoofsense.sources.bluetooth_timing import BluetoothTiming, Patience
from hoofsense.sources.instrument_list import InstrumentList, KnownInstrument
from hoofsense.sources.link import LinkError

A, B, C = "00:00:5E:00:53:A1", "00:00:5E:00:53:A2", "00:00:5E:00:53:A3"


# -- identities ------------------------------------------------------------------------------------
def test_the_identity_is_the_serial_number_else_the_name_else_a_hash_of_the_address() -> None:
    assert Identities(InstrumentList()).of(A, "IR gun", "A17\0") == "A17"
    assert Identities(InstrumentList()).of(A, "IR gun", "") == "IR-gun"
    assert Identities(InstrumentList()).of(A, None, "") == f"bt-{address_hash(A)}"


@pytest.mark.parametrize("filler", ["", "\0\0", "0000", "00000000", "N/A", "Serial Number", "-", "1"])
def test_a_serial_number_that_tells_nothing_is_not_used(filler: str) -> None:
    assert usable_serial(filler) == ""


def test_an_identity_holds_nothing_that_means_something_elsewhere() -> None:
    assert identity_from(" a/b#c?d\x07e\n ") == "a-b-c-d-e"
    assert len(identity_from("x" * 300)) == 40


def test_two_of_one_name_both_get_their_address_hash_when_both_were_heard_first() -> None:
    identities = Identities(InstrumentList())
    for address in (A, B):
        identities.heard(address, "IR", True)
    assert {identities.of(A, "IR"), identities.of(B, "IR")} == {f"IR-{address_hash(x)}" for x in (A, B)}


def test_a_newcomer_of_the_same_name_never_takes_over_an_identity_that_is_held() -> None:
    identities = Identities(InstrumentList())
    identities.heard(A, "IR", True)
    assert identities.of(A, "IR") == "IR"
    identities.heard(B, "IR", True)
    assert identities.of(B, "IR") == f"IR-{address_hash(B)}"
    assert identities.of(A, "IR") == "IR"
    assert identities.of(B, "IR") == f"IR-{address_hash(B)}"


def test_an_instrument_that_changes_its_address_keeps_its_identity() -> None:
    identities = Identities(InstrumentList())
    private, next_private = "4A:00:5E:00:53:01", "5B:00:5E:00:53:02"
    assert identities.of(private, "IR", stays=False) == identities.of(next_private, "IR", stays=False) == "IR"


def test_the_list_decides_before_anything_else() -> None:
    known = InstrumentList((KnownInstrument("sole", "Bluetooth", "x", (A,)),))
    identities = Identities(known)
    assert identities.of(A.lower(), "IR", "A17") == "sole"
    assert identities.known(B) is None


@pytest.mark.parametrize(
    ("address", "address_type", "stays"),
    [
        (A, "public", True),
        ("C0:00:5E:00:53:01", "random", True),  # static
        ("7F:00:5E:00:53:01", "random", False),  # resolvable private
        ("3F:00:5E:00:53:01", "random", False),  # non-resolvable private
        ("6F1C2A1E-0000-4000-8000-000000000000", "None", True),  # another system's own identifier
    ],
)
def test_the_top_two_bits_of_a_random_address_say_whether_it_stays(
    address: str, address_type: str, stays: bool
) -> None:
    assert address_stays(address, address_type) is stays


def test_only_services_this_program_reads_count() -> None:
    bridge = BridgeUuids()
    assert measured_by([uuid_of(0x1812)], bridge) == ()
    assert measured_by([uuid_of(0x1809).upper(), uuid_of(0x181A)], bridge) == ("temperature", "air")
    assert measured_by([bridge.service], bridge) != ()
    assert measured_by([bridge.service], BridgeUuids("x", "y")) == ()


# -- adverts ---------------------------------------------------------------------------------------
def shown(**properties: object) -> AdvertisementData:
    return AdvertisementData(None, {}, {}, [], None, -60, ("/path", properties))


def test_a_change_of_the_connection_is_no_advert() -> None:
    sieve = AdvertSieve()
    assert sieve.is_advert(A, shown(Connected=False))
    assert sieve.is_advert(A, shown(Connected=False))
    assert not sieve.is_advert(A, shown(Connected=True))
    assert not sieve.is_advert(A, shown(Connected=True, ServicesResolved=True))
    assert not sieve.is_advert(A, shown(Connected=False))
    assert sieve.is_advert(A, shown(Connected=False))
    assert sieve.is_advert(B, AdvertisementData(None, {}, {}, [], None, -60, ()))


def test_the_states_of_passers_by_are_forgotten() -> None:
    sieve = AdvertSieve()
    for n in range(2 * MOST_DEVICES):
        sieve.is_advert(f"address {n}", shown(Connected=False))
    assert len(sieve._states) == MOST_DEVICES


# -- patience --------------------------------------------------------------------------------------
TIMING = BluetoothTiming(silence_s=10.0, silence_cap_s=600.0, cured_s=3.0)


def test_an_instrument_that_goes_on_speaking_is_left_alone() -> None:
    patience = Patience(TIMING)
    patience.begin(0.0)
    for second in range(100):
        assert patience.left_s(float(second)) > 0.0
        patience.data(float(second))
    assert patience.seconds == 10.0


def test_silence_leads_to_subscribing_then_to_connecting_again() -> None:
    patience = Patience(TIMING)
    patience.begin(0.0)
    patience.data(1.0)
    assert patience.left_s(10.9) > 0.0
    assert patience.left_s(11.0) <= 0.0
    assert patience.act(11.0)
    assert patience.left_s(20.9) > 0.0
    assert not patience.act(21.0)


def test_when_that_helped_at_once_the_patience_stays_short() -> None:
    patience = Patience(TIMING)
    patience.begin(0.0)
    patience.data(1.0)
    patience.act(11.0)
    patience.act(21.0)
    patience.begin(22.0)
    patience.data(23.0)
    assert patience.seconds == 10.0


def test_one_that_speaks_seldom_is_soon_left_in_peace() -> None:
    patience = Patience(TIMING)
    patience.begin(0.0)
    reconnects = 0
    for trigger in range(1, 11):  # a thermometer with a trigger, used every two minutes
        said_s = trigger * 120.0
        now_s = said_s - 120.0
        while now_s + patience.left_s(now_s) < said_s:
            now_s += patience.left_s(now_s)
            if not patience.act(now_s):
                reconnects += 1
                patience.begin(now_s + 1.0)
        patience.data(said_s)
    assert reconnects <= 3
    assert 120.0 < patience.seconds <= 600.0


def test_patience_has_an_end() -> None:
    patience = Patience(TIMING)
    for n in range(20):
        patience.begin(1000.0 * n)
        patience.act(1000.0 * n + 1)
        patience.act(1000.0 * n + 2)
    assert patience.seconds == 600.0


# -- words -----------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("fault", "sentence"),
    [
        (BleakDBusError("org.freedesktop.DBus.Error.AccessDenied", ["Rejected send message"]), NOT_PERMITTED),
        (BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", ["not provided"]), NO_SERVICE),
        (BleakDBusError("org.bluez.Error.NotReady", ["Resource Not Ready"]), ADAPTER_OFF),
        (PermissionError(13, "denied"), NOT_PERMITTED),
        (FileNotFoundError(2, "no socket"), NO_BUS),
        (ConnectionRefusedError(111, "refused"), NO_BUS),
        (EOFError(), BUS_LOST),
        (BrokenPipeError(32, "broken"), BUS_LOST),
    ],
)
def test_what_the_person_can_mend_is_said_with_what_to_type(fault: Exception, sentence: str) -> None:
    assert sentence_of(fault, "connecting") == sentence


@pytest.mark.parametrize(
    ("fault", "word"),
    [
        (BleakDBusError("org.bluez.Error.Failed", ["ATT error: 0x0e and more"]), "ATT error"),
        (BleakDBusError("org.bluez.Error.Failed", []), "Failed"),
        (BleakGATTProtocolError(0x0E), "Unlikely Error"),
        (BleakError("device not found"), "device not found"),
        (TimeoutError(), "no answer"),
        (KeyError("path"), "path"),
    ],
)
def test_anything_else_is_said_with_what_was_being_done(fault: Exception, word: str) -> None:
    sentence = sentence_of(fault, "connecting")
    assert sentence.startswith("connecting")
    assert word in sentence
    assert "\n" not in sentence


def test_a_call_that_ends_neither_by_itself_nor_by_being_cancelled_is_left_behind() -> None:
    async def stubborn(release: asyncio.Event) -> None:
        while not release.is_set():
            try:
                await release.wait()
            except asyncio.CancelledError:
                continue

    async def give_up() -> str:
        release = asyncio.Event()
        try:
            await within(0.01, stubborn(release), "connecting")
        except LinkError as fault:
            return str(fault)
        finally:
            release.set()
        return ""

    assert "no answer for 0.01 s" in asyncio.run(give_up())
