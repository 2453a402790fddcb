"""The command that opens the page in a browser."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from jarvision.cli.console import say
from jarvision.core.errors import UsageError


def add_to(app: typer.Typer) -> None:
    """Add this command to the command line."""
    settings = {"allow_extra_args": True, "ignore_unknown_options": True}
    app.command(context_settings=settings)(bench)


def bench(
    context: typer.Context,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", hidden=True)] = Path(),
    out: Annotated[
        Path, typer.Option(help="Folder of the results, as read has it.", metavar="FOLDER")
    ] = Path("readings"),
    port: Annotated[
        int, typer.Option(help="Port to listen on; 0 takes a free one.", metavar="NUMBER")
    ] = 0,
    phone: Annotated[
        bool, typer.Option("--phone", help="Let phones in the same network take and send photos.")
    ] = False,
    address: Annotated[
        str,
        typer.Option(
            help="This machine's address in the phones' network, with --phone.", metavar="ADDRESS"
        ),
    ] = "",
    show: Annotated[
        bool, typer.Option("--show/--no-show", help="Open the page in the browser.")
    ] = True,
) -> None:
    """Open a page of a folder's jars, to put lines right by hand.

    FOLDER holds the photos; it is the one that you are in where none is said. Only this machine can
    open it, and nothing leaves it; with --phone, whoever has the link in the same network can,
    until the command ends.

    Options of jarvision read, such as --strip-mm, hold whenever the folder is read. What is put
    right goes to corrections.csv in the folder of results; every read with the same --out uses it.

    The table may be typed, too: columns jar, photo, what and value. What is sand, silt, clay, water
    or floor (value: mm above the inside floor); jar (its name); taken (e.g. 2 h); no jar; outline
    (x and y of five points: upper left, upper right, lower right and lower left end of the walls,
    the floor at the front) or left out (two opposite corners), both in per cent of the photo's
    width and height, parted by blanks. A column sd says how sure a line is, in mm; 0.5 where it is
    missing, and 1 for an outline.
    """
    import secrets
    import webbrowser

    from jarvision.bench.server import listening, own_address, serve
    from jarvision.core.files import shown
    from jarvision.core.own_files import refuse_foreign
    from jarvision.run.one_jar import corrections_elsewhere

    if not folder.is_dir():
        msg = f"{shown(folder.name or str(folder))} is no folder; name the folder of the photos."
        raise UsageError(msg)
    if address and not phone:
        msg = "--address is where phones come in; give it together with --phone."
        raise UsageError(msg)
    options = tuple(context.args)
    _refuse_wrong(context, [str(folder), *options])
    photos = folder.resolve()
    results = out.resolve()
    refuse_foreign(results)
    taken = listening((address or own_address()) if phone else "127.0.0.1", port)
    host, at = taken.getsockname()[:2]
    code = secrets.token_hex(16) if phone else ""
    link = f"http://{host}:{at}/" + (f"?code={code}" if code else "")
    say(f"The page is at {link}")
    if phone:
        say(
            "Whoever in this network has that link can see the photos, send new ones and move "
            "lines, until this command ends. What is sent can be read along in an open network."
        )
    say("It ends with Ctrl-C; what was put right is kept.")
    for note in corrections_elsewhere([folder], out):
        say(note)
    if show:
        webbrowser.open(link)
    serve(photos, results, taken, code=code, phone=phone, options=options)


def _refuse_wrong(context: typer.Context, arguments: list[str]) -> None:
    """Refuse options that `read` does not have before a page is opened on them."""
    parent = context.parent
    command = getattr(parent.command, "commands", {}).get("read") if parent else None
    if command is None:
        return
    command.make_context("read", arguments, parent=parent)
