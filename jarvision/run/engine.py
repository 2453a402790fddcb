"""Many photos of many jars: look at all, plan, read each jar, put the results on disk.

Every file is written whole or not at all, and one bad photo or jar never stops the others. A jar's
files are on disk as soon as it is read; the next run reads only what is new or changed.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from functools import partial
from pathlib import Path

from jarvision.core.files import shown
from jarvision.results.cache import known_photos, other_photos
from jarvision.results.readings_table import title
from jarvision.results.record import json_name
from jarvision.run.album import Album, BrokenPhotosError, album_with_contents, path_of
from jarvision.run.dask import cluster_pool
from jarvision.run.jars_table import beds_csv
from jarvision.run.one_jar import (
    JarJob,
    corrections_elsewhere,
    corrections_in,
    earlier_outcome,
    fitted_lines,
    job_of,
    not_read,
    read_one,
)
from jarvision.run.outcome import Batch, Outcome
from jarvision.run.outputs import JarFiles, put_on_disk, with_files
from jarvision.run.plan import Plan, plan_of, used_photos, video_timing
from jarvision.run.pool import Pool, Task, TaskPool
from jarvision.run.settings import Progress, Settings, silent
from jarvision.run.survey import survey_photos

_FEW_JARS = 2  # so few are read before another process has even started


def pool_for(workers: int, cluster: str = "") -> AbstractContextManager[TaskPool]:
    """Give a pool that runs tasks: processes of this machine, or a cluster's machines.

    Parameters
    ----------
    workers : int
        How many processes; not used where there is a cluster.
    cluster : str
        Address of a Dask scheduler, such as ``tcp://host:8786``; empty where there is none.

    Raises
    ------
    ClusterError
        On entering: the cluster cannot be reached, has no workers or runs another program.
    """
    return cluster_pool(cluster) if cluster else Pool(workers)


def plan_photos(
    paths: Sequence[str | os.PathLike[str]],
    settings: Settings,
    *,
    out: Path | None = None,
    workers: int = 1,
    cluster: str = "",
    progress: Progress = silent,
) -> Plan:
    """Find out which photo shows which jar and when it was taken; nothing is read or written.

    Parameters
    ----------
    paths, settings, workers, cluster, progress
        As in `read_photos`.
    out : Path, optional
        Folder of an earlier run's results, which spares looking at photos again.

    Raises
    ------
    MixedJarsError
        The photos were said to be of one jar but their strips show several.
    ClusterError
        As in `read_photos`.
    """
    known = known_photos(out) if out else {}
    timing = partial(video_timing, roots=tuple(paths), settings=settings)
    with pool_for(workers, cluster) as pool:
        survey = survey_photos(
            paths, pool, known=known, out=None, album=Album(), progress=progress, timing=timing
        )
    plan = plan_of(survey, settings, corrections_in(out).said)
    unused = corrections_elsewhere(paths, out) if out is not None else ()
    return replace(plan, notes=(*plan.notes, *unused))


def read_photos(
    paths: Sequence[str | os.PathLike[str]],
    settings: Settings,
    *,
    out: Path | None = None,
    workers: int = 1,
    cluster: str = "",
    again: bool = False,
    first: Collection[Path] = (),
    progress: Progress = silent,
) -> Batch:
    """Read every jar in photos and folders of photos.

    Parameters
    ----------
    paths : sequence of path
        Photos and folders.
    settings : Settings
        How they are read.
    out : Path, optional
        Folder for each jar's JSON and overlays, written as soon as the jar is read. What an
        earlier run left there is used where photos, settings and program are the same.
    workers : int
        How many processes share the work; the results are the same for any number. A script that
        asks for several must be importable without side effects (``if __name__ == "__main__"``).
    cluster : str
        Address of a Dask scheduler whose workers do the work instead, ``tcp://host:8786``. They
        need this same program and nothing of this machine's disk: photos are sent to them, and
        what they make of them is written here.
    again : bool
        Read everything anew.
    first : collection of Path, optional
        Only the jars of these photos are read, from them and what earlier runs looked at; all
        other photos wait for the next run.
    progress : callable
        Told of each step.

    Raises
    ------
    MixedJarsError
        The photos were said to be of one jar but their strips show several.
    WriteError, UsageError
        The folder cannot be made or written to; what was written before is whole.
    ClusterError
        The cluster cannot be reached, has no workers left or runs another program.
    """
    album = Album()
    known = known_photos(out) if out is not None and not again else {}
    timing = partial(video_timing, roots=tuple(paths), settings=settings)
    with pool_for(workers, cluster) as pool:
        survey = survey_photos(
            paths,
            pool,
            known=known,
            out=out,
            album=album,
            progress=progress,
            timing=timing,
            only=first,
        )
        table = corrections_in(out)
        plan = plan_of(survey, settings, table.said)
        by_hand, unfit = fitted_lines(table, plan.jars, survey)
        jars = [j for j in plan.jars if not first or any(path_of(t.key) in first for t in j.timed)]
        own = [settings.of_jar(jar.jar, plan.rows.get(jar.jar)) for jar in jars]
        jobs = [
            job_of(jar, survey, how, out, by_hand[jar.jar])
            for jar, how in zip(jars, own, strict=True)
        ]
        earlier = [None if again else earlier_outcome(job) for job in jobs]
        new = [job for job, outcome in zip(jobs, earlier, strict=True) if outcome is None]
        unused = corrections_elsewhere(paths, out) if out is not None else ()
        notes = (*plan.notes, *unfit, *unused, *filter(None, map(_replaced, new)))
        fresh = iter(_read_all(new, pool, album, progress))
    outcomes = tuple(outcome or next(fresh) for outcome in earlier)
    beds = beds_csv(plan.rows)
    return Batch(outcomes, plan.refused, plan.photos_found, notes, beds, plan.left_out)


def _replaced(job: JarJob) -> str:
    """Say where another jar's result gives way: one of the same name and none of these photos."""
    mine = [photo.sha256 for photo in job.made_from.photos]
    others = other_photos(job.out / json_name(job.jar.jar), mine) if job.out else ()
    if not others:
        return ""
    names = ", ".join(map(shown, others[:3])) + (" ..." if len(others) > 3 else "")
    return (
        f"{title(job.jar.jar)} was read from other photos before ({names}); that result is "
        "replaced. To keep both, name each class a folder of its own with --out."
    )


def _read_all(
    jobs: Sequence[JarJob], pool: TaskPool, album: Album, progress: Progress
) -> list[Outcome]:
    done = 0

    def got(outcome: Outcome) -> None:
        nonlocal done
        done += 1
        progress("Reading jars", done, len(jobs))

    progress("Reading jars", 0, len(jobs))
    read = Task(partial(_read_and_draw, album=album), _read_elsewhere, put_on_disk)
    return pool.each(read, jobs, lost=_lost_jar, got=got, few=_FEW_JARS)


def _read_and_draw(job: JarJob, album: Album) -> JarFiles:
    """Read one jar and make its files."""
    return with_files(read_one(job, album), job, album)


def _read_elsewhere(job: JarJob) -> Callable[[], JarFiles]:
    used = [] if job.jar.problem else used_photos(job.jar)
    album = album_with_contents(dict.fromkeys(path_of(timed.key) for timed in used))
    return partial(_read_and_draw, job, album)


def _lost_jar(job: JarJob) -> Outcome:
    msg = (
        "Reading this jar stopped its process more than once, perhaps for want of memory; close "
        "other programs and run again with --workers 1 and without --cluster."
    )
    outcome = not_read(job, BrokenPhotosError(msg), is_lasting=False)
    return put_on_disk(with_files(outcome, job, Album()))
