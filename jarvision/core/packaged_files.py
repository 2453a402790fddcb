"""Files that come with the program: its data, and the calibration that users may extend."""

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path


def data_file(name: str) -> Traversable:
    """Find a file of the program's own data."""
    return files("jarvision") / "data" / name


def _calibration(name: str) -> Traversable:
    """Find a folder of `calibration/`: in the installed package, else beside the source."""
    installed = files("jarvision") / "calibration" / name
    return installed if installed.is_dir() else Path(__file__).parents[2] / "calibration" / name


def calibration_names(folder: str) -> list[str]:
    """List the TOML files in a folder of `calibration/`, without their ending."""
    names = (entry.name for entry in _calibration(folder).iterdir())
    return sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml"))


def calibration_text(folder: str, name: str) -> str:
    """Read a TOML file in a folder of `calibration/`."""
    return _calibration(folder).joinpath(f"{name}.toml").read_text(encoding="utf-8")
