"""What `read --dry-run` prints: which photo goes to which jar."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from jarvision.cli.console import say, say_table

if TYPE_CHECKING:
    from rich.table import Table

    from jarvision.run.plan import Plan


def say_plan(plan: Plan) -> bool:
    """Print which photo goes to which jar, then what could not be placed -> whether all could."""
    from jarvision.core.files import shown
    from jarvision.run.plan import not_placed

    if plan.jars:
        say_table(_plan_table(plan))
    rest = list(not_placed(plan))
    for name, sentence in rest:
        say(f"Not placed: {shown(name)}. {sentence}")
    for note in plan.notes:
        say(note)
    say(f"Jars: {len(plan.jars)}. Photos: {plan.photos_found}. Nothing was read or written.")
    return len(rest) == len(plan.left_out)


def _plan_table(plan: Plan) -> Table:
    """Set out which photo goes to which jar; a jar's name stands at its first photo."""
    from rich.table import Table
    from rich.text import Text

    from jarvision.core.files import shown
    from jarvision.core.series import spoken_time
    from jarvision.results.readings_table import called
    from jarvision.run.plan import folders_in, use_of

    rows = plan.rows
    calls = {jar: called(jar, name=row.name, bed=row.bed) for jar, row in rows.items()}
    folders = folders_in(plan)
    heads = ["jar", *(["name"] if any(calls.values()) else []), "used for"]
    heads += [*(["folder"] if len(set(folders.values())) > 1 else []), "photo"]
    table = Table(*heads, "after shaking", "known by", box=None, pad_edge=False)
    for jar in plan.jars:
        for i, photo in enumerate(jar.timed):
            name = [calls.get(jar.jar, "") if not i else ""] if "name" in heads else []
            folder = [shown(folders[photo.key])] if "folder" in heads else []
            when = "unknown" if math.isnan(photo.elapsed_s) else spoken_time(photo.elapsed_s)
            by = str(photo.source).replace("shaken_at", "--shaken-at").replace("_", " ")
            cells = [shown(jar.jar), *name, use_of(jar, photo), *folder, photo.name, when, by]
            table.add_row(*(Text(cell, overflow="fold") for cell in cells))
    return table
