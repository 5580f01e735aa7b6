"""The JSON Schema of site files, for the completion of editors; made from the same table that reading uses.

Draft 2020-12. An editor sees typed YAML where farend reads texts, so the schema is lenient where YAML guesses types:
it is for completion and help, and ``farend check`` has the last word.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any, Final

from harness.site.fields import SITE
from harness.site.kinds import Kind
from harness.site.tables import Field, Group, Named, PlainOr, Several, Takes

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
SCHEMA_FILE: Final = "site.schema.json"

Schema = dict[str, Any]


def site_schema() -> Schema:
    """The schema as data."""
    return {
        "$schema": DIALECT,
        "title": "farend site file",
        "description": "One site: its controller, the links to listen on, its alarms, and the point map.",
        **_group(SITE),
    }


def schema_text() -> str:
    """The schema as it is shipped in ``profiles/site.schema.json``."""
    return json.dumps(site_schema(), indent=1, sort_keys=True, ensure_ascii=True) + "\n"


def _group(group: Group) -> Schema:
    schema: Schema = {
        "type": "object",
        "additionalProperties": False,
        "properties": {field.name: _field(field) for field in group.fields},
    }
    required = [field.name for field in group.fields if field.required]
    return schema | ({"required": required} if required else {})


def _field(field: Field) -> Schema:
    description = field.help + (f" Default: {field.default}." if field.default else "")
    return {"description": description, **_takes(field.takes)}


def _takes(takes: Takes) -> Schema:
    if isinstance(takes, Kind):
        return dict(takes.schema)
    if isinstance(takes, Group):
        return _group(takes)
    if isinstance(takes, Named):
        return _named(takes)
    if isinstance(takes, Several):
        return _several(takes)
    if isinstance(takes, PlainOr):
        return {"anyOf": [_takes(takes.plain), _group(takes.group)]}
    return {"anyOf": [{"type": "string"}, _several(takes.rows), _group(takes.group)]}


def _named(takes: Named) -> Schema:
    schema: Schema = {"type": "object", "additionalProperties": _takes(takes.of)}
    if "pattern" in takes.key.schema:
        schema["propertyNames"] = {"pattern": takes.key.schema["pattern"]}
    if isinstance(takes.of, Group) and not any(field.required for field in takes.of.fields):
        schema["additionalProperties"] = {"anyOf": [_takes(takes.of), {"type": "null"}]}
    return schema


def _several(takes: Several) -> Schema:
    """A list, or a single value without its brackets (plain values also with commas between them)."""
    one = _takes(takes.of)
    choices: list[Schema] = [{"type": "array", "items": one}, one]
    if isinstance(takes.of, Kind):
        choices.append({"type": "string"})
    return {"anyOf": choices}


def main() -> None:
    """Write the schema to the file that the command names: ``python -m harness.site.schema FILE``."""
    Path(sys.argv[1]).write_text(schema_text(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
