"""What README.md tells people to type has to exist."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest

import calib
import capture
from calib.cli import parser

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


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


def test_python_example_runs(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    (example,) = blocks("python")
    monkeypatch.chdir(ROOT)
    names: dict[str, Any] = {"__name__": "example"}
    exec(compile(example, "README.md", "exec"), names)
    said = capsys.readouterr().out
    assert "left steer, push2" in said or "toe" in said
    assert names["comparison"].figure("toe").verdict.text in said
    assert names["fit"].converged and len(names["observations"].table) > 1000
    for module in (calib, capture):
        assert set(re.findall(rf"^from {module.__name__} import (.+)$", example, re.MULTILINE)[0].split(", ")) <= set(
            module.__all__)
