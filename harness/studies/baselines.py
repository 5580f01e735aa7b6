"""Named sets of records that others are compared with, kept beside the site file: copies, and a list with their hashes.

``baselines/NAME/`` holds the records and ``baseline.json``. Whatever is read from it is the very bytes that were kept,
or it is refused.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from harness.core.errors import RecordError, UsageError
from harness.record.opening import left_beside
from harness.record.reader import RecordReader
from harness.results.judging import recorded_site
from harness.site.names import did_you_mean, shown

FOLDER: Final = "baselines"
MANIFEST: Final = "baseline.json"
SCHEMA: Final = "farend-baseline/1"
NAME_MAX: Final = 64
"""Longer names do not fit into the paths of every file system."""
MANIFEST_BYTES_MAX: Final = 4 * 1024 * 1024

_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+-]*")
_DEVICES: Final = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptFile:
    """One file of a baseline: a record, or (``of`` is its name then) what a run that was cut off left beside it."""

    file: str
    sha256: str
    size: int
    of: str = ""
    started_utc_ns: int = 0
    firmware: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """``folder``: where it lies. ``files``: the records, and what lies beside them."""

    folder: Path
    name: str
    site: str
    kept_utc_ns: int
    by: str
    note: str
    files: tuple[KeptFile, ...]

    @property
    def records(self) -> tuple[KeptFile, ...]:
        """The records among its files."""
        return tuple(it for it in self.files if not it.of)

    @property
    def firmware(self) -> tuple[str, ...]:
        """All that its records say."""
        return tuple(dict.fromkeys(it.firmware or "not stated" for it in self.records))

    def to_data(self) -> dict[str, Any]:
        """As the file has it."""
        return {
            "schema": SCHEMA,
            "name": self.name,
            "site": self.site,
            "kept_utc_ns": self.kept_utc_ns,
            "by": self.by,
            "note": self.note,
            "files": [asdict(it) for it in self.files],
        }


def check_name(name: str) -> None:
    """UsageError unless a baseline can have this name, in every file system."""
    bad = _NAME.fullmatch(name) is None or _DEVICES.fullmatch(name) or name.endswith(".") or len(name) > NAME_MAX
    if bad or name.endswith((".farend", ".part", ".old")):
        raise UsageError(
            f"baseline={shown(name)}: expected a name of at most {NAME_MAX} letters, digits and . _ + -, "
            "such as 1.4.2 or before-update"
        )


def keep(
    folder: Path, site: str, name: str, records: Sequence[Path], *, by: str, note: str, now_utc_ns: int, replace: bool
) -> Baseline:
    """Copy ``records`` of ``site`` into a baseline under ``folder``, the folder of the site file.

    UsageError for a name that is taken (unless ``replace``) or unfit, and for a record of another site; RecordError for
    one that cannot be read. Either all of it is kept or nothing is changed.
    """
    check_name(name)
    target = folder / FOLDER / name
    part = target.with_name(f".{name}.part")
    old = target.with_name(f".{name}.old")
    if old.exists() and not target.exists():
        old.rename(target)  # killed while it was being replaced
    if target.exists() and not replace:
        raise UsageError(f"baseline={name}: it is kept already, in {target}; choose another name, or add --replace")
    names = [path.name for path in records]
    twice = next((it for it in names if names.count(it) > 1), "")
    if twice or MANIFEST in names:
        why = "two records of this name" if twice else "the list of a baseline has this name"
        raise UsageError(f"record={twice or MANIFEST}: {why}; a baseline keeps each under its own, rename one")
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        try:
            files = [file for path in records for file in _copied(path, part, site)]
            made = Baseline(
                folder=target, name=name, site=site, kept_utc_ns=now_utc_ns, by=by, note=note, files=tuple(files)
            )
            text = json.dumps(made.to_data(), indent=1, sort_keys=True) + "\n"
            (part / MANIFEST).write_text(text, encoding="utf-8", newline="\n")
            shutil.rmtree(old, ignore_errors=True)
            if target.exists():
                target.rename(old)
            part.rename(target)
        except BaseException:
            shutil.rmtree(part, ignore_errors=True)
            if old.exists() and not target.exists():
                old.rename(target)
            raise
        shutil.rmtree(old, ignore_errors=True)
    except OSError as exc:
        raise UsageError(f"{target}: cannot be kept: {exc.strerror}; make room, or choose another folder") from exc
    return made


def _copied(path: Path, folder: Path, site: str) -> Iterable[KeptFile]:
    with RecordReader.open(path) as reader:
        read = recorded_site(reader)
        if read.name != site:
            raise UsageError(f"{path}: site={read.name}: the record of another site; this site file is site={site}")
        started = reader.header.anchor.utc_ns
    for file in (path, *left_beside(path)):
        copy = folder / file.name
        shutil.copyfile(file, copy)
        data = copy.read_bytes()
        is_record = file == path
        yield KeptFile(
            file=file.name,
            sha256=hashlib.sha256(data).hexdigest(),
            size=len(data),
            of="" if is_record else path.name,
            started_utc_ns=started if is_record else 0,
            firmware=read.firmware if is_record else "",
        )


def kept_in(folder: Path) -> tuple[str, ...]:
    """The names of all baselines beside a site file, in order."""
    where = folder / FOLDER
    if not where.is_dir():
        return ()
    return tuple(sorted(it.name for it in where.iterdir() if (it / MANIFEST).is_file() and not it.name.startswith(".")))


def read_baseline(folder: Path, name: str) -> Baseline:
    """A baseline, as its list says; ``records_of`` proves its records. UsageError where there is none of this name,
    RecordError where its list cannot be read.
    """
    check_name(name)
    path = folder / FOLDER / name / MANIFEST
    if not path.is_file():
        names = kept_in(folder)
        hint = did_you_mean(name, names) or "farend baseline SITE keep NAME RECORD keeps one"
        raise UsageError(f"baseline={name}: there is none of this name in {folder / FOLDER}; {hint}")
    try:
        return _listed(path)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as exc:
        raise RecordError(f"{path}: cannot be read as the list of a baseline: {exc}; keep it anew") from exc


def _listed(path: Path) -> Baseline:
    """The list of a baseline. ValueError, KeyError, TypeError or AttributeError where it is none of ours."""
    if path.stat().st_size > MANIFEST_BYTES_MAX:
        raise ValueError(f"size={path.stat().st_size}, expected at most {MANIFEST_BYTES_MAX}")
    raw = json.loads(path.read_text(encoding="utf-8"))
    if raw.get("schema") != SCHEMA:
        raise ValueError(f"schema={raw.get('schema')}, expected {SCHEMA}")
    files = tuple(KeptFile(**it) for it in raw["files"])
    told = {word: str(raw[word]) for word in ("name", "site", "by", "note")}
    made = Baseline(folder=path.parent, kept_utc_ns=int(raw["kept_utc_ns"]), files=files, **told)
    if not made.records or any(Path(it.file).name != it.file or not it.file for it in files):
        raise ValueError("files: expected at least one record, and plain file names")
    return made


def records_of(baseline: Baseline) -> tuple[Path, ...]:
    """The paths of its records, once every byte was compared. RecordError where something was changed or is gone."""
    for it in baseline.files:
        path = baseline.folder / it.file
        try:
            found = hashlib.sha256(path.read_bytes()).hexdigest()
        except OSError as exc:
            raise RecordError(
                f"{path}: cannot be read: {exc.strerror}; it belongs to baseline {baseline.name}: put it back, or "
                "keep the baseline anew"
            ) from exc
        if found != it.sha256:
            raise RecordError(
                f"{path}: sha256={found[:16]}...: expected {it.sha256[:16]}..., as it was when baseline "
                f"{baseline.name} was kept; put the kept file back, or keep the baseline anew"
            )
    listed = {it.file for it in baseline.files}
    for it in baseline.records:
        for beside in left_beside(baseline.folder / it.file):
            if beside.name not in listed:
                raise RecordError(
                    f"{beside}: it would be read with the record, and was not kept with baseline {baseline.name}; "
                    "delete it, or keep the baseline anew"
                )
    return tuple(baseline.folder / it.file for it in baseline.records)


def remove(folder: Path, name: str) -> Baseline:
    """Delete a baseline, the copies of its records included. UsageError where there is none."""
    found = read_baseline(folder, name)
    try:
        shutil.rmtree(found.folder)
    except OSError as exc:
        raise UsageError(f"{found.folder}: cannot be removed: {exc.strerror}; delete it by hand") from exc
    return found
