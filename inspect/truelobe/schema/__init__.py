"""The documents the tool writes, as JSON Schemas (draft 2020-12): one file each, versioned in its name."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator


def load(name: str) -> dict[str, Any]:
    """Return a schema as it is written."""
    return dict(json.loads((Path(__file__).parent / f"{name}.json").read_text(encoding="utf-8")))


@cache
def _validator(name: str) -> Draft202012Validator:
    schema = load(name)
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def check(document: Mapping[str, Any], name: str = "inspection-1") -> None:
    """Hold a document against its schema.

    Raises
    ------
    jsonschema.ValidationError
        Naming the first place that does not fit.
    """
    _validator(name).validate(document)
