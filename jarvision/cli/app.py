"""The command line: options in, text and files out; the only place where errors become text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from jarvision import __version__
from jarvision.cli import bench as cli_bench
from jarvision.cli import classes as cli_classes
from jarvision.cli import compare as cli_class
from jarvision.cli import loading, measures, options
from jarvision.cli import soil as cli_soil
from jarvision.cli import strip as cli_jar
from jarvision.cli import summary as cli_summary
from jarvision.cli import tables as cli_tables
from jarvision.cli.console import prepare_streams, run_quietly, say
from jarvision.cli.dry_run import say_plan
from jarvision.cli.progress import shown_progress, tell_line
from jarvision.core.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from jarvision.core.units import UnitSystem
    from jarvision.estimate.texture_standards import Standard
    from jarvision.run.jars_table import Manifest
    from jarvision.run.outcome import Batch
    from jarvision.run.plan import Plan
    from jarvision.run.video_frames import VideoTiming
    from jarvision.wall.suggest_marks import Offer, TapeEdge

app = typer.Typer(
    name="jarvision",
    help="Read soil settling jars from photos: heights, shares, texture class, and every doubt.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    add_completion=False,
)


def _say_version(wanted: bool) -> None:
    if wanted:
        say(f"jarvision {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool,
        typer.Option("--version", help="Say which version it is.", callback=_say_version),
    ] = False,
) -> None:
    """Read soil settling jars from photos: heights, shares, texture class, and every doubt."""


@app.command()
def read(
    paths: Annotated[list[Path], typer.Argument(metavar="PHOTOS", hidden=True)],
    out: Annotated[Path, typer.Option(help="Folder for the results.", metavar="FOLDER")] = Path(
        "readings"
    ),
    units: options.UnitsOption = None,
    cards: Annotated[
        bool, typer.Option("--cards", help="Print a card for each jar, not a table.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only show which photo goes to which jar.")
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="Read everything anew, also what has not changed.")
    ] = False,
    jars: Annotated[
        Path | None,
        typer.Option(
            help="List of the jars; else each folder's own jars.csv is used.", metavar="FILE"
        ),
    ] = None,
    one_jar: Annotated[bool, typer.Option("--one-jar", help="All photos show one jar.")] = False,
    shaken_at: Annotated[
        str,
        typer.Option(
            help='When the jars were shaken, e.g. "2026-05-04 9:00" or "4 May 9am".',
            metavar="TIME",
        ),
    ] = "",
    strip_mm: Annotated[
        float,
        typer.Option(
            help="What the sheet's 100 mm line measures with a ruler, in mm.", metavar="MM"
        ),
    ] = 100.0,
    soil_g: Annotated[
        float | None, typer.Option(help="Dry soil put in, in g.", metavar="GRAMS")
    ] = None,
    detergent: options.DetergentOption = "",
    temp: measures.TempOption = None,
    water: options.WaterOption = "unknown",
    water_mm: measures.WaterHeight = None,
    origin: options.OriginOption = "topsoil",
    om: Annotated[
        float | None, typer.Option(help="Organic matter of the soil, in %.", metavar="PERCENT")
    ] = None,
    sand_g: options.SandOption = None,
    sediment_g: options.SedimentOption = None,
    hydrometer: options.HydrometerOption = "",
    hydrometer_soil_g: options.HydrometerSoilOption = None,
    hydrometer_blank: options.HydrometerBlankOption = 0.0,
    spoon: options.SpoonOption = "",
    reference: options.ReferenceOption = "",
    soil_mm: measures.SoilHeight = None,
    jar_profile: Annotated[
        str,
        typer.Option(
            help="Inside shape of the jars: a profile's name, or a file of your own.",
            metavar="PROFILE",
        ),
    ] = "",
    jar_mm: Annotated[
        list[str] | None,
        typer.Option(
            help="Outside of the jars, for photos without a strip: outside_diameter=86, in mm.",
            metavar="SIZE",
        ),
    ] = None,
    ruler: Annotated[
        str,
        typer.Option(
            help="What a ruler in photos without a strip shows: mm or inch.", metavar="UNIT"
        ),
    ] = "",
    video_start: Annotated[
        str,
        typer.Option(
            help="How long after shaking videos begin, e.g. 20s or 2h; 0 if unsaid.",
            metavar="TIME",
        ),
    ] = "",
    video_step: Annotated[
        str,
        typer.Option(help="Time between pictures of a time-lapse, e.g. 30s.", metavar="TIME"),
    ] = "",
    marks_from_photo: Annotated[
        bool,
        typer.Option(
            "--marks-from-photo",
            help="Also write marks-from-photos.csv: what pen lines on the glass mark, for compare.",
        ),
    ] = False,
    tape_edge: Annotated[
        str,
        typer.Option(
            help="Which edge of tape on the glass marks a layer: upper or lower.", metavar="EDGE"
        ),
    ] = "",
    classes: Annotated[
        list[str] | None,
        typer.Option(
            help="Also name the classes of usda, uk, fao or german; several by commas.",
            metavar="NAMES",
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            help="Processes that share the work; as many as there are cores if unsaid.",
            metavar="NUMBER",
        ),
    ] = None,
    cluster: Annotated[
        str,
        typer.Option(
            help="Let a Dask cluster do the work, at tcp://HOST:PORT; photos are sent to it.",
            metavar="ADDRESS",
        ),
    ] = "",
    first: Annotated[list[Path] | None, typer.Option(hidden=True)] = None,
    tell: Annotated[bool, typer.Option("--tell", hidden=True)] = False,
) -> None:
    """Read every jar in photos; a folder holds any number of jars.

    PHOTOS are photos or folders of photos. The results are report.html and a page a jar,
    readings.csv, jar-*.json, and the photos with what was read drawn on them. Jars whose photos
    and settings have not changed since the last run are not read again.

    Exit codes: 0 all read, 1 some jars or files could not be read, 2 wrong usage.
    """
    from jarvision.run.pool import one_thread_each

    one_thread_each()  # before the libraries are loaded, so that any number of workers agrees
    with loading():
        from jarvision.core.folder_lock import only_run
        from jarvision.core.own_files import refuse_foreign
        from jarvision.core.units import UnitSystem
        from jarvision.estimate.known import JarFacts
        from jarvision.jar.scale_sources import stated_aids
        from jarvision.run.engine import plan_photos, read_photos
        from jarvision.run.jars_cells import check_facts
        from jarvision.run.settings import Settings

    facts = JarFacts(temp_c=temp, water_mm=water_mm, soil_mm=soil_mm, soil_g=soil_g)
    facts = options.with_words(facts, water=water, detergent=detergent, origin=origin, spoon=spoon)
    facts = replace(facts, organic_matter_pct=om, sand_g=sand_g, sediment_g=sediment_g)
    facts = options.with_hydrometer(facts, hydrometer, hydrometer_soil_g, hydrometer_blank)
    standards = cli_classes.standards_named(classes or [])
    check_facts(facts)
    sizes, paths = _measures_apart(paths, jar_mm or [])
    facts = options.with_reference(facts, reference, paths)
    system = options.unit_system(units)
    settings = Settings(
        _moment(shaken_at),
        one_jar,
        _true_mm(strip_mm),
        facts,
        manifest=_manifest(jars, paths),
        aids=stated_aids(jar_profile=jar_profile, jar_mm=sizes, ruler=ruler),
        tape_edge=_tape_edge(tape_edge),
        system=system or UnitSystem.METRIC,
        video=_video_timing(video_start, video_step),
    )
    _refuse_file(out)
    refuse_foreign(out)
    count = _processes(workers, cluster)
    if dry_run:
        with shown_progress() as progress:
            plan = plan_photos(
                paths, settings, out=out, workers=count, cluster=cluster, progress=progress
            )
        _refuse_nothing(plan)
        raise typer.Exit(_exit_code(say_plan(plan)))
    with only_run(out):
        with shown_progress(told=tell) as progress:
            batch = read_photos(
                paths,
                settings,
                out=out,
                workers=count,
                cluster=cluster,
                again=again,
                first=first or (),
                progress=progress,
            )
        if not first:
            how = _Shown(cards, system, standards, ruler, tell)
            _put_down(batch, out, how, marks=marks_from_photo)
    raise typer.Exit(_exit_code(batch.all_read))


def _video_timing(start: str, step: str) -> VideoTiming:
    """Understand what is said of the time of all videos."""
    from jarvision.run.jars_cells import duration
    from jarvision.run.video_frames import VideoTiming

    start_s = duration(start, "--video-start")
    return VideoTiming(start_s, duration(step, "--video-step", least=0.001))


def _exit_code(is_whole: bool) -> ExitCode:
    return ExitCode.ALL_READ if is_whole else ExitCode.SOME_UNREAD


def _manifest(path: Path | None, folders: Sequence[Path]) -> Manifest:
    """Read the list of jars that was named, or those that lie in folders of photos."""
    from jarvision.run.jars_table import read_manifest, read_manifests

    return read_manifest(path) if path else read_manifests(folders)


def _measures_apart(paths: list[Path], jar_mm: list[str]) -> tuple[list[str], list[Path]]:
    """Take measures of the jar that follow the first one out of the list of photos."""
    keys = ("height=", "outside_diameter=")
    measures = [str(p) for p in paths if jar_mm and str(p).startswith(keys)]
    return [*jar_mm, *measures], [p for p in paths if str(p) not in measures]


def _moment(text: str) -> datetime | None:
    """Read a date and time typed by the user."""
    from jarvision.core.files import shown
    from jarvision.core.moments import WRITE_IT, moment_of

    if not text.strip():
        return None
    try:
        return moment_of(text, is_past=True)
    except ValueError as error:
        msg = f'"{shown(text)}" is not a day and a time; {WRITE_IT}.'
        raise UsageError(msg) from error


def _tape_edge(text: str) -> TapeEdge | None:
    """Read which edge of tape is meant."""
    from jarvision.wall.suggest_marks import TapeEdge

    try:
        return TapeEdge(text.strip().casefold()) if text.strip() else None
    except ValueError as error:
        msg = "Say --tape-edge upper or --tape-edge lower."
        raise UsageError(msg) from error


def _say_marks(offers: Sequence[Offer]) -> None:
    """Print what lines on the glass mark, a jar a line, and what was left out."""
    from jarvision.core.files import shown

    for offer in offers:
        say(f"Jar {shown(offer.jar)}: {' '.join([offer.sentence(), *offer.sentences])}")
    if any(offer.any for offer in offers):
        say("The lines' heights are in marks-from-photos.csv; compare reads it as it is.")
    elif not offers:
        say("No lines were found on the glass of any jar.")


def _true_mm(strip_mm: float) -> float:
    """Check the length of the sheet's check line."""
    if not 80.0 <= strip_mm <= 125.0:
        msg = "The sheet's 100 mm line should measure between 80 and 125 mm; measure it once more."
        raise UsageError(msg)
    return strip_mm


