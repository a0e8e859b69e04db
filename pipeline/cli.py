"""The command line: what each command asks for, and how it tells what came out."""

import json
import logging
import os
from pathlib import Path
from typing import Annotated

import typer

from paddlebrief.errors import PaddlebriefError
from paddlebrief.version import __version__

__all__ = ["app", "main"]

EXIT_CODES = (
    "Exit codes: 0 all recordings were worked (also when they hold no stroke); "
    "2 the command or its settings cannot be used; "
    "3 some recordings could not be worked, the others were; "
    "4 no recording could be worked; 130 stopped from the keyboard."
)

app = typer.Typer(
    name="paddlebrief",
    help="Overnight stroke briefs from pickleball practice video: one PDF a player, every number "
    "with its uncertainty or the reason why it is missing.",
    epilog=EXIT_CODES,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

Paths = Annotated[
    list[Path], typer.Argument(metavar="PATH...", help="Recordings or session folders.")
]
Out = Annotated[Path, typer.Option("--out", help="Folder for results.", file_okay=False)]
SettingsFile = Annotated[
    Path | None, typer.Option("--settings", help="Settings that differ from config/defaults.yaml.")
]
TargetsFile = Annotated[
    Path | None, typer.Option("--targets", help="What you ask of strokes; see config/targets.yaml.")
]
Database = Annotated[
    str | None,
    typer.Option("--database", help="Records: a file or a URL. Default: records.db in --out."),
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
Verbose = Annotated[bool, typer.Option("--verbose", "-v", help="Tell more on the way.")]


def _version(shown: bool) -> None:
    if shown:
        typer.echo(f"paddlebrief {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    pass


@app.command(epilog=EXIT_CODES)
def run(
    paths: Paths,
    out: Out = Path("paddlebrief-out"),
    settings: SettingsFile = None,
    targets: TargetsFile = None,
    database: Database = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="List what would be worked, and stop.")
    ] = False,
    as_json: Json = False,
    verbose: Verbose = False,
) -> None:
    """Work recordings: find strokes, measure them, write one brief a player.

    Finished work is kept under OUT/work: a second run redoes only what changed.
    """
    from paddlebrief.ranking import load_targets
    from paddlebrief.session import find_recordings
    from paddlebrief.settings import load_settings

    _log(verbose)
    chosen, book = load_settings(settings), load_targets(targets)
    sources = tuple(find_recordings(paths, skip=[out]))
    if dry_run:
        from paddlebrief.console import tell_plan

        tell_plan(sources, out)
        return
    out.mkdir(parents=True, exist_ok=True)
    result = _run_flow(sources, out, database or out / "records.db", chosen, book)
    _tell(result, as_json)
    raise typer.Exit(_exit_code(result))


def _run_flow(sources, out: Path, database, settings, targets):
    from paddlebrief.console import ProgressLines
    from paddlebrief.flows.engine import server_that_ends_with_us
    from paddlebrief.progress import report_to

    with ProgressLines() as lines, report_to(lines):
        lines.begin("starting the workflow engine")
        with server_that_ends_with_us():
            from paddlebrief.flows.brief import RunRequest, brief_recordings

            request = RunRequest(
                sources=sources, out=out, database=database, settings=settings, targets=targets
            )
            return brief_recordings(request)


def _tell(result, as_json: bool) -> None:
    from paddlebrief.console import tell_result
    from paddlebrief.outcome import as_json as plain

    if as_json:
        typer.echo(json.dumps(plain(result), ensure_ascii=False, indent=1))
    else:
        tell_result(result)


def _exit_code(result) -> int:
    failed = sum(o.failed for o in result.outcomes)
    if not failed:
        return 0
    return 3 if failed < len(result.outcomes) else 4


@app.command(epilog=EXIT_CODES)
def check(
    paths: Paths,
    out: Annotated[
        Path, typer.Option("--out", help="Folder for pictures of the court as it was found.")
    ] = Path("paddlebrief-out"),
    settings: SettingsFile = None,
    as_json: Json = False,
    verbose: Verbose = False,
) -> None:
    """Say what recordings allow to be measured, and why not more."""
    from paddlebrief.check import check_recordings
    from paddlebrief.console import ProgressLines, tell_checks
    from paddlebrief.progress import report_to
    from paddlebrief.session import find_recordings
    from paddlebrief.settings import load_settings

    _log(verbose)
    chosen = load_settings(settings)
    with ProgressLines() as lines, report_to(lines):
        reports = check_recordings(find_recordings(paths), chosen, out=out)
    if as_json:
        typer.echo(json.dumps([r.plain() for r in reports], ensure_ascii=False, indent=1))
    else:
        tell_checks(reports)
    bad = sum(r.error is not None for r in reports)
    raise typer.Exit(0 if not bad else 3 if bad < len(reports) else 4)


@app.command()
def models(
    settings: SettingsFile = None,
    fetch: Annotated[
        bool, typer.Option("--fetch/--no-fetch", help="Fetch what is missing (36 MB, once).")
    ] = True,
    as_json: Json = False,
) -> None:
    """Show the model store: fetch what is missing, verify what is there."""
    from paddlebrief import model_store
    from paddlebrief.console import tell_models
    from paddlebrief.settings import load_settings

    folder = load_settings(settings).models.folder
    if fetch:
        model_store.ensure_models(folder)
    stored = model_store.inspect(folder)
    if as_json:
        rows = [
            {"name": m.file.name, "state": m.state, "path": str(m.path), "sha256": m.file.sha256}
            for m in stored
        ]
        typer.echo(json.dumps(rows, indent=1))
    else:
        tell_models(stored)
    if any(m.state != "ready" for m in stored):
        raise typer.Exit(4)


@app.command()
def nightly(
    inbox: Annotated[Path, typer.Argument(help="Folder with session folders and recordings.")],
    cron: Annotated[str, typer.Option("--cron", help="When to run, as five cron fields.")] = (
        "30 1 * * *"
    ),
    timezone: Annotated[str, typer.Option("--timezone", help="IANA name, as Europe/Madrid.")] = (
        "UTC"
    ),
    out: Out = Path("paddlebrief-out"),
    settings: SettingsFile = None,
    targets: TargetsFile = None,
    database: Database = None,
    verbose: Verbose = False,
) -> None:
    """Serve the same work on a schedule over an inbox folder, until stopped."""
    from paddlebrief.flows.nightly import NightlyPlan, serve

    _log(verbose)
    plan = NightlyPlan(
        inbox=inbox,
        cron=cron,
        timezone=timezone,
        out=out,
        settings=settings,
        targets=targets,
        database=database or str(out / "records.db"),
    )
    plan.check()
    typer.echo(f"serving {inbox} at '{cron}' ({timezone}); results go to {out}; stop with Ctrl-C")
    serve(plan)


@app.command()
def cohorts(
    measure: Annotated[
        str, typer.Option("--measure", help="Measure to compare, by its name in measures.csv.")
    ],
    out: Out = Path("paddlebrief-out"),
    database: Database = None,
    kind: Annotated[str | None, typer.Option(help="drive, slice, other or unsure.")] = None,
    side: Annotated[str | None, typer.Option(help="forehand, backhand or unsure.")] = None,
    as_json: Json = False,
) -> None:
    """Compare cohorts in one measure from the records: points, medians, counts."""
    from paddlebrief import cohorts as comparison
    from paddlebrief.errors import StoreError
    from paddlebrief.records import Kind, Side
    from paddlebrief.store import open_database

    place = database or out / "records.db"
    if database is None and not Path(place).is_file():
        raise StoreError(
            "there are no records yet",
            file=place,
            expected="the records of an earlier run",
            todo="run `paddlebrief run` first, or name --out or --database",
        )
    engine = open_database(place)
    try:
        table = comparison.compare(
            engine,
            measure=measure,
            kind=_choice(Kind, kind, "--kind"),
            side=_choice(Side, side, "--side"),
        )
    finally:
        engine.dispose()
    if as_json:
        typer.echo(json.dumps(comparison.as_json(table), ensure_ascii=False, indent=1))
    else:
        typer.echo(comparison.render_text(table))


@app.command(epilog=EXIT_CODES)
def demo(
    out: Out = Path("paddlebrief-demo"),
    settings: SettingsFile = None,
    as_json: Json = False,
    verbose: Verbose = False,
) -> None:
    """Work the practice session that ships with the package, from recording to briefs."""
    from importlib import resources

    with resources.as_file(resources.files("paddlebrief").joinpath("demo")) as folder:
        run([folder], out=out, settings=settings, as_json=as_json, verbose=verbose)


@app.command()
def rehearse(
    scenario: Annotated[
        Path | None, typer.Argument(help="Scenario file; config/rehearsals has examples.")
    ] = None,
    preset: Annotated[
        str | None, typer.Option("--preset", help="A scenario that ships: behind, side, corner.")
    ] = None,
    out: Out = Path("rehearsal"),
    seed: Annotated[
        int | None, typer.Option("--seed", help="Replaces the scenario's seed.")
    ] = None,
    verbose: Verbose = False,
) -> None:
    """Render a make-believe practice session and write everything that is true about it."""
    from paddlebrief.console import ProgressLines
    from paddlebrief.rehearsal.session import rehearse as make

    _log(verbose)
    if (scenario is None) == (preset is None):
        raise typer.BadParameter("name either a scenario file or --preset")
    with ProgressLines() as lines:
        made = make(scenario or preset, out, seed=seed, progress=lines.tell)
    typer.echo(f"session: {made / 'session'}")
    typer.echo(f"truth: {made / 'truth'}")


@app.command()
def grade(
    result: Annotated[Path, typer.Argument(metavar="RESULT", help="Output folder of a run.")],
    truth: Annotated[Path, typer.Option("--truth", help="The rehearsal's truth folder.")],
    json_file: Annotated[
        Path | None, typer.Option("--json", help="File for the grades; printed when left out.")
    ] = None,
) -> None:
    """Compare a result with the truth of its rehearsal."""
    from paddlebrief.rehearsal.grade import grade as compare
    from paddlebrief.store.files import written_whole

    grades = json.dumps(compare(result, truth), ensure_ascii=False, indent=1)
    if json_file is None:
        typer.echo(grades)
        return
    with written_whole(json_file) as beside:
        Path(beside).write_text(grades + "\n", encoding="utf-8")
    typer.echo(f"grades: {json_file}")


def _choice(kind, value: str | None, option: str):
    if value is None:
        return None
    try:
        return kind(value)
    except ValueError:
        known = ", ".join(k.value for k in kind)
        raise typer.BadParameter(f"{value!r}: expected one of {known}", param_hint=option) from None


def _log(verbose: bool) -> None:
    from rich.console import Console
    from rich.logging import RichHandler

    handler = RichHandler(
        console=Console(stderr=True), show_time=False, show_path=False, markup=False
    )
    logging.basicConfig(level=logging.WARNING, format="%(message)s", handlers=[handler])
    logging.getLogger("paddlebrief").setLevel(logging.INFO if verbose else logging.WARNING)


def main() -> None:
    """Entry point: expected failures become one line and an exit code."""
    for name, value in (("YOLO_OFFLINE", "1"), ("YOLO_AUTOINSTALL", "0"), ("DO_NOT_TRACK", "1")):
        os.environ.setdefault(name, value)
    try:
        app()
    except PaddlebriefError as error:
        typer.echo(f"paddlebrief: {error}", err=True)
        raise SystemExit(2) from None
