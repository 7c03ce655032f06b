"""`drumtune log`: what was read, advised and turned, round by round; settings saved; the log itself looked after."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drumtune.cli import drums

NUMBER = Annotated[int, typer.Argument(help="Number of the take, as drumtune log list gives it.", show_default=False)]
ONE_DRUM = Annotated[str | None, typer.Option("--drum", help="Only this drum.")]
JSON = Annotated[bool, typer.Option("--json", help="Print the answer as JSON and nothing else.")]
EXPORT_HELP = "A .json file for one text, or the name of a new folder for one CSV file per table."
YES = Annotated[bool, typer.Option("--yes", help="Really delete: there is no way back.")]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(help="Rounds and saved settings of your drums, kept and learned from.", no_args_is_help=True)
    group.command("list")(list_)
    group.command()(show)
    group.command()(learned)
    group.command()(compare)
    group.command()(save)
    group.command()(undo)
    group.command()(redo)
    group.command()(delete)
    group.command()(plot)
    group.command("export")(export)
    group.command("import")(import_)
    group.command()(check)
    group.command()(update)
    app.add_typer(group, name="log")


def list_(
    *,
    drum: ONE_DRUM = None,
    all_: Annotated[bool, typer.Option("--all", help="Undone takes too.")] = False,
    json: JSON = False,
    log: drums.LogFile = None,
) -> None:
    """List takes and saved settings."""
    from drumtune.cli import log_words
    from drumtune.store import opened, queries

    with opened(drums.path(log)) as connection:
        if drum is not None:
            queries.stand(connection, drum)
        entries = queries.entries(connection, drum, undone=all_)
        settings = queries.settings(connection, drum)
    typer.echo(log_words.list_json(entries, settings) if json else log_words.list_text(entries, settings))


def show(number: NUMBER, *, json: JSON = False, log: drums.LogFile = None) -> None:
    """Show one take: what was turned before it, the reading, and the moves that were advised."""
    from drumtune.cli import log_words
    from drumtune.store import opened, queries

    with opened(drums.path(log)) as connection:
        entry = queries.entry(connection, number)
    typer.echo(log_words.entry_json(entry) if json else log_words.entry_text(entry))


def learned(
    drum: Annotated[str, typer.Option("--drum", help="The drum.", show_default=False)],
    *,
    json: JSON = False,
    log: drums.LogFile = None,
) -> None:
    """Say how a drum answers its rods, from all its rounds."""
    import json as writer

    from drumtune.advice.rounds import know
    from drumtune.cli import log_words, round_job, round_words
    from drumtune.store import LogError, opened, queries

    kept = drums.of(drum, log, {})
    with opened(drums.path(log)) as connection:
        entries = queries.entries(connection, stand_id=kept.stand_id)
    if not entries:
        raise LogError(f"nothing was read of {drum!r} yet: drumtune even TAKE --drum {drum}")
    known = know(kept.stand.drum, round_job.chain(entries))
    if json:
        typer.echo(writer.dumps(log_words.learned_document(known), indent=2, allow_nan=False))
    else:
        told = round_words.learned(known) if known.pairs else ["No round with known turns yet: gains are from sizes."]
        typer.echo("\n".join([*told, round_words.now(known), *round_words.troubles(known)]))


def compare(
    first: NUMBER,
    second: Annotated[int, typer.Argument(help="Number of the other take.", show_default=False)],
    *,
    json: JSON = False,
    log: drums.LogFile = None,
) -> None:
    """Compare two takes of a drum, rod by rod and as a whole: from the first to the second."""
    from drumtune.cli import log_words
    from drumtune.store import opened, queries

    with opened(drums.path(log)) as connection:
        pair = queries.entry(connection, first), queries.entry(connection, second)
    typer.echo(log_words.compare_json(*pair) if json else log_words.compare_text(*pair))


def save(
    name: Annotated[str, typer.Argument(help="A name for the setting, such as 'studio March'.", show_default=False)],
    *,
    drum: Annotated[str, typer.Option("--drum", help="The drum.", show_default=False)],
    take: Annotated[int | None, typer.Option(help="The take to save. Left out: the drum's last one.")] = None,
    log: drums.LogFile = None,
) -> None:
    """Save how a drum stands under a name, to be brought back with drumtune even --back-to."""
    from drumtune.store import LogError, changes, opened, queries

    if not name.strip() or len(name) > 60 or not name.isprintable():
        raise LogError(f"a setting's name is a few words, got {name!r:.60}")
    with opened(drums.path(log), writing=True, new=False) as connection:
        kept = queries.stand(connection, drum)
        numbers = queries.numbers(connection, drum, stand_id=kept.stand_id)
        if take is None and not numbers:
            raise LogError(f"nothing was read of {drum!r} yet: drumtune even TAKE --drum {drum}")
        number = numbers[-1][0] if take is None else take
        changes.save_setting(connection, drum, name.strip(), number)
    typer.echo(f"{name.strip()}: take {number} of {drum}, saved")


def undo(*, drum: ONE_DRUM = None, log: drums.LogFile = None) -> None:
    """Set the last take aside, as if it had not been made; redo brings it back."""
    from drumtune.store import changes, opened

    with opened(drums.path(log), writing=True, new=False) as connection:
        number = changes.undo(connection, drum)
    typer.echo(f"take {number} set aside: drumtune log redo brings it back")


def redo(*, drum: ONE_DRUM = None, log: drums.LogFile = None) -> None:
    """Bring the take undone last back."""
    from drumtune.store import changes, opened

    with opened(drums.path(log), writing=True, new=False) as connection:
        number = changes.redo(connection, drum)
    typer.echo(f"take {number} is back")


def delete(
    number: Annotated[list[int] | None, typer.Argument(help="Numbers of takes.")] = None,
    *,
    setting: Annotated[str | None, typer.Option(help="A saved setting instead, of --drum.")] = None,
    drum: ONE_DRUM = None,
    yes: YES = False,
    log: drums.LogFile = None,
) -> None:
    """Delete takes, or a saved setting, for good."""
    from drumtune.store import LogError, changes, opened

    numbers = list(dict.fromkeys(number or []))
    if bool(numbers) == (setting is not None) or (setting is not None and drum is None):
        raise LogError("say what to delete: numbers of takes, or --setting NAME with --drum NAME")
    if not yes:
        raise LogError("deleting has no way back: say --yes, or use drumtune log undo to set the last take aside")
    with opened(drums.path(log), writing=True, new=False) as connection:
        if setting is not None and drum is not None:
            changes.delete_setting(connection, drum, setting)
        else:
            changes.delete(connection, numbers)
    typer.echo(f"deleted: {setting if setting is not None else ', '.join(f'take {one}' for one in numbers)}")


def plot(
    picture: Annotated[Path, typer.Argument(help="A .png, .svg or .pdf file.", show_default=False)],
    *,
    drum: Annotated[str, typer.Option("--drum", help="The drum.", show_default=False)],
    log: drums.LogFile = None,
) -> None:
    """Draw a drum's rounds: spread, pull per rod, and pitch over the months."""
    from drumtune.cli import options, round_job
    from drumtune.files import check_picture
    from drumtune.store import LogError, opened, queries

    options.check_outputs((picture,))
    check_picture(picture)
    with opened(drums.path(log)) as connection:
        queries.stand(connection, drum)
        entries = queries.entries(connection, drum)
    if not entries:
        raise LogError(f"nothing was read of {drum!r} yet: drumtune even TAKE --drum {drum}")
    from drumtune.plots.log import overview
    from drumtune.plots.style import save as write

    write(overview(drum, round_job.history(entries)), picture)
    typer.echo(f"wrote {picture}")


