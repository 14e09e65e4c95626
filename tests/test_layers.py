"""The house: imports go one way, and nothing heavy is imported before it is needed."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
ORDER = ("probes", "mesh", "level")
HEAVY = ("scipy", "pyvista", "vtk", "matplotlib", "jinja2", "rich")
MODULES = [path for package in ORDER for path in sorted((ROOT / package).rglob("*.py"))]


def imported(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name.split(".")[0] for alias in node.names]
    if isinstance(node, ast.ImportFrom):
        return [(node.module or "").split(".")[0]]
    return []


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_go_one_way(path: Path) -> None:
    allowed = ORDER[: ORDER.index(path.relative_to(ROOT).parts[0]) + 1]
    for node in ast.walk(ast.parse(path.read_text())):
        for name in imported(node):
            assert name not in ORDER or name in allowed, f"{path.name} imports {name}"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_heavy_imports_are_inside_functions(path: Path) -> None:
    for node in ast.parse(path.read_text()).body:
        assert not set(imported(node)) & set(HEAVY), path


def test_top_level_is_as_agreed() -> None:
    known = {"README.md", "DEVELOPERS.md", "pyproject.toml", "probes", "mesh", "level", "tests",
             "docs"}  # fmt: skip
    built = {"build", "dist", "planish.egg-info", "planish-demo", "__pycache__"}
    seen = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert seen - built == known


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_module_is_packaged(path: Path) -> None:
    import tomllib

    listed = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    assert ".".join(path.parent.relative_to(ROOT).parts) in listed
