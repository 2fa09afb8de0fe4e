"""The command `serve`."""

from __future__ import annotations

import getpass
from pathlib import Path

import click


@click.command(epilog="Example: kinshoal serve --demo practice")
@click.argument("records", required=False)
@click.option(
    "--demo",
    type=click.Path(path_type=Path),
    help="Make the practice programme here if it is missing, and open it.",
)
@click.option("--tiny", is_flag=True, help="With --demo: the small practice programme.")
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Address to listen on; others than this machine sign in.",
)
@click.option("--port", type=click.IntRange(0, 65535), default=8617, show_default=True, help="Port.")
@click.option("--name", "names", multiple=True, help="Further name of this machine on the network.")
@click.option(
    "--work", type=click.Path(path_type=Path), help="Folder for plans and sheets; default beside the records."
)
@click.option(
    "--person",
    metavar="NAME=ROLE",
    help="Give a person a password and a role (view, enter, approve), then end.",
)
def serve(
    records: str | None,
    demo: Path | None,
    tiny: bool,
    host: str,
    port: int,
    names: tuple[str, ...],
    work: Path | None,
    person: str | None,
) -> int:
    """Open the records in a browser on this machine: no internet is used and nothing leaves it.

    RECORDS is a register (records can be entered) or a folder (read only). With --host 0.0.0.0 other machines of the
    hatchery's network can sign in; give people a password with --person first.
    """
    from broodstock.errors import UsageError
    from planner.web.desk import LOCAL
    from planner.web.security import Keys

    place = _place(records, demo, tiny)
    folder = (
        work or Path(place).resolve().parent / f"{Path(place).stem}-work"
        if "://" not in place
        else work or Path("kinshoal-work")
    )
    keys = Keys(folder / "people.json")
    if person is not None:
        name, sign, role = person.partition("=")
        if not sign:
            raise UsageError(f"--person: found {person!r}. Expected NAME=ROLE, for example keeper=enter.")
        try:
            keys.set(name, role, getpass.getpass(f"Password for {name}: "))
        except ValueError as error:
            raise UsageError(str(error)) from None
        click.echo(f"{name} can sign in with the role {role}.")
        return 0
    open_to_network = host not in LOCAL
    if open_to_network and not keys.people():
        raise UsageError(
            f"--host {host}: found nobody who can sign in. Give at least one person a password first: "
            f"kinshoal serve {place} --person NAME=approve"
        )
    import uvicorn

    from planner.web.app import create_app

    hosts = (*LOCAL, host, *names)
    app = create_app(place, folder, hosts=hosts, open_to_network=open_to_network)
    click.echo(
        f"Kinshoal: http://{'localhost' if host in LOCAL else host}:{port}   (stop with Ctrl-C)", err=True
    )
    uvicorn.run(app, host=host, port=port, log_level="warning", server_header=False)
    return 0


def _place(records: str | None, demo: Path | None, tiny: bool) -> str:
    """Return what to open."""
    from broodstock.errors import UsageError
    from planner.tasks.registers import is_register

    if (records is None) == (demo is None):
        raise UsageError("serve: found neither or both of RECORDS and --demo. Expected one of them.")
    if demo is not None:
        from planner.tasks.demo_records import practice_place

        click.echo(f"Opening the practice programme in {demo}", err=True)
        return practice_place(demo, tiny)
    assert records is not None
    if not is_register(records) and not Path(records).is_dir():
        raise UsageError(
            f"serve: found no records at {records!r}. Expected a register or a folder of records."
        )
    return records
