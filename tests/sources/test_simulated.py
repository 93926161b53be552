"""The simulated visit: its bytes against the decoders, its story against the truth behind it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from functools import lru_cache
from itertools import islice, pairwise

import pytest

from hoofsense.decoding import measurements_from
from hoofsense.materials import load_profile
from hoofsense.records import SCAN_SITES, Foot, MaterialProfile, RawFrame
from hoofsense.sources.simulated import (
    SimulatedVisit,
    bit_flipped,
    scenario_names,
    simulate,
    simulated_visit,
)
from hoofsense.sources.simulated_foot import FootTruth
from hoofsense.sources.simulated_scenarios import scenario
from hoofsense.wire.checked_text import decode_checked
from hoofsense.wire.errors import FrameError

ICE_K = 273.15


@lru_cache(maxsize=16)
def visit_of(name: str, seed: int = 1) -> SimulatedVisit:
    return simulated_visit(name, seed)


def marks_of(frames: tuple[RawFrame, ...]) -> list[tuple[int, dict[str, object]]]:
    return [(f.at_ns, json.loads(decode_checked(f.payload))) for f in frames if f.channel == "mark"]


@pytest.mark.parametrize(("name", "places"), [("sole-not-dry", 2), ("sensor-drops-out", 1)])
def test_thermometer_rounds_as_its_exponent_says(name: str, places: int) -> None:
    values = [m for f in visit_of(name).frames if f.channel == "gatt:2a1c" for m in measurements_from(f)]
    assert {m.resolution for m in values} == {10.0**-places}
    assert all(m.value is not None and round(m.value, places) == m.value for m in values)


def test_same_seed_gives_the_same_bytes_and_another_seed_others() -> None:
    frames = visit_of("sole-not-dry").frames
    assert tuple(simulate("sole-not-dry", 1)) == frames
    other = tuple(simulate("sole-not-dry", 2))
    assert [f.payload for f in other if f.channel == "gatt:2a1c"] != [
        f.payload for f in frames if f.channel == "gatt:2a1c"
    ]


@pytest.mark.parametrize("name", scenario_names())
def test_frames_are_in_order_of_time_and_on_one_clock(name: str) -> None:
    frames = visit_of(name).frames
    assert all(a.at_ns <= b.at_ns for a, b in pairwise(frames))
    offsets = {f.received_at.steady_ns - f.received_at.monotonic_ns for f in frames}
    assert len(offsets) == 1
    assert {f.received_at.boot for f in frames} == {"simulated"}
    ticks = [f.at_ns for f in frames if f.channel == "tick"]
    assert {b - a for a, b in pairwise(ticks)} == {10**9}


@pytest.mark.parametrize("name", scenario_names())
def test_every_frame_decodes(name: str) -> None:
    for frame in visit_of(name).frames:
        if frame.channel in ("mark", "tick", "link"):
            body = decode_checked(frame.payload)
            assert body == "" if frame.channel == "tick" else isinstance(json.loads(body), dict)
        elif frame.channel == "line:hs1" and b",I," in frame.payload:
            assert b"bridge-01" in frame.payload
        else:
            assert measurements_from(frame)


@pytest.mark.parametrize("name", scenario_names())
def test_a_visit_says_that_it_is_invented_and_ends(name: str) -> None:
    marks = [mark for _, mark in marks_of(visit_of(name).frames)]
    begin = marks[0]
    assert begin["mark"] == "begin" and begin["invented"] is True
    assert str(begin["horse"]).startswith("Invented") and str(begin["practice"]).startswith("Invented")
    fields = begin["material"]
    assert isinstance(fields, dict)
    profile = MaterialProfile(**{**fields, "assumptions": tuple(fields["assumptions"])})
    assert profile == load_profile(scenario(name).material_profile)
    assert marks[-1]["mark"] == "end"
    ids = [mark["id"] for mark in marks]
    assert ids == [f"m{n}" for n in range(1, len(ids) + 1)]


def truth_of(name: str, foot: Foot) -> FootTruth:
    return next(one for one in visit_of(name).truth.feet if one.foot is foot)


def test_one_foot_cures_while_the_other_is_dried() -> None:
    lf, rf = truth_of("mild-two-feet", Foot.LF), truth_of("mild-two-feet", Foot.RF)
    assert lf.poured_at_ns is not None and rf.poured_at_ns is not None
    assert lf.firm_after_s is not None and rf.firm_after_s is not None
    first_heat_on_rf = next(
        at_ns
        for at_ns, mark in marks_of(visit_of("mild-two-feet").frames)
        if mark["mark"] == "heat" and mark["foot"] == "RF"
    )
    assert lf.poured_at_ns < first_heat_on_rf < rf.poured_at_ns < lf.poured_at_ns + lf.firm_after_s * 1e9


@pytest.mark.parametrize(
    ("name", "foot"),
    [
        ("mild-two-feet", Foot.LF),
        ("mild-two-feet", Foot.RF),
        ("freezing-morning", Foot.LF),
        ("sensor-drops-out", Foot.LF),
        ("hot-dry", Foot.RF),
        ("already-dry", Foot.LH),
    ],
)
def test_poured_feet_were_dry_and_carried_weight_only_when_cured(name: str, foot: Foot) -> None:
    truth = truth_of(name, foot)
    assert truth.film_at_pour_g_per_m2 is not None and max(truth.film_at_pour_g_per_m2) < 1.0
    assert truth.looks[-1].looked_dry
    assert (
        truth.poured_at_ns is not None and truth.load_after_s is not None and truth.firm_after_s is not None
    )
    marks = marks_of(visit_of(name).frames)
    at = {m["mark"]: t for t, m in marks if m.get("foot") == foot.value and m["mark"] in ("trimmed", "down")}
    assert at["trimmed"] > truth.poured_at_ns + truth.firm_after_s * 1e9
    assert at["down"] > truth.poured_at_ns + truth.load_after_s * 1e9
    touches = [(t, m["firm"]) for t, m in marks if m["mark"] == "touch" and m["foot"] == foot.value]
    for at_ns, firm in touches:
        assert firm == (at_ns >= truth.poured_at_ns + truth.firm_after_s * 1e9)
    degrees = [d.slowest for d in truth.degrees]
    assert degrees == sorted(degrees) and degrees[-1] > 0.9


def test_freezing_morning_cures_far_slower_than_the_mild_day() -> None:
    cold, mild = truth_of("freezing-morning", Foot.LF), truth_of("mild-two-feet", Foot.LF)
    assert cold.load_after_s is not None and mild.load_after_s is not None
    assert cold.load_after_s > 1.5 * mild.load_after_s  # though its material is made for the cold


def test_one_sulcus_stays_wet_and_nothing_is_poured() -> None:
    truth = truth_of("sole-not-dry", Foot.RH)
    wet = [
        [site.value for site, film in zip(SCAN_SITES, look.film_g_per_m2, strict=True) if film > 1.0]
        for look in truth.looks
    ]
    assert wet == [["medial sulcus"], ["medial sulcus"]]
    assert truth.poured_at_ns is None
    assert "poured" not in {mark["mark"] for _, mark in marks_of(visit_of("sole-not-dry").frames)}


def test_unfit_foot_is_left_open_and_the_other_is_overheated() -> None:
    name = "unfit-and-overheated"
    unfit, hot = truth_of(name, Foot.LH), truth_of(name, Foot.RH)
    signs = [m["signs"] for _, m in marks_of(visit_of(name).frames) if m["mark"] == "fitness"]
    assert signs == [["smell", "discharge"], []]
    assert not unfit.fit and unfit.poured_at_ns is None and hot.poured_at_ns is None
    assert hot.surface_peak_K is not None and hot.surface_peak_K > 60.0 + ICE_K


def test_lost_thermometer_is_silent_and_its_link_says_so() -> None:
    frames = visit_of("sensor-drops-out").frames
    start = frames[0].at_ns
    heard = [(f.at_ns - start) / 1e9 for f in frames if f.channel in ("gatt:2a1c", "gatt:2a19")]
    assert not [t for t in heard if 185.0 <= t < 245.0 or 960.0 <= t < 1290.0]
    links = [json.loads(decode_checked(f.payload))["up"] for f in frames if f.channel == "link"]
    assert links == [True, False, True, False, True]
    air = [(f.at_ns - start) / 1e9 for f in frames if f.source_id == "ambient-1"]
    assert not [t for t in air if 1620.0 <= t < 1860.0]


def test_adverts_repeat_under_one_packet_number() -> None:
    packets = [f.payload for f in visit_of("sole-not-dry").frames if f.channel == "advert:fcd2"]
    repeats = sum(a == b for a, b in pairwise(packets))
    assert 0.2 * len(packets) < repeats < 0.6 * len(packets)


def test_flipped_bits_damage_the_asked_share_and_nothing_else() -> None:
    frames = visit_of("sole-not-dry").frames
    damaged = tuple(bit_flipped(frames, 0.2, seed=3))
    assert damaged == tuple(bit_flipped(frames, 0.2, seed=3))
    changed = [(a, b) for a, b in zip(frames, damaged, strict=True) if a != b]
    assert len(changed) / len(frames) == pytest.approx(0.2, abs=0.04)
    assert all(len(a.payload) == len(b.payload) and a.received_at == b.received_at for a, b in changed)
    for _, b in changed:
        if b.channel in ("mark", "tick", "link"):
            with pytest.raises(FrameError):
                decode_checked(b.payload)
    assert tuple(bit_flipped(frames, 0.0)) == frames


def test_a_visit_is_made_frame_by_frame() -> None:
    source: Iterator[RawFrame] = simulate("freezing-morning", 4)
    assert {f.channel for f in islice(source, 40)} >= {"tick", "link", "advert:fcd2", "line:hs1"}


@pytest.mark.parametrize(
    ("misuse", "words"),
    [
        (lambda: next(simulate("no such visit")), "choose one of"),
        (lambda: next(simulate("sole-not-dry", -1)), "seed -1 is negative"),
        (lambda: next(bit_flipped((), 1.5)), "outside 0 to 1"),
    ],
)
def test_misuse_is_told_in_words(misuse: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        misuse()
