"""What a cold yard does to Bluetooth: each outage is reported with its reason and overcome."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace

import pytest
from bluetooth_bench import QUICK, Listen, Sink, address, degC, note_of, status_of, thermometer
from fake_peripheral import Char
from fake_radio import Radio

from hoofsense.sources.bluetooth_faults import (
    ADAPTER_OFF,
    NO_ADAPTER,
    NO_BUS,
    NO_SERVICE,
    NOT_PERMITTED,
)
from hoofsense.sources.bluetooth_supervisor import LOST, NOTHING_TO_READ


def test_a_lost_link_is_told_and_comes_back(radio: Radio, listen: Listen, recorder: Sink) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    source = listen()
    sent = []
    for n in range(4):
        recorder.wait_up("A17", n + 1)
        for tenth in range(10):
            sent.append(degC(30.0 + n + tenth / 10))
            assert radio.do(instrument.notify, 0x2A1C, sent[-1])
        recorder.wait_for("gatt:2a1c", len(sent))
        radio.do(instrument.drop)
        recorder.wait_downs("A17", n + 1)
    assert recorder.payloads("gatt:2a1c") == sent
    recorder.wait_up("A17", 5)
    assert recorder.links("A17") == [(True, "connected"), (False, LOST)] * 4 + [(True, "connected")]
    assert status_of(source, "A17").connected


def test_out_of_range_is_shown_until_it_is_heard_again(radio: Radio, listen: Listen, recorder: Sink) -> None:
    instrument = thermometer(radio)
    silence = radio.on_air(instrument)
    source = listen()
    recorder.wait_up("A17")
    silence()
    radio.do(instrument.drop)
    recorder.wait_down("A17", LOST)
    scans = radio.bluez.calls.count("Adapter1.StartDiscovery")
    recorder.wait_until(lambda: radio.bluez.calls.count("Adapter1.StartDiscovery") > scans, "a new scan")
    assert note_of(source, "A17") == LOST
    assert instrument.connects == 1
    radio.on_air(instrument)
    recorder.wait_up("A17", 2)


def test_refused_connections_are_tried_again_with_their_reasons_recorded(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    listen()
    recorder.wait_up("A17")
    refusals = ["Failed:le-connection-abort-by-remote", "Failed:br-connection-busy", "InProgress:busy"]
    instrument.connect_errors = list(refusals)
    radio.do(instrument.drop)
    recorder.wait_up("A17", 2)
    assert instrument.connects == 2 + len(refusals)
    for why in ("le-connection-abort-by-remote", "br-connection-busy", "busy"):
        recorder.wait_down("A17", f"connecting failed ({why})")


def test_services_that_never_come_are_given_up_and_tried_again(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = thermometer(radio)
    instrument.resolves = False
    radio.on_air(instrument)
    source = listen(timing=replace(QUICK, connect_s=0.2))
    recorder.wait_until(lambda: "connecting: no answer for 0.2 s" in note_of(source, "thermometer"))
    instrument.resolves = True
    recorder.wait_up("A17")


def test_a_hung_service_is_reported_overcome_and_does_not_hold_up_the_end(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    hung = radio.bluez.unanswered
    hung |= {"Device1.Connect", "Device1.Disconnect"}
    source = listen(timing=replace(QUICK, connect_s=0.2))
    recorder.wait_until(lambda: "no answer" in note_of(source, "thermometer"))
    hung.clear()
    recorder.wait_up("A17")
    hung |= {"Device1.Disconnect", "Adapter1.StopDiscovery"}
    source.stop()
    assert "bluetooth" not in {thread.name for thread in threading.enumerate()}


def test_one_that_cannot_be_reached_does_not_keep_the_others_waiting_for_ever(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    dead, mine = thermometer(radio, b"DEAD1", last=0xA2, name="dead"), thermometer(radio)
    dead.resolves = False
    radio.on_air(dead)
    listen(timing=replace(QUICK, connect_s=0.2))
    recorder.wait_until(lambda: dead.connects > 0)
    radio.on_air(mine)
    recorder.wait_up("A17")


def test_an_adapter_switched_off_and_on_again(radio: Radio, listen: Listen, recorder: Sink) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    source = listen()
    recorder.wait_up("A17")
    radio.do(radio.bluez.power, False)
    recorder.wait_down("bluetooth", ADAPTER_OFF)
    recorder.wait_down("A17", LOST)
    assert note_of(source, "bluetooth") == ADAPTER_OFF
    radio.do(radio.bluez.power, True)
    recorder.wait_up("A17", 2)
    recorder.wait_up("bluetooth", 2)
    assert status_of(source, "bluetooth").connected


def test_an_adapter_switched_off_and_on_too_fast_to_be_seen(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    listen(timing=replace(QUICK, probe_s=0.3))
    recorder.wait_up("A17")

    def flicker() -> None:
        radio.bluez.power(False)
        radio.bluez.power(True)

    radio.do(flicker)
    recorder.wait_up("A17", 2)


def test_an_adapter_pulled_out_and_put_back(radio: Radio, listen: Listen, recorder: Sink) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    listen()
    recorder.wait_up("A17")
    radio.do(radio.bluez.unplug_adapter)
    recorder.wait_down("bluetooth", NO_ADAPTER)
    radio.do(radio.bluez.plug_adapter)
    recorder.wait_up("A17", 2)


def test_the_bus_dies_and_returns(radio: Radio, listen: Listen, recorder: Sink) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    listen()
    recorder.wait_up("A17")
    radio.bus_dies()
    recorder.wait_down("A17", LOST)
    recorder.wait_down("bluetooth", NO_BUS)
    radio.bus_returns()
    recorder.wait_up("A17", 2)
    assert radio.do(instrument.notify, 0x2A1C, degC(31.2))
    recorder.wait_for("gatt:2a1c")


def test_the_bluetooth_service_restarts_while_the_bus_stays(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    listen(timing=replace(QUICK, scan_silence_s=60.0))  # neither silence is what ends the outage
    recorder.wait_up("A17")
    radio.wait_for(radio.bluez.leave())
    radio.wait_for(radio.bluez.arrive())
    recorder.wait_down("A17", LOST)
    recorder.wait_up("A17", 2)
    recorder.wait_until(lambda: radio.do(instrument.notify, 0x2A1C, degC(31.2)))
    recorder.wait_for("gatt:2a1c")


def test_a_mute_instrument_is_subscribed_again_and_then_connected_again(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = thermometer(radio)
    indicated = instrument.char(0x2A1C)
    radio.on_air(instrument)
    listen(timing=replace(QUICK, silence_s=0.15, cured_s=5.0))
    recorder.wait_up("A17")
    assert instrument.connects == 1
    recorder.wait_until(lambda: indicated.subscriptions == 2, "a second subscription")
    assert instrument.connects == 1
    recorder.wait_down("A17", "connected but silent")
    recorder.wait_up("A17", 2)
    assert radio.do(instrument.notify, 0x2A1C, degC(31.2))
    recorder.wait_for("gatt:2a1c")


def test_an_instrument_that_answers_paired_computers_only_is_paired(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = thermometer(radio)
    instrument.char(0x2A1C).errors = [
        "Failed:Operation failed with ATT error: 0x0f (Insufficient Encryption)"
    ]
    radio.on_air(instrument)
    listen()
    recorder.wait_up("A17")
    assert instrument.pairs == 1
    assert instrument.connects == 1


def test_services_out_of_date_are_found_anew_once(radio: Radio, listen: Listen, recorder: Sink) -> None:
    instrument = thermometer(radio)
    instrument.stale = {0x180A: [Char(0x2A24, ["read"], b"model")]}
    radio.on_air(instrument)
    listen()
    recorder.wait_up("A17")
    assert instrument.removals == 1
    assert radio.do(instrument.notify, 0x2A1C, degC(31.2))
    recorder.wait_for("gatt:2a1c")


def test_an_instrument_without_anything_to_read_is_said_so(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    hollow = radio.bluez.peripheral(address(0xC2), "hollow", {0x1809: [Char(0x2A1D, ["read"], b"\x02")]})
    radio.on_air(hollow)
    source = listen()
    recorder.wait_until(lambda: note_of(source, "hollow") == NOTHING_TO_READ)
    assert hollow.removals == 1


def test_a_characteristic_that_refuses_does_not_cost_the_others(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = thermometer(radio)
    instrument.services[0x180F] = [Char(0x2A19, ["read"], errors=["NotPermitted:Read not permitted"] * 9)]
    radio.on_air(instrument)
    listen()
    recorder.wait_up("A17")
    assert instrument.connects == 1


def test_an_instrument_still_connected_from_a_run_that_was_cut_off_is_taken_over(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    instrument = thermometer(radio)

    def left_connected() -> None:
        radio.bluez.discovery["gone"] = {}
        instrument.advertise()
        radio.bluez.discovery.clear()

    radio.do(left_connected)
    radio.wait_for(instrument.connect())
    listen()
    recorder.wait_up("A17")
    assert radio.do(instrument.notify, 0x2A1C, degC(31.2))
    recorder.wait_for("gatt:2a1c")


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ({"has_adapter": False}, NO_ADAPTER),
        ({"has_bluez": False}, NO_SERVICE),
        ({"deny_bluez": True}, NOT_PERMITTED),
    ],
)
def test_without_bluetooth_one_sentence_says_what_to_do(
    make_radio: Callable[..., Radio],
    listen: Listen,
    recorder: Sink,
    settings: dict[str, bool],
    sentence: str,
) -> None:
    make_radio(**settings)
    source = listen()
    recorder.wait_down("bluetooth", sentence)
    assert note_of(source, "bluetooth") == sentence


def test_without_a_message_bus_one_sentence_says_what_to_do(
    radio: Radio, listen: Listen, recorder: Sink
) -> None:
    radio.bus_dies()
    listen()
    recorder.wait_down("bluetooth", NO_BUS)
    radio.bus_returns()
    recorder.wait_up("bluetooth")