def _processes(workers: int | None, cluster: str) -> int:
    """Tell how many processes of this machine share the work."""
    from jarvision.run.pool import cores

    if cluster and workers:
        msg = "--workers is for this machine and --cluster for others; give only one of them."
        raise UsageError(msg)
    if workers is not None and workers < 1:
        msg = "--workers must be 1 or more."
        raise UsageError(msg)
    return workers or cores()


def _refuse_file(out: Path) -> None:
    """Raise where the folder for the results is a file."""
    from jarvision.core.files import shown

    try:
        is_file = out.exists() and not out.is_dir()
    except (OSError, ValueError):
        msg = f"{shown(out.name)} is no name for a folder here; choose another with --out."
        raise UsageError(msg) from None
    if is_file:
        msg = f"{shown(out.name)} is a file; name a folder with --out."
        raise UsageError(msg)


def _refuse_nothing(found: Batch | Plan) -> None:
    """Raise where there is no photo at all."""
    from jarvision.core.files import shown

    if not found.photos_found:
        msg = " ".join(
            ["No photos were found; name photos or a folder that holds some."]
            + [f"{shown(name)}: {sentence}" for name, sentence in found.refused]
        )
        raise UsageError(msg)


@dataclass(frozen=True, slots=True)
class _Shown:
    """How a run is shown: as cards or a table, in which units and classes, and the ruler meant.

    `tell`: another program follows it.
    """

    cards: bool
    system: UnitSystem | None
    standards: Sequence[Standard]
    ruler: str
    tell: bool


