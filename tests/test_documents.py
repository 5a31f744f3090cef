"""What the documents claim is so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from geo.cli import app

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def commands() -> list[str]:
    """Return the names of the commands and of groups of them."""
    single = [
        str(command.name or command.callback.__name__)
        for command in app.registered_commands
        if command.callback
    ]
    return sorted([*single, *(str(group.name) for group in app.registered_groups)])


@pytest.mark.parametrize("name", commands())
def test_a_command_has_help(name: str) -> None:
    """Every command explains itself."""
    said = CliRunner().invoke(app, [name, "--help"])
    assert said.exit_code == 0
    assert len(said.output.split()) > 5


@pytest.mark.parametrize("name", sorted(set(re.findall(r"(?:bin/|`)wallfoot ([a-z-]+)", README))))
def test_the_readme_names_real_commands(name: str) -> None:
    """A command in the README exists."""
    assert name in commands()


@pytest.mark.parametrize("target", sorted(set(re.findall(r"\]\(([^)#:]+)\)", README))))
def test_the_readme_links_to_files(target: str) -> None:
    """A link in the README leads to a file of the project."""
    assert (ROOT / target).exists()


def test_no_registry_and_no_path_is_named() -> None:
    """The pinned names and versions hold no address."""
    assert "://" not in (ROOT / "constraints.txt").read_text(encoding="utf-8")
