"""`truelobe grade`: documents in, grades, sheet and workbook out; wrong files in words."""

from __future__ import annotations

import argparse
import hashlib
import io
import json

import numpy as np
import pytest
from PIL import Image
from tests.grading.grading_plates import looked_at, pepper, plate

from truelobe.commands.grade import _numbered, add_grade
from truelobe.messages import TruelobeError


def run(*words):
    parser = argparse.ArgumentParser()
    add_grade(parser.add_subparsers())
    arguments = parser.parse_args(["grade", *map(str, words)])
    return arguments.run(arguments)


@pytest.fixture
def measured(tmp_path):
    path = tmp_path / "plates.jsonl"
    documents = [plate(*(pepper(n, length=95.0 - 10 * k) for n in range(1, 6))) for k in range(2)]
    path.write_text("\n".join(map(json.dumps, documents)))
    (tmp_path / "facts.jsonl").write_text("\n".join([json.dumps(looked_at(1, 2, 3, 4, 5).document())] * 2))
    return path


def test_plates_are_graded_and_written_out(measured, tmp_path, capsys):
    made = {name: tmp_path / name for name in ("grades.jsonl", "class.pdf", "class.xlsx")}
    facts = tmp_path / "facts.jsonl"
    assert run(measured, "--facts", facts, "--color", "red", "--json", made["grades.jsonl"], "--sheet",
               made["class.pdf"], "--xlsx", made["class.xlsx"]) == 0  # fmt: skip
    grades = [json.loads(line) for line in made["grades.jsonl"].read_text().splitlines()]
    assert [grade["highest"] for grade in grades] == ["U.S. Fancy", "U.S. No. 1"]
    assert made["class.pdf"].read_bytes().startswith(b"%PDF")
    assert made["class.xlsx"].read_bytes().startswith(b"PK")
    assert "All five meet the measured and recorded requirements of U.S. Fancy" in capsys.readouterr().out


def test_without_hand_facts_nothing_passes(measured, capsys):
    assert run(measured, "--json", "-") == 0
    assert all(json.loads(line)["highest"] is None for line in capsys.readouterr().out.splitlines())


@pytest.mark.parametrize("content", [b"", b"{", b"\xff\xfe", b'{"schema": 2}', b"[]"])
def test_files_that_hold_no_documents_are_refused_in_words(tmp_path, content):
    path = tmp_path / "bad.json"
    path.write_bytes(content)
    if content:
        with pytest.raises(TruelobeError) as refused:
            run(path)
        assert refused.value.message.code == "document-unreadable"
    else:
        assert run(path) == 0


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["nowhere.json"], "file-unreadable"),
        (["x", "--level", "1.5"], "level-wrong"),
        (["x", "--rules", "no"], "rules-missing"),
    ],
)
def test_wrong_words_are_refused(words, code):
    with pytest.raises(TruelobeError) as refused:
        run(*words)
    assert refused.value.message.code == code


def test_the_photo_that_was_measured_is_numbered_and_any_other_picture_stays():
    made = io.BytesIO()
    Image.new("RGB", (1600, 1200), (120, 120, 120)).save(made, "PNG")
    document = plate(pepper(1))
    own = {**document, "photo": {**document["photo"], "sha256": hashlib.sha256(made.getvalue()).hexdigest()}}
    numbered = np.asarray(Image.open(io.BytesIO(_numbered(made.getvalue(), own))).convert("L"))
    # The number's disc is ink with white in it; the photo is of one gray.
    assert numbered.min() < 60
    assert numbered.max() > 240
    other = {**own, "photo": {**own["photo"], "sha256": "0" * 64}}
    assert _numbered(made.getvalue(), other) == made.getvalue()