def export(
    to: Annotated[Path, typer.Argument(help=EXPORT_HELP, show_default=False)], *, log: drums.LogFile = None
) -> None:
    """Write the whole log as text: JSON, or CSV tables. Import reads either back to the same log."""
    from drumtune.cli import options
    from drumtune.files import written
    from drumtune.store import exchange, opened

    one_file = to.suffix.lower() == ".json"
    if one_file:
        options.check_outputs((to,))
    with opened(drums.path(log)) as connection:
        content, columns = exchange.tables(connection), exchange.column_names(connection)
    if one_file:
        with written(to) as temporary:
            temporary.write_text(exchange.as_json(content), encoding="utf-8", newline="")
    else:
        exchange.write_folder(to, content, columns)
    rows = sum(len(table) for table in content.values())
    typer.echo(f"wrote {to}: {len(content['takes'])} takes, {rows} rows in {len(content)} tables")


def import_(
    source: Annotated[Path, typer.Argument(help="What log export wrote.", show_default=False)],
    *,
    log: drums.LogFile = None,
) -> None:
    """Make a log from an export, where there is none yet (name a new one with --log)."""
    from drumtune.store import exchange
    from drumtune.store.file import told

    target = drums.path(log)
    content = exchange.read_export(source)
    with told(target, writing=True):
        exchange.build(target, content)
    typer.echo(f"made {target}: {len(content['takes'])} takes")


def check(*, log: drums.LogFile = None) -> None:
    """Check that the log's file is sound and whole."""
    from drumtune.store import LogError, opened, queries

    target = drums.path(log)
    with opened(target) as connection:
        faults = queries.faults(connection)
        takes = len(queries.numbers(connection, undone=True))
        drums_known = len(queries.stands(connection))
    if faults:
        raise LogError(f"the log {target} has {len(faults)} faults, the first: {faults[0]}; put a copy back")
    typer.echo(f"{target} is sound: {drums_known} drum{'s' * (drums_known != 1)}, {takes} take{'s' * (takes != 1)}")


def update(*, log: drums.LogFile = None) -> None:
    """Bring an older log up to this version; a copy of it is kept beside."""
    from drumtune.store.file import bring_up

    target = drums.path(log)
    bring_up(target)
    typer.echo(f"{target} is up to date")
