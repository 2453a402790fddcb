"""Files that come with the program: its data, and the calibration that users may extend."""

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path


def data_file(name: str) -> Traversable:
    """Find a file of the program's own data."""
    return files("jarvision") / "data" / name


def calibration_folder(name: str) -> Traversable:
    """Find a folder of `calibration/`: in the installed package, else beside the source."""
    installed = files("jarvision") / "calibration" / name
    return installed if installed.is_dir() else Path(__file__).parents[2] / "calibration" / name
