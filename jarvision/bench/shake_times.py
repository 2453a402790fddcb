"""When jars were shaken, as their phones said: kept beside the results, by the jars' names."""

from __future__ import annotations

import json
import math
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.files import safe_name
from jarvision.core.own_files import write_result
from jarvision.core.series import READING_TIMES, Reading
from jarvision.results.cache import make_folder

SHAKEN_FILE = "shaken.json"
_FORMAT = "jarvision shaken"
_MOST_JARS = 500
_LARGEST_BYTES = 200_000


@dataclass(slots=True)
class Shaken:
    """The clock of each jar.

    Attributes
    ----------
    out : Path
        Folder of the results.
    """

    out: Path
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def times(self) -> dict[str, float]:
        """Give when each jar was shaken [s since 1970]; what is damaged is left out."""
        path = self.out / SHAKEN_FILE
        try:
            if path.stat().st_size > _LARGEST_BYTES:
                return {}
            data = json.loads(path.read_bytes())
            found = {str(jar): float(at) for jar, at in data["shaken_s"].items()}
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return {}
        return {jar: at for jar, at in found.items() if math.isfinite(at)}

    def start(self, jar: str) -> dict[str, float]:
        """Say that a jar was shaken just now; it is on the disk when this returns.

        Raises
        ------
        ValueRefusedError, UsageError
            It has no name, or there are too many jars.
        WriteError
            It cannot be written.
        """
        if not jar.strip():
            msg = "Choose the jar's number first."
            raise ValueRefusedError(msg)
        with self._lock:
            times = self.times() | {safe_name(jar.strip())[:40]: time.time()}
            if len(times) > _MOST_JARS:
                msg = f"There are more than {_MOST_JARS} jars; start a new folder."
                raise UsageError(msg)
            make_folder(self.out)
            text = json.dumps({"format": _FORMAT, "shaken_s": times}, indent=0)
            write_result(self.out / SHAKEN_FILE, text + "\n")
        return times

    def photo_name(self, jar: str, name: str) -> str:
        """Name a photo by its jar and the reading that was due as it came in.

        Where nobody said when the jar was shaken, the photo keeps its name, and its own clock
        tells its time.
        """
        key = safe_name(jar.strip())[:40]
        at = self.times().get(key)
        suffix = name.rpartition(".")[2]
        if not jar.strip() or at is None:
            return name
        stem = key if key.casefold().startswith("jar") else f"jar-{key}"
        return f"{stem}-{_due(time.time() - at)}.{suffix}"


def _due(elapsed_s: float) -> Reading:
    """Tell the reading whose time is nearest, as a ratio."""
    return min(
        READING_TIMES,
        key=lambda one: abs(math.log(max(elapsed_s, 1.0) / READING_TIMES[one].nominal_s)),
    )
