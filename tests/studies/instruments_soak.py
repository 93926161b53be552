"""A long day of instruments with a fault every minute: is anything lost, does memory grow?

    python tests/studies/instruments_soak.py --hours 8

Real sources (Bluetooth through the real backend and a fake BlueZ on a private bus, a bridge over UART, a
bridge on a socket, a gauge on a pseudo-terminal, a keyboard cable) feed a real collector and store. Readings
come ten a second on each link; the day's clock runs as fast as they are taken, and at live speed while a
link is down, so that recovery is measured in real seconds with the times used in the field. What each live
link delivered is compared, byte for byte and in order, with what is on record. Needs Debian's dbus-daemon.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import pathlib
import sys
import tempfile
import threading
import time
from collections import Counter, defaultdict

sys.path.insert(0, str(pathlib.Path(__file__).parent))
sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "sources"))

from bleak.backends.bluezdbus.version import BlueZFeatures
from fake_radio import Radio
from soak_day import CABLE, GAUGE, THERMOMETER, UART, Day, Delivered

from hoofsense.collector import Collector
from hoofsense.frames_ahead import Inbox, Said, live
from hoofsense.materials import load_profile
from hoofsense.store import open_reader, open_store
from hoofsense.visit_marks import mark_payload

FAULT_EVERY_S = 60
BACKLOG = 300  # readings on their way at most
RECOVERED_WITHIN_S = 5.0
HOUR_S = 3600
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")


def resident_MB() -> float:
    with open("/proc/self/statm", encoding="ascii") as told:
        return int(told.read().split()[1]) * PAGE_BYTES / 1e6


def feed_events(collector: Collector) -> int:
    """Steps of the page's feed in memory; their number is bounded and fills in minutes of a real day."""
    return collector.newest_event_id() + 1 - collector.oldest_event_id()


def begin_mark() -> bytes:
    return mark_payload(
        {
            "mark": "begin", "id": "begin", "visit_id": "soak", "horse": "Invented Horse S", "practice": "p",
            "feet": ["LF", "RF"], "material": dataclasses.asdict(load_profile("standard")), "invented": True,
        }
    )  # fmt: skip


def compared(day: Day, path: pathlib.Path) -> bool:
    """Print, for each link, what it delivered and what is on record; whether they are the same."""
    kept = Delivered()
    with open_reader(path) as reader:
        for frame in reader.frames("soak"):
            if (frame.source_id, frame.channel) in day.delivered.count:
                kept.add(frame.source_id, frame.channel, frame.payload)
    same = True
    for key, count in day.delivered.count.items():
        alike = kept.digest(key) == day.delivered.digest(key)
        same = same and alike
        print(
            f"  {key[0]:<16} {key[1]:<20} delivered {count:>9,}  on record {kept.count[key]:>9,}  "
            f"{'the same bytes in the same order' if alike else 'DIFFERENT'}"
        )
    return same


def main() -> None:
    asked = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    asked.add_argument("--hours", type=float, default=8.0)
    asked.add_argument("--seed", type=int, default=1)
    told = asked.parse_args()
    BlueZFeatures.checked_bluez_version = True
    seconds = round(told.hours * HOUR_S)
    recoveries: defaultdict[str, list[float]] = defaultdict(list)
    reasons: defaultdict[str, Counter[str]] = defaultdict(Counter)
    radio = Radio().open()
    with tempfile.TemporaryDirectory() as named:
        folder = pathlib.Path(named)
        path = folder / "visits.sqlite3"
        day = Day(radio, folder, told.seed)
        inbox, stopping = Inbox(), threading.Event()
        inbox.put(Said("terminal", "mark", begin_mark()))
        with open_store(path) as store:
            frames = live(day.sources, day.clock.steady, inbox, stopping)
            collector = Collector(frames, inbox, mode="live", store=store, on_frame=day.heard)
            running = threading.Thread(target=collector.run)
            running.start()
            all_links = (THERMOMETER, UART, day.socket_id, GAUGE, CABLE, "bluetooth")
            day.live_until(lambda: all(day.heard.up.get(one) for one in all_links), "every link")
            began_s, faults, next_hour_s = time.monotonic(), day.faults(), HOUR_S
            while day.second < seconds:
                day.send_second()
                day.caught_up(BACKLOG)
                if day.second % FAULT_EVERY_S == FAULT_EVERY_S // 2:
                    name, cause = next(faults)
                    recoveries[name].append(cause())
                    reasons[name].update(day.heard.why.values())
                    day.heard.why.clear()
                if day.second >= next_hour_s:
                    print(
                        f"hour {next_hour_s // HOUR_S}: {sum(day.delivered.count.values()):>10,} readings, "
                        f"{sum(map(len, recoveries.values())):>4} faults, memory {resident_MB():6.1f} MB "
                        f"({feed_events(collector):>4,} events kept for the page), "
                        f"store {path.stat().st_size / 1e6:6.1f} MB, {time.monotonic() - began_s:6.0f} s",
                        flush=True,
                    )
                    next_hour_s += HOUR_S
            day.caught_up()
            asked_s = time.monotonic()
            stopping.set()
            running.join()
            print(f"stopped {time.monotonic() - asked_s:.2f} s after it was asked to")
        print("What live links delivered, and what is on record:")
        same = compared(day, path)
        day.close()
        radio.close()
    print(
        "Faults, and the real seconds from the end of the cause until all was well "
        f"({RECOVERED_WITHIN_S:g} allowed):"
    )
    for name, taken in recoveries.items():
        late = sum(one > RECOVERED_WITHIN_S for one in taken)
        print(f"  {name:<26} {len(taken):>4}  longest {max(taken):5.2f} s  over the limit {late}")
        for why, count in reasons[name].most_common(2):
            print(f"      {count:>4} x told as: {why}")
    sys.exit(0 if same else 1)


if __name__ == "__main__":
    main()
