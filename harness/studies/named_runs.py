"""What is named on a command line as one side of a comparison: records, folders of them, or a kept baseline."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Final

from harness.core.errors import UsageError
from harness.results.judging import judge_record
from harness.site.names import did_you_mean
from harness.studies.baselines import FOLDER, check_name, kept_in, read_baseline, records_of
from harness.studies.compare_sides import Run

SUFFIX: Final = ".farend"


def records_in(path: Path) -> tuple[Path, ...]:
    """The records that a path stands for: itself, or all in a folder. UsageError for a folder without any."""
    if not path.is_dir():
        return (path,)
    found = tuple(sorted(it for it in path.iterdir() if it.suffix == SUFFIX and it.is_file()))
    if not found:
        raise UsageError(f"{path}: no record lies in this folder; records are files that end in {SUFFIX}")
    return found


def run_of(names: Sequence[Path], beside: Path, word: str, stack: ExitStack) -> Run:
    """One side, judged; ``stack`` closes its records. ``beside``: the folder in which baselines are kept.

    A name that is no file and no folder is that of a baseline. UsageError where it is none of them.
    """
    paths: list[Path] = []
    kept: list[str] = []
    notes: list[str] = []
    for name in names:
        if name.exists():
            paths += records_in(name)
            continue
        if name.suffix == SUFFIX or len(name.parts) != 1 or not (beside / FOLDER / name).is_dir():
            hint = did_you_mean(str(name), kept_in(beside), otherwise="a baseline is looked for beside --site SITE")
            looked = f"no such record, and no baseline in {beside / FOLDER}"
            raise UsageError(f"{word} {name}: {looked}; {hint}".rstrip("; "))
        check_name(str(name))
        baseline = read_baseline(beside, str(name))
        paths += records_of(baseline)
        kept.append(baseline.name)
        notes += [baseline.note] if baseline.note else []
    judged = []
    for path in paths:
        one = judge_record(path)
        stack.callback(one.reader.close)
        judged.append(one)
    return Run(records=tuple(judged), name=", ".join(kept), note="; ".join(notes))
