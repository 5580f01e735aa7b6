"""Where the shipped profiles are: in a checkout beside the package, in an installed wheel inside it."""

from __future__ import annotations

from pathlib import Path

from harness.core.errors import UsageError


def profiles_folder() -> Path:
    """The folder with ``demo``, ``template`` and ``spreadsheet``. Raises UsageError where it was not installed."""
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "profiles", package.parent / "profiles"):
        if (folder / "demo" / "site.yaml").is_file():
            return folder
    raise UsageError(f"profiles: not found in {package} nor beside it; install the package again")
