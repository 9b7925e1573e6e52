"""The house keeps its shape: names that must not come back, and a way in that stays safe."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_the_source_root_is_no_package_and_the_standard_library_keeps_its_inspect() -> None:
    # A regular package called inspect beside app.py would hide the standard library's module of that name
    # (PEP 420: a folder without __init__.py is only a fallback).
    assert not (ROOT / "inspect" / "__init__.py").exists()
    assert not list((ROOT / "inspect").glob("*.py"))
    code = "import truelobe.pages, inspect; print(inspect.signature(print) is not None)"
    ran = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path.insert(0, 'inspect'); {code}"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.stdout.strip() == "True", ran.stderr


def test_no_module_of_the_package_root_is_named_like_a_standard_one() -> None:
    names = {path.stem for path in (ROOT / "inspect").iterdir()}
    assert names & set(sys.stdlib_module_names) == set()