def _put_down(batch: Batch, out: Path, how: _Shown, *, marks: bool) -> None:
    """Write the table of all jars and what follows from it, and print what came of the run."""
    from jarvision.run.outputs import write_marks, write_table

    _refuse_nothing(batch)
    write_table(batch, out)
    _say_run(batch, out, how, write_marks(batch, out) if marks else None)


def _say_run(batch: Batch, out: Path, how: _Shown, offers: Sequence[Offer] | None) -> None:
    """Print what came of a run, and write its report; the last line says where to look."""
    from jarvision.core.files import shown
    from jarvision.core.units import UnitSystem

    if batch.outcomes:
        system = how.system or UnitSystem.METRIC
        cli_summary.say_jars(out, batch.kept, cards=how.cards, system=system)
    _say_results(batch, out, how.ruler)
    if offers is not None:
        _say_marks(offers)
    if how.standards:
        cli_classes.say_classes(out, {each.jar for each in batch.outcomes}, how.standards)
    say(f"Numbers and pictures are in {shown(str(out), longest=200)}.")
    if how.tell:
        tell_line("Writing the report", 0, 0)
    if batch.outcomes:
        say(cli_summary.write_pages(out, how.system))


def _say_results(batch: Batch, out: Path, ruler: str) -> None:
    """Say what could not be read, and what else there is to know about a run."""
    from jarvision.core.files import shown

    for name, sentence in batch.refused:
        say(f"Not read: {shown(name)}. {sentence}")
    for name, sentence in batch.left_out:
        say(f"{shown(name)}: {sentence}")
    if ruler:
        _say_no_ruler(batch, ruler)
    for note in batch.notes:
        say(note)
    earlier = sum(outcome.is_earlier for outcome in batch.outcomes)
    if earlier:
        say(
            f"{earlier} of {len(batch.outcomes)} jars have not changed since the last run and were "
            "not read again; --again reads all."
        )
    _say_others(out, batch)


