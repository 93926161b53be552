"""The command line. Every command imports what it needs when it runs, so that --help answers at once."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from hoofsense.collector import Collector

EXIT_FAULT = 2  # bad input: one sentence on standard error
EXIT_DIFFERENT = 1  # not as it should be: other verdicts than recorded, a check not passed
DEFAULT_PORT = 8050
REHEARSAL_PORT = 8051


class Fault(click.ClickException):
    """Bad input or a missing thing: one sentence, no traceback."""

    exit_code = EXIT_FAULT

    def show(self, file: Any = None) -> None:
        click.echo(f"hoofsense: {self.format_message()}", err=True)


@contextlib.contextmanager
def faults_in_one_sentence() -> Iterator[None]:
    """The errors a person can act on, in one sentence; anything else is a bug and keeps its traceback."""
    from hoofsense.sources.link import LinkError
    from hoofsense.sources.recording import RecordingError
    from hoofsense.store import StoreError

    try:
        yield
    except (StoreError, RecordingError, LinkError) as why:
        raise Fault(str(why)) from why


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="hoofsense")
def main() -> None:
    """Tells when a sole is dry enough to pour, how long a fill can be worked, and when it has cured."""


_store = click.option("--store", "store_path", type=click.Path(path_type=Path), help="Where visits are kept.")
_json = click.option(
    "--json", "as_json", is_flag=True, help="For machines: one JSON object on standard output."
)
_page = click.option("--page/--no-page", default=False, help="Show it on the page too; Ctrl-C ends.")
_port = click.option("--port", type=click.IntRange(0, 65535), default=DEFAULT_PORT, show_default=True)
_lan = click.option("--lan", is_flag=True, help="Let phones on this network open the page (plain HTTP).")
_speed = click.option(
    "--speed",
    type=click.FloatRange(0.0, min_open=True),
    help="1 is as it happened, 60 a minute a second; as fast as possible if not given.",
)


@main.command()
@click.argument("recording")
@_speed
@_page
@_port
@_lan
@_json
def replay(recording: str, speed: float | None, page: bool, port: int, lan: bool, as_json: bool) -> None:
    """Replay a RECORDING (a demo's name or a folder) and sum it up: verdicts, measurements, warnings."""
    from hoofsense.replaying import replay_recording

    with faults_in_one_sentence():
        outcome = replay_recording(
            recording, speed=speed, as_json=as_json, shown_on=_page_shown(page, port, lan, as_json)
        )
    click.echo(outcome.as_json() if as_json else outcome.as_text())
    if outcome.differences:
        sys.exit(EXIT_DIFFERENT)


@main.command()
@click.argument("scenario", required=False)
@click.option("--seed", type=int, default=1, show_default=True)
@click.option("--save", type=click.Path(path_type=Path), help="Save it as a recording in this new folder.")
@_store
@_speed
@_page
@_port
@_lan
@_json
def simulate(
    scenario: str | None,
    seed: int,
    save: Path | None,
    store_path: Path | None,
    speed: float | None,
    page: bool,
    port: int,
    lan: bool,
    as_json: bool,
) -> None:
    """Simulate a whole visit (invented data). Without a SCENARIO, list them."""
    from hoofsense.replaying import run_simulation
    from hoofsense.sources.simulated import scenario_names

    names = scenario_names()
    if scenario is None:
        click.echo("\n".join(names))
        return
    if scenario not in names:
        raise Fault(f"there is no scenario {scenario!r}: choose one of {', '.join(names)}")
    with faults_in_one_sentence():
        outcome = run_simulation(
            scenario,
            seed,
            speed=speed,
            as_json=as_json,
            save=save,
            store_path=store_path,
            shown_on=_page_shown(page, port, lan, as_json),
        )
    click.echo(outcome.as_json() if as_json else outcome.as_text())


@main.command()
@click.argument("scenario", required=False)
@click.option("--seed", type=int, default=1, show_default=True)
@click.option("--port", type=click.IntRange(0, 65535), default=REHEARSAL_PORT, show_default=True)
@click.option("--pty", is_flag=True, help="Offer a pseudo-terminal too, as a serial port would be.")
@click.option("--buttons/--no-buttons", default=True, help="Foot, spot and heat from the bridge, or typed.")
def rehearse(scenario: str | None, seed: int, port: int, pty: bool, buttons: bool) -> None:
    """Play a SCENARIO's instruments live, for a visit in another terminal. Without one, list them."""
    from hoofsense.sources.simulated_scenarios import scenario_names

    if scenario is None:
        click.echo("\n".join(scenario_names()))
        return
    from hoofsense.rehearsing import Outlets, Rehearsal
    from hoofsense.rehearsing import rehearse as play

    with faults_in_one_sentence(), _told_to_stop() as stopping:
        outlets = Outlets(port, pty)
        try:
            play(Rehearsal(scenario, seed, buttons), outlets, stopping, click.echo)
        except ValueError as why:
            raise Fault(str(why)) from why
        finally:
            outlets.close()


@main.command()
@click.option("--horse", help="Whose feet. Needed unless a visit is being taken up again.")
@click.option("--practice", default="", help="Your practice's name.")
@click.option("--feet", default="LF,RF", show_default=True, help="Which feet: LF, RF, LH, RH.")
@click.option("--material", default="standard", show_default=True, help="Material profile: a name or a file.")
@click.option(
    "--serial", "ports", multiple=True, help="A serial port or socket://host:port; may be repeated."
)
@click.option(
    "--keyboard",
    "keyboards",
    multiple=True,
    help="A caliper's keyboard cable under /dev/input; may be repeated.",
)
@click.option(
    "--gauge-unit", type=click.Choice(["mm", "in"]), help="Unit of gauges and keyboard cables that send none."
)
@click.option("--bluetooth/--no-bluetooth", default=True, show_default=True)
@click.option("--rehearsal", is_flag=True, help="Label it as invented and keep it in a store of its own.")
@click.option("--close-open", is_flag=True, help="End a visit that was left open, then begin this one.")
@click.option(
    "--table", type=click.Path(path_type=Path), help="Read a table of lengths in: foot,site,value,unit."
)
@click.option("--page/--no-page", default=True, show_default=True)
@_store
@_port
@_lan
def visit(**options: Any) -> None:
    """Run a visit live: collect, compute, record, and show it. Type help for the words it understands."""
    from hoofsense.live_visit import run_live_visit

    page = options.pop("page")
    shown_on = _page_shown(page, options.pop("port"), options.pop("lan"), False)
    with faults_in_one_sentence():
        try:
            run_live_visit(shown_on=shown_on, **options)
        except ValueError as why:
            raise Fault(str(why)) from why


@main.command()
@click.option("--seconds", type=click.FloatRange(0.1, 120), default=8.0, show_default=True)
@click.option("--role", "roles", multiple=True, help="ID=role: sole, air, caliper, button, bridge or none.")
@click.option("--key", "keys", multiple=True, help="ID=key of an encrypted beacon, 32 hex digits.")
@click.option("--forget", multiple=True, help="ID of an instrument to forget.")
@click.option("--bluetooth/--no-bluetooth", default=True, show_default=True)
@_store
@_json
def instruments(
    seconds: float,
    roles: tuple[str, ...],
    keys: tuple[str, ...],
    forget: tuple[str, ...],
    bluetooth: bool,
    store_path: Path | None,
    as_json: bool,
) -> None:
    """List the instruments that can be heard now and those remembered; give one its role or key."""
    from hoofsense.instruments_near import heard_now, instruments_near, instruments_remembered
    from hoofsense.sources.instrument_list import read_instrument_list
    from hoofsense.store import known_instruments_path

    known_path = known_instruments_path(store_path)
    with faults_in_one_sentence():
        try:
            if not (roles or keys or forget):
                click.echo(instruments_near(seconds, as_json, known_path, bluetooth))
                return
            from hoofsense.pairing import pair

            known = read_instrument_list(known_path)
            told = pair(known_path, roles, keys, forget, lambda: heard_now(seconds, known, bluetooth)[0])
        except (ValueError, OSError) as why:
            raise Fault(str(why)) from why
    for sentence in told:
        click.echo(sentence, err=as_json)
    click.echo(instruments_remembered(known_path, as_json))


@main.command()
@click.option("--bluetooth/--no-bluetooth", default=True, show_default=True)
@_store
@_port
@_json
def check(bluetooth: bool, store_path: Path | None, port: int, as_json: bool) -> None:
    """Check this computer before a visit: Bluetooth, ports, store, clock, space, instruments."""
    from hoofsense import computer_check

    findings = computer_check.check_computer(store_path, bluetooth, port)
    click.echo(computer_check.as_json(findings) if as_json else computer_check.as_text(findings))
    if not computer_check.is_ready(findings):
        sys.exit(EXIT_DIFFERENT)


@main.command("caliper-check")
@click.option("--block", "block_mm", type=float, required=True, help="Size of your gauge block, mm.")
@click.option("--serial", "port", help="The caliper's serial port or socket://host:port.")
@click.option("--keyboard", help="The caliper's keyboard cable under /dev/input.")
@click.option("--bluetooth", help="The caliper's Bluetooth bridge, as hoofsense instruments lists it.")
@click.option("--gauge-unit", type=click.Choice(["mm", "in"]), help="Its unit, when it sends none.")
@_store
def caliper_check(
    block_mm: float,
    port: str | None,
    keyboard: str | None,
    bluetooth: str | None,
    gauge_unit: str | None,
    store_path: Path | None,
) -> None:
    """Check a caliper with zero, a gauge block, a negative and the inch key before it is trusted."""
    from hoofsense.caliper_checking import CaliperLink, check_caliper
    from hoofsense.store import known_instruments_path

    unit = {"mm": "mm", "in": "[in_i]", None: None}[gauge_unit]
    with faults_in_one_sentence():
        try:
            link = CaliperLink(port, keyboard, bluetooth, unit)
            passed = check_caliper(link, block_mm, known_instruments_path(store_path))
        except (ValueError, OSError) as why:
            raise Fault(str(why)) from why
    if not passed:
        sys.exit(EXIT_DIFFERENT)


@main.command()
@click.argument("visit_id", required=False)
@click.option(
    "--save", type=click.Path(path_type=Path), help="Save the visit as a recording in this new folder."
)
@click.option(
    "--table", type=click.Path(path_type=Path), help="Save its caliper readings in this new CSV file."
)
@_store
@_json
def visits(
    visit_id: str | None, save: Path | None, table: Path | None, store_path: Path | None, as_json: bool
) -> None:
    """Show past visits; with a VISIT_ID, that visit's verdicts again from its raw frames."""
    from hoofsense.past_visits import one_visit, visits_listed

    with faults_in_one_sentence():
        if visit_id is None:
            click.echo(visits_listed(store_path, as_json))
            return
        outcome = one_visit(store_path, visit_id, save, table)
    click.echo(outcome.as_json() if as_json else outcome.as_text())


@main.command()
@click.argument("what")
@_store
@_port
@_lan
def page(what: str, store_path: Path | None, port: int, lan: bool) -> None:
    """Start the page on WHAT: a recording's name or folder, or the id of a past visit."""
    from hoofsense.past_visits import show_on_page

    with faults_in_one_sentence():
        show_on_page(what, store_path, _page_shown(True, port, lan, False))


@main.command()
@click.argument("profile", required=False)
@_json
def materials(profile: str | None, as_json: bool) -> None:
    """List the material profiles; with a PROFILE (name or file), its cure table and its assumptions."""
    from hoofsense.cure_tables import profile_told, profiles_listed

    try:
        click.echo(profiles_listed(as_json) if profile is None else profile_told(profile, as_json))
    except ValueError as why:
        raise Fault(str(why)) from why


@main.command()
@click.argument("profile")
@click.option("--save", type=click.Path(path_type=Path), help="Save the calibrated profile as this new file.")
@click.option(
    "--plot", type=click.Path(path_type=Path), help="Save predicted against checked as an HTML page."
)
@click.option("--invented", is_flag=True, help="Learn from simulated and rehearsed visits too.")
@_store
@_json
def calibrate(
    profile: str, save: Path | None, plot: Path | None, invented: bool, store_path: Path | None, as_json: bool
) -> None:
    """Calibrate a PROFILE (name or file) from the touch checks of every past pour on record."""
    from hoofsense import calibrating

    def on_visit(number: int, count: int) -> None:
        if sys.stderr.isatty():
            click.echo(f"\rreading visit {number} of {count}", err=True, nl=number == count)

    for path in (save, plot):
        if path is not None and path.exists():
            raise Fault(f"{path} is there already: give a new name")
    with faults_in_one_sentence():
        try:
            lesson = calibrating.calibrate(profile, store_path, invented=invented, on_visit=on_visit)
            if save is not None:
                calibrating.save(lesson, save)
            if plot is not None:
                from dashboards.figures_cure import write_checked_page

                write_checked_page(plot, lesson.before.name, lesson.calibration.checked)
        except OSError as why:
            raise Fault(f"{why.filename} cannot be written ({why.strerror}): choose another place") from why
        except ValueError as why:
            raise Fault(str(why)) from why
    click.echo(lesson.as_json() if as_json else lesson.as_text())


@main.command()
@click.option("--material", default="standard", show_default=True, help="Material profile: a name or a file.")
@click.option("--air", "air_degC", type=float, required=True, help="Air temperature, °C.")
@click.option("--sole", "sole_degC", type=float, required=True, help="Temperature of the sole, °C.")
@click.option(
    "--material-temperature", "material_degC", type=float, required=True, help="Of the material, °C."
)
@click.option(
    "--thickness", "thickness_mm", type=float, default=8.0, show_default=True, help="Of the fill, mm."
)
@click.option("--cover", type=click.Choice(["none", "film", "insulated"]), default="film", show_default=True)
@click.option("--wind", "wind_m_per_s", type=click.FloatRange(0, 30), help="Wind at the foot, m/s.")
@_json
def predict(material: str, **conditions: Any) -> None:
    """Predict a pour before it is made: working time, trim, load, the slowest place, and what helps most."""
    from hoofsense.cure_tables import pour_told

    try:
        click.echo(pour_told(material, **conditions))
    except ValueError as why:
        raise Fault(str(why)) from why


@contextlib.contextmanager
def _told_to_stop() -> Iterator[threading.Event]:
    """An event that Ctrl-C, or a request to end, sets."""
    stopping = threading.Event()
    before = {ending: signal.getsignal(ending) for ending in (signal.SIGINT, signal.SIGTERM)}
    for ending in before:
        signal.signal(ending, lambda *_: stopping.set())
    try:
        yield stopping
    finally:
        for ending, handler in before.items():
            signal.signal(ending, handler)


@main.command()
@click.argument("table", type=click.Path(path_type=Path))
@click.option("--foot", "feet", multiple=True, type=click.Choice(["LF", "RF", "LH", "RH"]))
@click.option("--material", default="standard", show_default=True, help="Material profile: a name or a file.")
@click.option("--practice", default="", help="Whose settings; those of every practice if not given.")
@click.option("--air", "air_degC", type=float, help="Air temperature, °C.")
@click.option("--sole", "sole_degC", type=float, help="Temperature of the sole, °C.")
@click.option("--material-temperature", "material_degC", type=float, help="Of the material, °C.")
@click.option("--wind", "wind_m_per_s", type=click.FloatRange(0, 30), help="Wind at the foot, m/s.")
@click.option("--share", "share_percent", type=float, help="How much of the depth to fill, %.")
@click.option("--trim", "trim_mm", type=float, help="What is taken off the wall, mm.")
@click.option("--order", type=click.Choice(["pour before trim", "trim before pour"]))
@_store
@_json
def plan(
    table: Path,
    feet: tuple[str, ...],
    material: str,
    practice: str,
    air_degC: float | None,
    sole_degC: float | None,
    wind_m_per_s: float | None,
    store_path: Path | None,
    as_json: bool,
    **wishes: Any,
) -> None:
    """Plan a pour from a TABLE of lengths (CSV: foot,site,value,unit): how much, how thick, how long."""
    from hoofsense.planning import table_planned
    from hoofsense.practice_file import practice_named, practices_path
    from hoofsense.practice_settings import wishes_from
    from hoofsense.records import Foot

    try:
        settings, _ = practice_named(practices_path(store_path), practice)
        told = table_planned(
            table, [Foot(name) for name in feet], material, settings, wishes_from(wishes),
            air_degC, sole_degC, wind_m_per_s, as_json,
        )  # fmt: skip
    except ValueError as why:
        raise Fault(str(why)) from why
    click.echo(told)


@main.command()
@click.argument("name", default="")
@click.option("--before-pour", help="Sites in the order you measure them, with commas between.")
@click.option("--after-trim", help="The same for after the trim.")
@click.option("--set", "numbers", multiple=True, help="NAME=VALUE of a pouring setting; may be repeated.")
@click.option("--target", "targets", multiple=True, help="PAIR=DIFFERENCE,TOLERANCE in mm.")
@click.option("--forget", is_flag=True, help="Go back to the usual way.")
@_store
@_json
def practice(
    name: str,
    before_pour: str | None,
    after_trim: str | None,
    numbers: tuple[str, ...],
    targets: tuple[str, ...],
    forget: bool,
    store_path: Path | None,
    as_json: bool,
) -> None:
    """Show or set how practice NAME measures and pours; without a NAME, every practice."""
    import json

    from hoofsense import practice_file
    from hoofsense.practice_settings import settings_fields

    path = practice_file.practices_path(store_path)
    try:
        settings, origin = practice_file.practice_named(path, name)
        if forget:
            practice_file.write_practice(path, name, None)
        elif before_pour is not None or after_trim is not None or numbers or targets:
            changed = practice_file.changed_settings(settings, before_pour, after_trim, numbers, targets)
            practice_file.write_practice(path, name, changed)
        settings, origin = practice_file.practice_named(path, name)
    except (ValueError, OSError) as why:
        raise Fault(str(why)) from why
    if as_json:
        click.echo(json.dumps(settings_fields(settings), ensure_ascii=False, indent=1))
    else:
        click.echo(practice_file.settings_text(name, settings, origin, path))


PageShown = Callable[["Collector"], contextlib.AbstractContextManager[threading.Event]]


def _page_shown(page: bool, port: int, lan: bool, quiet: bool) -> PageShown | None:
    """A context in which the page of a collector is served; None when no page was asked for."""
    if not page:
        return None

    @contextlib.contextmanager
    def shown(collector: Collector) -> Iterator[threading.Event]:
        from dashboards.server import ServerError, serve

        stopping = threading.Event()

        def open_ready(address: str) -> None:
            if not quiet:
                click.echo(f"The page is open at {address} (Ctrl-C ends).")

        def link_ready(link: str) -> None:
            click.echo(f"For one more phone, once: {link}")
            click.echo("Plain HTTP: anyone on this network can read what is shown.")

        secret = _page_secret() if lan else None
        try:
            server = serve(
                collector, port=port, lan=lan, open_ready=open_ready, link_ready=link_ready, secret=secret
            )
        except ServerError as why:
            raise Fault(str(why)) from why
        try:
            yield stopping
        finally:
            server.stop()

    return shown


def _page_secret() -> bytes:
    """What signs the sessions of phones, kept for this person alone: they stay let in after a restart."""
    from hoofsense.store import default_store_path

    path = default_store_path().parent / "page.key"
    path.parent.mkdir(parents=True, exist_ok=True)
    with contextlib.suppress(FileExistsError):
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(os.urandom(32))
    return path.read_bytes()


if __name__ == "__main__":
    main()
