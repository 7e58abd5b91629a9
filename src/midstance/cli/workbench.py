"""The workbench in a browser, and what is kept by it: accounts, backup, restore, export, erase."""

from __future__ import annotations

import contextlib
import os
import sys
import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from midstance.cli.common import err, faults
from midstance.errors import NotFoundError, OptionError, RecordsError

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from midstance.records.database import Database
    from midstance.records.home import Home
    from midstance.records.tables import RunnerRow

#: Names the data folder where no option does.
DATA_VARIABLE = "MIDSTANCE_DATA"

Data = Annotated[
    Path | None, typer.Option(help="The data folder; your own one if left out.", envvar=DATA_VARIABLE, show_default=False)
]
Url = Annotated[
    str | None, typer.Option(help="Database other than the file in the data folder, by URL.", show_default=False)
]


def serve(
    data: Data = None,
    database: Url = None,
    host: Annotated[str, typer.Option(help="Where to listen; other machines need an account.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="Port to listen on.")] = 8320,
    workers: Annotated[int, typer.Option(help="How many films are worked on side by side.")] = 1,
    phone_port: Annotated[int, typer.Option(help="Port for phones, while you open it; the next one if left out.")] = 0,
    name: Annotated[
        list[str] | None, typer.Option(help="Another name that browsers may call this server by.", show_default=False)
    ] = None,
    certificate: Annotated[Path | None, typer.Option(help="PEM certificate, for https.", show_default=False)] = None,
    key: Annotated[Path | None, typer.Option(help="PEM key of the certificate.", show_default=False)] = None,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open it in a browser.")] = sys.stdout.isatty(),
) -> None:
    """Open the workbench in a browser: films, review, records. It runs on this machine only, until Ctrl-C.

    Example: midstance serve --data ~/running
    """
    with faults():
        from midstance.web.config import Config
        from midstance.web.serve import serve as run

        home = _home(data)
        config = Config(
            home=home,
            database_url=database,
            host=host,
            port=port,
            workers=workers,
            phone_port=phone_port,
            names=tuple(name or ()),
            certificate=certificate,
            key=key,
        )

        if not config.local_only and not config.tls:
            err.print("midstance: without --certificate, films and passwords cross the network unencrypted.", markup=False)

        def ready(address: str) -> None:
            err.print(f"Midstance is open at {address} (data in {home.root}). Ctrl-C ends it.", soft_wrap=True, markup=False)
            if browser:
                webbrowser.open(address)

        run(config, ready)


def account(
    name: Annotated[str | None, typer.Argument(help="Whose account.", show_default=False)] = None,
    remove: Annotated[bool, typer.Option("--remove", help="Take the account away.")] = False,
    data: Data = None,
    database: Url = None,
) -> None:
    """Let somebody sign in from other machines, or give a new password; without a name, list who may.

    Example: midstance account anna
    """
    with faults():
        from midstance.records.accounts import add_account, change_password, list_accounts, remove_account

        _, db = _open(data, database)
        with db.reading() as session:
            there = [a.name for a in list_accounts(session)]
        if name is None:
            for one in there or ["nobody has an account; without one the workbench is open to this machine only"]:
                typer.echo(one)
            return
        if remove:
            with db.writing() as session:
                remove_account(session, name)
            typer.echo(f"{name}: the account is gone, and whoever was signed in with it is signed out.")
            return
        password = _ask_password()
        with db.writing() as session:
            (change_password if name in there else add_account)(session, name, password)
        typer.echo(f"{name}: {'the password is changed' if name in there else 'the account is made'}.")


def _ask_password() -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")  # for scripts
    return str(typer.prompt("Password", hide_input=True, confirmation_prompt=True))


def backup(
    out: Annotated[
        Path | None, typer.Option(help="File or folder to write; the data folder's backups if left out.", show_default=False)
    ] = None,
    data: Data = None,
    database: Url = None,
) -> None:
    """Write everything into one file: records, films, results. The workbench may run meanwhile.

    Example: midstance backup --out /media/stick
    """
    with faults():
        from midstance.records.backup import back_up

        home, db = _open(data, database)
        file = back_up(home, db, out or home.backups, told=lambda line: err.print(f"midstance: {line}", markup=False))
        typer.echo(f"{file}: {file.stat().st_size / 1e6:.1f} MB. Keep it as safe as the films themselves.")


def restore(
    file: Annotated[Path, typer.Argument(help="A backup.")],
    data: Data = None,
    database: Url = None,
) -> None:
    """Put a backup back, into a data folder that is new or empty.

    Example: midstance restore midstance-2026-05-01.zip --data ~/running-again
    """
    with faults():
        from midstance.records import backup as backups

        home = _home(data)
        restored = backups.restore(file, home, database)
        for line in restored.incomplete:
            err.print(f"midstance: {line}", markup=False, soft_wrap=True)
        typer.echo(f"{home.root}: restored. Open it with: midstance serve --data {home.root}")


def export(
    runner: Annotated[str, typer.Argument(help="The runner's name or id.")],
    out: Annotated[Path, typer.Option(help="File or folder to write.")] = Path(),
    data: Data = None,
    database: Url = None,
) -> None:
    """Write all that is kept of one runner into one file, in open formats.

    Example: midstance export "Anna May" --out anna.zip
    """
    with faults():
        from midstance.records.exporting import export_runner

        home, db = _open(data, database)
        with db.reading() as session:
            row = _runner(session, runner)
        file = export_runner(home, db, row.id, out)
        typer.echo(f"{file}: all that is kept of {row.name}.")


def erase(
    runner: Annotated[str, typer.Argument(help="The runner's name or id.")],
    yes: Annotated[bool, typer.Option("--yes", help="Don't ask.")] = False,
    data: Data = None,
    database: Url = None,
) -> None:
    """Remove all that is kept of one runner, for good: records, films, results. Backups and exports are not reached.

    Example: midstance erase "Anna May"
    """
    with faults():
        from midstance.records.erasing import erase_runner
        from midstance.workers.lock import HomeLock
        from midstance.workers.supervisor import take_up

        home, db = _open(data, database)
        with db.reading() as session:
            row = _runner(session, runner)
        if not yes:
            ask = f"All that is kept of {row.name} will be gone. Type the name to go on"
            said = typer.prompt(ask, default="", show_default=False)
            if str(said).strip() != row.name:
                raise OptionError(
                    "the name typed is another one; nothing was erased",
                    where="erase",
                    allowed=f"“{row.name}”",
                    next_step="start again",
                )
        with contextlib.suppress(RecordsError), HomeLock(home):  # fails where a workbench runs, which looks after its jobs
            take_up(home, db)
        erased = erase_runner(home, db, row.id, by=_me())
        for line in erased.lines():
            typer.echo(line)


def _home(data: Path | None) -> Home:
    from midstance.records.home import Home

    if data is None:
        from platformdirs import user_data_path

        data = user_data_path("midstance", appauthor=False)
    return Home(data.expanduser())


def _open(data: Path | None, database: str | None) -> tuple[Home, Database]:
    from midstance.records.schema import open_records

    home = _home(data)
    if not home.root.is_dir():
        raise NotFoundError(
            "there is no data folder",
            where=str(home.root),
            allowed="the folder that `midstance serve` uses",
            next_step="name it with --data, or start the workbench once",
        )
    return home, open_records(home, database)


def _runner(session: Session, wanted: str) -> RunnerRow:
    from sqlalchemy import or_, select

    from midstance.records.tables import RunnerRow

    found = session.scalars(select(RunnerRow).where(or_(RunnerRow.id == wanted, RunnerRow.name == wanted))).all()
    if len(found) == 1:
        return found[0]
    raise NotFoundError(
        f"there {'is no' if not found else 'are several'} “{wanted}”",
        where="runner",
        allowed="the name of one runner, or an id: " + ", ".join(f.id for f in found) if found else "a name from the list",
        next_step="look at the list of runners in the workbench",
    )


def _me() -> str:
    return os.environ.get("USER") or os.environ.get("USERNAME") or "command line"