def _say_no_ruler(batch: Batch, ruler: str) -> None:
    """Say in which jars' photos the ruler that was asked for was not found."""
    from jarvision.results.readings_table import title

    jars = [
        title(outcome.jar)
        for outcome in batch.outcomes
        if any(doubt.name == "no_strip" for doubt in outcome.record.doubts)
    ]
    if jars:
        say(
            f"No {ruler} ruler was found in the photos of {_listed(jars)}; tape it upright on the "
            "jar or close beside it, its marks to the camera."
        )


_MOST_NAMED = 6


def _say_others(out: Path, batch: Batch) -> None:
    """Say which files in the folder are not this run's, so that nobody takes them for it."""
    from jarvision.results.cache import others_in

    others = others_in(out, batch.kept)
    if others.results:
        jars = [name.removeprefix("jar-").removesuffix(".json") for name in others.results]
        many = len(jars) > 1
        say(
            f"From an earlier run and not in these photos: jar{'s' * many} {_listed(jars)}; "
            f"{'they stay' if many else 'it stays'} in the report, marked, and "
            f"{'are' if many else 'is'} not in readings.csv. Delete {_listed(others.results)} to "
            f"drop {'them' if many else 'it'}."
        )
    if others.pictures:
        say(f"No result uses {_listed(others.pictures)} any more; delete what shows old readings.")


def _listed(names: Sequence[str]) -> str:
    """List names, the first few of many."""
    from jarvision.core.files import shown

    listed = ", ".join(map(shown, names[:_MOST_NAMED]))
    rest = len(names) - _MOST_NAMED
    return f"{listed} and {rest} more" if rest > 0 else listed


cli_class.add_to(app)
cli_jar.add_to(app)
cli_soil.add_to(app)
cli_bench.add_to(app)
cli_tables.add_to(app)


def main() -> None:
    """Run the command line; every error becomes one sentence and an exit code."""
    prepare_streams()
    raise SystemExit(run_quietly(lambda: app(standalone_mode=False)))


if __name__ == "__main__":
    main()
