"""What README.md tells people to type has to exist."""

from __future__ import annotations

import ast
import importlib
import inspect
import re
import shlex
from pathlib import Path
from typing import Any

import pytest

from calib.cli import parser

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.DOTALL | re.MULTILINE)


def rigtrue_commands() -> list[str]:
    lines = [part for block in blocks("sh") for line in block.splitlines() for part in line.split("&&")]
    return [part.strip() for part in lines if re.match(r"\s*(\.venv/bin/)?rigtrue ", part)]


@pytest.mark.parametrize("command", rigtrue_commands())
def test_commands_parse(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    words = shlex.split(command, comments=True)[1:]
    try:
        args = parser().parse_args(words)
    except SystemExit:
        pytest.fail(f"{command}: {capsys.readouterr().err}")
    assert args.command == words[0]


def test_every_step_has_its_command() -> None:
    said = {shlex.split(c)[1] for c in rigtrue_commands()}
    assert said >= {"new", "check", "print", "plan", "run", "confirm"}


def test_python_example_calls_what_is_there() -> None:
    (example,) = blocks("python")
    tree = ast.parse(example)
    names: dict[str, Any] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            module = importlib.import_module(str(node.module))
            names |= {a.name: getattr(module, a.name) for a in node.names}
    checked = 0
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in names:
            if not inspect.isfunction(names[node.func.id]):
                continue
            keywords = {k.arg: None for k in node.keywords if k.arg}
            inspect.signature(names[node.func.id]).bind(*node.args, **keywords)
            checked += 1
    assert checked >= 3
