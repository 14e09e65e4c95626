"""README and docs: every example runs and shows what the text shows; every link leads somewhere."""

import contextlib
import doctest
import io
import re
import shlex
from pathlib import Path

import pytest
from markdown_it import MarkdownIt

from level.cautions import CAUTIONS
from level.cli import run_app

ROOT = Path(__file__).parent.parent
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
OPTIONS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


def fences(path: Path, language: str) -> list[str]:
    """Contents of the fenced blocks of one language."""
    return [
        token.content
        for token in MarkdownIt().parse(path.read_text())
        if token.type == "fence" and token.info.strip() == language
    ]


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """A folder with what the demo writes."""
    folder = tmp_path_factory.mktemp("docs") / "demo"
    with contextlib.redirect_stdout(io.StringIO()):
        assert run_app(["demo", str(folder)]) == 0
    return folder


def transcript(block: str) -> list[tuple[str, str]]:
    """Commands of a console block with the output shown."""
    parts = re.split(r"^\$ ", block, flags=re.MULTILINE)
    return [(part.split("\n", 1)[0], part.split("\n", 1)[1]) for part in parts[1:]]


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_console_examples_show_what_they_say(path, demo, monkeypatch):
    monkeypatch.chdir(demo)
    for block in fences(path, "console"):
        for command, shown in transcript(block):
            program, *arguments = shlex.split(command)
            assert program == "planish"
            output = io.StringIO()
            with contextlib.redirect_stdout(output), contextlib.redirect_stderr(output):
                assert run_app(arguments) in (0, 3)
            lines = output.getvalue().rstrip("\n") + "\n"
            kept = (shown.rstrip("\n") + "\n").split("...\n")
            pattern = ".*".join(re.escape(part) for part in kept)
            assert re.fullmatch(pattern, lines, re.DOTALL), f"{command} prints\n{lines}"


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_python_examples_show_what_they_say(path, demo, monkeypatch):
    monkeypatch.chdir(demo)
    for number, block in enumerate(fences(path, "python")):
        test = doctest.DocTestParser().get_doctest(block, {}, f"{path.name} {number}", str(path), 0)
        assert test.examples
        report = io.StringIO()
        assert doctest.DocTestRunner(optionflags=OPTIONS).run(test, out=report.write).failed == 0, (
            report.getvalue()
        )


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_links_lead_somewhere(path):
    for target in re.findall(r"\]\(([^)#]+)[^)]*\)", path.read_text()):
        assert (path.parent / target).exists(), target


def test_readme_shows_every_caution():
    text = " ".join((ROOT / "README.md").read_text().split())
    for caution in CAUTIONS:
        assert caution in text


def test_every_error_code_and_command_is_documented():
    from level.cli import COMMANDS

    text = "".join(path.read_text() for path in PAGES)
    for command in COMMANDS:
        assert f"planish {command}" in text
