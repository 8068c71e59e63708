"""`tallywell station pair`: lets a tablet, a phone or another computer open the station's page."""

from typing import Annotated

import typer

from cli import options
from cli.daemon import running_station
from cli.errors import NOT_NOW, RefusedError
from cli.show import local_time, say, say_json
from cli.target import config_path, find_target


def pair(
    config: options.Config = None,
    forget: Annotated[
        bool, typer.Option("--forget", help="End every pairing so far: a tablet was lost, or lent.")
    ] = False,
    as_json: options.Json = False,
) -> None:
    """Show a code that pairs a tablet with the page.

    Open the page on the tablet and type the code: it is good for 15 minutes, for any number of devices. A paired device
    stays paired for session_days of [page], also over a restart of the station.
    """
    import time
    from datetime import UTC, datetime

    from ingest.station_file import StationFile
    from ingest.toml_file import load_toml
    from station.addresses import page_addresses
    from station.pairing import CODE_GOOD_S, ForeignUserError, new_code

    target = find_target(config, None)
    settings = load_toml(config_path(config), StationFile).page
    if not settings.on:
        raise RefusedError("This station has no page: its file says on = false in [page].")
    with running_station(target.database) as client:
        if client is None:
            raise RefusedError("No station runs: start it with tallywell station run STATION.toml.", NOT_NOW)
    now_s = time.time()
    try:
        code = new_code(target.database, now_s, forget=forget)
    except ForeignUserError as refused:
        raise RefusedError(str(refused)) from None
    until = datetime.fromtimestamp(now_s + CODE_GOOD_S, UTC).isoformat(timespec="seconds")
    until = until.replace("+00:00", "Z")
    addresses = page_addresses(settings, settings.port) if settings.port else []
    if as_json:
        say_json({"code": code, "until": until, "addresses": addresses, "network": settings.network})
        return
    where = " or ".join(addresses) or "the address that the station said at its start"
    say(f"Open {where} on the device and type the code")
    say(f"\n    {code}\n")
    say(f"It is good until {local_time(until, target.zone)} ({target.zone_name}).")
    if forget:
        say("Every device that was paired before must pair again.")
    if not settings.network:
        say("Only this computer can open the page: network = true in [page] lets tablets in.")
