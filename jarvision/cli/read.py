"""The command that reads photos: its options, and what they may not be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from jarvision.cli import loading, measures, options
from jarvision.cli.classes import standards_named
from jarvision.cli.dry_run import say_plan
from jarvision.cli.progress import shown_progress
from jarvision.cli.read_output import HowShown, put_down, refuse_nothing
from jarvision.core.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from jarvision.run.jars_table import Manifest
    from jarvision.run.video_frames import VideoTiming
    from jarvision.wall.suggest_marks import TapeEdge


def add_to(app: typer.Typer) -> None:
    """Add this command to the command line."""
    app.command()(read)


def read(
    paths: Annotated[list[Path], typer.Argument(metavar="PHOTOS", hidden=True)],
    out: Annotated[Path, typer.Option(help="Folder for the results.", metavar="FOLDER")] = Path(
        "readings"
    ),
    units: options.UnitsOption = None,
    cards: Annotated[
        bool,
        typer.Option(
            "--cards",
            help="Print a card for each jar, not a table; one or two jars get cards unasked.",
        ),
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
            help="List of the jars; else each folder's own jars.csv is used for photos below it.",
            metavar="FILE",
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
            help="Let an existing Dask cluster do the work, at tls://HOST:PORT or tcp://HOST:PORT. "
            "Every machine needs this same jarvision; photos are sent there, results written here. "
            "Anybody who reaches it can run any code on it: use only one that you trust. "
            "Certificates are named in Dask's own configuration.",
            metavar="ADDRESS",
        ),
    ] = "",
    first: Annotated[list[Path] | None, typer.Option(hidden=True)] = None,
    tell: Annotated[bool, typer.Option("--tell", hidden=True)] = False,
) -> None:
    """Read every jar in photos; a folder holds any number of jars.

    PHOTOS are photos or folders of photos. The results are report.html and a page a jar,
    readings.csv, jar-*.json, and the photos with what was read drawn on them. Jars whose photos
    and settings have not changed since the last run are not read again. What was put right by hand
    (jarvision bench) is kept in corrections.csv among the results and used by every read with the
    same --out.

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
        from jarvision.run.jars_cells import check_facts, moment
        from jarvision.run.settings import Settings

    facts = JarFacts(temp_c=temp, water_mm=water_mm, soil_mm=soil_mm, soil_g=soil_g)
    facts = options.with_words(facts, water=water, detergent=detergent, origin=origin, spoon=spoon)
    facts = replace(facts, organic_matter_pct=om, sand_g=sand_g, sediment_g=sediment_g)
    facts = options.with_hydrometer(facts, hydrometer, hydrometer_soil_g, hydrometer_blank)
    standards = standards_named(classes or [])
    check_facts(facts)
    sizes, paths = _measures_apart(paths, jar_mm or [])
    facts = options.with_reference(facts, reference, paths)
    system = options.unit_system(units)
    settings = Settings(
        moment(shaken_at.strip(), "--shaken-at"),
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
        refuse_nothing(plan)
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
            how = HowShown(cards, system, standards, ruler, tell)
            put_down(batch, out, how, marks=marks_from_photo)
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


def _tape_edge(text: str) -> TapeEdge | None:
    """Read which edge of tape is meant."""
    from jarvision.wall.suggest_marks import TapeEdge

    try:
        return TapeEdge(text.strip().casefold()) if text.strip() else None
    except ValueError as error:
        msg = "Say --tape-edge upper or --tape-edge lower."
        raise UsageError(msg) from error


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
