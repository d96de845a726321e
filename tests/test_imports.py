"""The direction of imports: steps uses renderer, renderer knows nothing of steps, demo_model neither."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from demo_model.solids import block
from steps.prints.stl import stl_bytes

ROOT = Path(__file__).parent.parent
PACKAGES = ("steps", "renderer", "demo_model")
MAY_IMPORT = {
    "steps": {"steps", "renderer"},
    "renderer": {"renderer"},
    "demo_model": {"demo_model"},
}
#: The one place in steps that may use the demo models.
DEMO_COMMAND = "steps/cli/demo.py"


def imports_of(path: Path) -> Iterator[str]:
    """Top packages that a module imports, anywhere in it."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield (node.module or "").split(".")[0]


@pytest.mark.parametrize("package", PACKAGES)
def test_packages_import_only_what_they_may(package: str) -> None:
    modules = sorted((ROOT / package).rglob("*.py"))
    assert modules
    for path in modules:
        name = path.relative_to(ROOT).as_posix()
        allowed = MAY_IMPORT[package] | ({"demo_model"} if name == DEMO_COMMAND else set())
        ours = {found for found in imports_of(path) if found in (*PACKAGES, "tests")}
        assert ours <= allowed, f"{name} imports {sorted(ours - allowed)}"


def test_the_check_sees_imports_inside_functions() -> None:
    assert "demo_model" in set(imports_of(ROOT / DEMO_COMMAND))


def test_help_loads_nothing_heavy() -> None:
    script = (
        "import sys; from steps.cli import run; status = run(['--help']);"
        "print(status, *sorted(sys.modules), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT, timeout=60
    )
    status, *loaded = done.stderr.split()
    assert status == "0"
    heavy = {"trimesh", "scipy", "networkx", "reportlab", "PIL", "pydantic", "fcl", "pyrender", "lib3mf"}
    assert not heavy & set(loaded)


def test_a_rerun_of_place_loads_nothing_that_only_measuring_needs(tmp_path: Path) -> None:
    solid = block(2, 2)
    (tmp_path / "block.stl").write_bytes(stl_bytes(solid.vertices, solid.faces))
    rows = ["one = block, table, 1 1", "two = block, one, 2 1", "box = block, at, 0 60 0, 0 0 30"]
    (tmp_path / "build.toml").write_text("\n".join(['[build]\nlines = """', *rows, '"""', ""]))
    script = (
        "import sys; from steps.cli import run; status = run(sys.argv[1:]);"
        "print(status, *sorted(sys.modules), file=sys.stderr)"
    )
    told = []
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-c", script, "place", str(tmp_path), "-q"],
            capture_output=True,
            text=True,
            check=True,
            cwd=ROOT,
            timeout=60,
        )
        told.append(done.stderr.split())
    first, again = ({module.partition(".")[0] for module in each} for each in told)
    assert told[0][0] == told[1][0] == "0"
    assert {"scipy", "embreex"} <= first
    assert "embreex" in again
    assert not {"scipy", "networkx", "trimesh", "reportlab", "lib3mf"} & again


def test_no_two_classes_have_one_name() -> None:
    """Who reads a name anywhere knows which class is meant."""
    places: dict[str, list[str]] = {}
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.ClassDef):
                    places.setdefault(node.name, []).append(path.relative_to(ROOT).as_posix())
    assert {name: found for name, found in places.items() if len(found) > 1} == {}
