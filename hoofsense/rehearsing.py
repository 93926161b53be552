"""Plays a simulated visit's instruments live over a socket and a pseudo-terminal, to rehearse with."""

from __future__ import annotations

import contextlib
import os
import select
import shlex
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from hoofsense.records import NS_PER_S, RawFrame
from hoofsense.sources.link import LinkError
from hoofsense.sources.pacing import paced
from hoofsense.sources.rehearsal_lines import RehearsedBridge
from hoofsense.sources.simulated import simulate
from hoofsense.sources.simulated_scenarios import Scenario, scenario
from hoofsense.wire.bridge_line import LINE_END

LOOK_s = 0.1  # between looks for a listener; our choice
SETTLE_s = 0.5  # a listener that just connected throws away what came before it was ready; our choice
SEND_s = 1.0  # for one line to a listener that does not take it; our choice
WAITING = 4  # connections the system may hold


class Outlets:
    """Where the lines go: whoever listens at the socket (the newest), and at the pseudo-terminal.

    port   TCP port on this computer, 0 for any
    pty    offer a pseudo-terminal too
    raises LinkError when the port is in use or there are no pseudo-terminals
    """

    def __init__(self, port: int, pty: bool) -> None:
        self.terminal: str | None = None
        self._master: int | None = None
        if pty:
            self._open_terminal()
        try:
            self._listener = socket.create_server(("127.0.0.1", port), backlog=WAITING)
        except OSError as fault:
            self.close()
            raise LinkError(f"port {port} cannot be used ({fault}): choose another with --port") from fault
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._client: socket.socket | None = None
        self._lock = threading.Lock()
        threading.Thread(target=self._accept, name="rehearsal socket", daemon=True).start()

    def _open_terminal(self) -> None:
        try:
            import tty

            self._master, slave = os.openpty()
        except (ImportError, OSError, AttributeError) as fault:
            raise LinkError(
                f"this system gives no pseudo-terminal ({fault}): rehearse without --pty"
            ) from fault
        tty.setraw(slave)
        self.terminal = os.ttyname(slave)
        os.close(slave)  # so that the system tells when somebody listens
        os.set_blocking(self._master, False)

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:  # closed
                return
            client.settimeout(SEND_s)
            with self._lock:
                before, self._client = self._client, client
            if before is not None:
                before.close()

    @property
    def listened_to(self) -> bool:
        """Whether anybody listens, as far as can be told before sending."""
        return self._client is not None or self._terminal_open()

    def _terminal_open(self) -> bool:
        if self._master is None:
            return False
        asked = select.poll()
        asked.register(self._master, select.POLLOUT)
        return not any(event & select.POLLHUP for _, event in asked.poll(0))

    def send(self, line: bytes) -> None:
        """One line to whoever listens; without a listener it is gone, as with a real bridge."""
        data = line + LINE_END
        with self._lock:
            client = self._client
        if client is not None:
            try:
                client.sendall(data)
            except OSError:
                client.close()
                with self._lock:
                    self._client = None if self._client is client else self._client
        if self._master is not None and self._terminal_open():
            with contextlib.suppress(OSError):  # full, or closed just now
                os.write(self._master, data)

    def close(self) -> None:
        with contextlib.suppress(AttributeError):
            self._listener.close()
        with contextlib.suppress(AttributeError):
            if self._client is not None:
                self._client.close()
        if self._master is not None:
            os.close(self._master)
            self._master = None


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What to play.

    speed  1 is live; anything else is for trying out, as a visit keeps its own time; None as fast as it goes
    """

    name: str
    seed: int
    buttons: bool = True
    speed: float | None = 1.0


def rehearse(
    rehearsal: Rehearsal, outlets: Outlets, stopping: threading.Event, say: Callable[[str], None]
) -> None:
    """Wait for a listener, then play to the end or until stopping; say prints what to type meanwhile.

    raises  ValueError for a name that is not in scenario_names()
    """
    plan = scenario(rehearsal.name)
    say(opening(plan, outlets))
    while not outlets.listened_to:
        if stopping.wait(LOOK_s):
            return
    say("Somebody listens: the visit begins.")
    if stopping.wait(SETTLE_s):
        return
    bridge = RehearsedBridge(rehearsal.buttons)
    outlets.send(bridge.identity(0))
    start_ns: int | None = None
    for frame in _played(rehearsal, stopping):
        start_ns = frame.at_ns if start_ns is None else start_ns
        step = bridge.step(frame)
        for line in step.lines:
            outlets.send(line)
        minutes, seconds = divmod(round((frame.at_ns - start_ns) / NS_PER_S), 60)
        for cue in step.cues:
            say(f"{minutes:3d}:{seconds:02d}  type: {cue}")
    if not stopping.is_set():
        say("The simulated visit is over.")


def _played(rehearsal: Rehearsal, stopping: threading.Event) -> Iterator[RawFrame]:
    frames = simulate(rehearsal.name, rehearsal.seed)
    for frame in paced(frames, rehearsal.speed, lambda seconds: not stopping.wait(seconds)):
        if stopping.is_set():
            return
        yield frame


def opening(plan: Scenario, outlets: Outlets) -> str:
    """What is rehearsed, and what to type in another terminal."""
    feet = ",".join(one.foot.value for one in plan.feet)
    material = "" if plan.material_profile == "standard" else f" --material {plan.material_profile}"
    command = (
        f"hoofsense visit --rehearsal --horse {shlex.quote(plan.horse)} --feet {feet}{material} "
        f"--no-bluetooth --serial {outlets.url}"
    )
    lines = [
        f"{plan.name} (invented): {plan.summary}.",
        "It begins when a visit listens. In another terminal type:",
        "",
        f"  {command}",
        "",
    ]
    if outlets.terminal is not None:
        lines += [f"or, over the pseudo-terminal, with --serial {outlets.terminal} instead.", ""]
    lines.append(
        "Foot, spot and heat come from the bridge's buttons; type the words shown here into the visit."
    )
    return "\n".join([*lines, "Ctrl-C ends."])
