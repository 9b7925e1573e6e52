"""A plate as JSON, as it stands in a bundle (`schema/bundle-1.json`), and back."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, replace
from datetime import UTC, date, datetime
from functools import cache
from typing import Any

from jsonschema import Draft202012Validator, ValidationError

from truelobe import schema
from truelobe.schema import load
from truelobe.store import HandFacts, Measurement, Photo
from truelobe.store.records import PlateRecord
from truelobe.store.setup import as_text


def moment(at: datetime) -> str:
    """Write a time in UTC (RFC 3339)."""
    return at.astimezone(UTC).isoformat()


def plate_to_json(record: PlateRecord, *, names: bool) -> dict[str, Any]:
    """Write a plate; without `names` the nicknames stay at home."""
    state = dict(record.state)
    if not names:
        state["who"] = ""
    return {
        "uid": record.uid,
        "kept_at": moment(record.kept_at),
        "sample": record.sample,
        "state": state,
        "measurements": [
            {"uid": made.uid, "tool": made.tool, "made_at": moment(made.made_at), "document": json.loads(text)}
            for made, text in record.measurements
        ],
        "photos": [asdict(photo) | {"kept_at": moment(photo.kept_at)} for photo in record.photos],
        "hand_facts": [
            {"at": moment(facts.at), "who": facts.who if names else "", "facts": facts.facts}
            for facts in record.hand_facts
        ],
    }


def plate_from_json(written: Mapping[str, Any]) -> PlateRecord:
    """Read a plate that has passed `check_plate`."""
    current = written["state"]["measurement"]
    return PlateRecord(
        uid=written["uid"],
        kept_at=datetime.fromisoformat(written["kept_at"]),
        state=_state_from_json(written["state"]),
        sample=written["sample"],
        measurements=tuple(
            (
                Measurement(
                    made["uid"], made["uid"] == current, made["tool"], datetime.fromisoformat(made["made_at"])
                ),
                as_text(made["document"]),
            )
            for made in written["measurements"]
        ),
        photos=tuple(
            Photo(**(photo | {"kept_at": datetime.fromisoformat(photo["kept_at"])})) for photo in written["photos"]
        ),
        hand_facts=tuple(
            HandFacts(datetime.fromisoformat(facts["at"]), facts["who"], facts["facts"])
            for facts in written["hand_facts"]
        ),
    )


def _state_from_json(written: Mapping[str, Any]) -> dict[str, Any]:
    """Read a plate's state in the store's own spelling, so that equal states are equal."""
    binned = written["binned_at"]
    return {
        **written,
        "plate_date": date.fromisoformat(written["plate_date"]).isoformat(),
        "binned_at": moment(datetime.fromisoformat(binned)) if binned else None,
        "tags": sorted(set(written["tags"])),
        "defects": [list(one) for one in sorted({(number, name) for number, name in written["defects"]})],
    }


@cache
def _validator(name: str) -> Draft202012Validator:
    whole = load("bundle-1")
    return Draft202012Validator({"$defs": whole["$defs"], "$ref": f"#/$defs/{name}"})


def check_plate(written: Any) -> None:
    """Hold one plate of a bundle against the schema, its measurement documents too.

    Raises
    ------
    ValueError
        Naming the first place that does not fit.
    """
    try:
        _validator("plate").validate(written)
        for made in written["measurements"]:
            schema.check(made["document"])
    except ValidationError as error:
        raise ValueError(f"{error.json_path}: {error.message[:200]}") from error
    uids = [made["uid"] for made in written["measurements"]]
    current = written["state"]["measurement"]
    if len(set(uids)) != len(uids) or (current is not None and current not in uids):
        raise ValueError("its measurements do not belong together")
    if (current is None) != (not uids):
        raise ValueError("a measured plate has one current measurement")
    _check_grade(written)
    record = plate_from_json(written)  # times and days that look right but do not exist raise here
    words = as_text(plate_to_json(record, names=True))
    words.encode()  # half a character raises here
    if "\\u0000" in words:
        raise ValueError("a text holds a zero byte")


def _check_grade(written: Mapping[str, Any]) -> None:
    grade, current = written["state"]["grade"], written["state"]["measurement"]
    if grade is None:
        return
    document = next((made["document"] for made in written["measurements"] if made["uid"] == current), None)
    numbers = {str(pepper["number"]) for pepper in document["peppers"]} if document else set()
    if not set(grade["peppers"]) <= numbers:
        raise ValueError("a grade stands on a pepper that is not there")


def check_walls(written: Any) -> None:
    """Hold the walls of a bundle against the schema.

    Raises
    ------
    ValueError
        Naming the first place that does not fit.
    """
    if not isinstance(written, list) or len(written) > 10_000:
        raise ValueError("not a list of walls")
    try:
        for wall in written:
            _validator("wall").validate(wall)
    except ValidationError as error:
        raise ValueError(f"{error.json_path}: {error.message[:200]}") from error


def nameless(record: PlateRecord) -> PlateRecord:
    """Return a plate without nicknames."""
    return replace(
        record,
        state={**record.state, "who": ""},
        hand_facts=tuple(replace(facts, who="") for facts in record.hand_facts),
    )


def differing(mine: PlateRecord, theirs: PlateRecord) -> tuple[str, ...]:
    """Return in which parts a plate of a bundle says something that the gallery does not hold yet.

    Measurements and hand facts only ever add up, so those that only the gallery has are no difference.
    """
    found = [name for name in theirs.state if theirs.state[name] != mine.state.get(name)]
    there = {(made.uid, text) for made, text in mine.measurements}
    if not {(made.uid, text) for made, text in theirs.measurements} <= there:
        found.append("measurements")
    if [photo.sha256 for photo in mine.photos] != [photo.sha256 for photo in theirs.photos]:
        found.append("photos")
    if not {_facts_key(facts) for facts in theirs.hand_facts} <= {_facts_key(facts) for facts in mine.hand_facts}:
        found.append("hand facts")
    return tuple(sorted(found))


def _facts_key(facts: HandFacts) -> tuple[str, str, str]:
    return moment(facts.at), facts.who, as_text(facts.facts)


def as_copy(record: PlateRecord) -> PlateRecord:
    """Return a plate under identifiers of its own that follow from its content: copying twice is copying once."""
    content = json.dumps(plate_to_json(record, names=True), sort_keys=True)

    def fresh(uid: str) -> str:
        return hashlib.sha256(f"{uid} {content}".encode()).hexdigest()[:32]

    current = record.state["measurement"]
    return replace(
        record,
        uid=fresh(record.uid),
        state={**record.state, "measurement": fresh(current) if current else None},
        measurements=tuple((replace(made, uid=fresh(made.uid)), text) for made, text in record.measurements),
    )
