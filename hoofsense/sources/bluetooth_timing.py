"""How long things may take over Bluetooth, in one place. Tests shorten them; nothing else does."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BluetoothTiming:
    """Times in seconds, all our own choice unless a source is named.

    probe_s          between looks at the adapter while scanning
    scan_silence_s   no advert of anything for so long: the scan is begun anew
    operation_s      for a single call to the Bluetooth service
    connect_s        for connecting, with finding the services
    pair_s           for pairing
    backoff_first_s  wait after the first failure, doubled each time
    backoff_cap_s    and up to this: below the 5 s in which an outage must be over
    silence_s        connected but silent for so long: subscribe again, then connect again
    silence_cap_s    the longest such patience, for instruments that speak only when a button is pressed
    cured_s          data so soon after subscribing again mean that this was what helped
    poll_s           between reads of a value that is not notified
    battery_s        between reads of the battery
    useless_s        before looking again at an instrument that offers nothing readable
    heard_s          a beacon not heard for so long counts as gone
    leave_s          for an instrument or the scan to be let go when everything is stopped; what was asked
                     for is done even when the answer comes later
    stop_s           for stopping everything
    """

    probe_s: float = 1.0
    scan_silence_s: float = 4.0
    operation_s: float = 5.0
    connect_s: float = 10.0
    pair_s: float = 20.0
    backoff_first_s: float = 0.25
    backoff_cap_s: float = 4.0
    silence_s: float = 10.0
    silence_cap_s: float = 600.0
    cured_s: float = 3.0
    poll_s: float = 2.0
    battery_s: float = 60.0
    useless_s: float = 60.0
    heard_s: float = 60.0
    leave_s: float = 0.5
    stop_s: float = 2.0


class Patience:
    """How long a connected instrument may be silent, learned from the instrument itself.

    After one patience of silence it is subscribed again, after a second one connected again. If data follow
    at once, the link was mute and the patience stays short; if they come later, the instrument simply
    speaks seldom and the patience grows to twice the silence. Times are seconds on any one clock.
    """

    def __init__(self, timing: BluetoothTiming) -> None:
        self._timing = timing
        self.seconds = timing.silence_s
        self._last_data_s: float | None = None
        self._acted_s: float | None = None
        self._roused = False
        self._since_s = 0.0

    def begin(self, now_s: float) -> None:
        """A new connection stands."""
        self._since_s = now_s
        if self._acted_s is not None:
            self._acted_s = now_s
        self._roused = False

    def data(self, now_s: float) -> None:
        """The instrument said something."""
        if self._acted_s is not None:
            if now_s - self._acted_s <= self._timing.cured_s:
                self.seconds = self._timing.silence_s
            elif self._last_data_s is not None:
                seldom_s = 2 * (now_s - self._last_data_s)
                self.seconds = min(self._timing.silence_cap_s, max(self.seconds, seldom_s))
            self._acted_s = None
            self._roused = False
        self._last_data_s = self._since_s = now_s

    def left_s(self, now_s: float) -> float:
        """Seconds until something should be done about the silence, 0 or less when it is time."""
        return self._since_s + self.seconds - now_s

    def act(self, now_s: float) -> bool:
        """The silence was too long: True to subscribe again, False to connect again."""
        self._acted_s = self._since_s = now_s
        if not self._roused:
            self._roused = True
            return True
        self.seconds = min(self._timing.silence_cap_s, 2 * self.seconds)
        return False
