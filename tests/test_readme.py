"""What README.md tells people to type has to exist."""

from __future__ import annotations

import ast
import inspect
import re
import runpy
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
    _, example = blocks("python")
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


def imported(example: str) -> dict[str, Any]:
    """What an example takes from the two faces; all of it must be listed there."""
    out = {}
    for node in ast.walk(ast.parse(example)):
        if isinstance(node, ast.ImportFrom) and node.module in ("calib", "capture"):
            face = {"calib": calib, "capture": capture}[node.module]
            assert {a.name for a in node.names} <= set(face.__all__)
            out |= {a.name: getattr(face, a.name) for a in node.names}
    return out


def test_python_example_of_the_whole_job_calls_what_is_there() -> None:
    """Each call with arguments that the function has; the slow test below runs it."""
    example, _ = blocks("python")
    known, called = imported(example), set()
    for node in ast.walk(ast.parse(example)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in known:
            called.add(node.func.id)
            inspect.signature(known[node.func.id]).bind(*node.args, **{k.arg: k.value for k in node.keywords if k.arg})
    assert called >= {"plan_shoot", "run_shoot", "confirm_shoot", "history", "run_again"}


@pytest.mark.slow
def test_python_example_of_the_whole_job_runs(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
                                              tmp_path: Path) -> None:
    example, _ = blocks("python")
    (tmp_path / "sample_data").symlink_to(ROOT / "sample_data")
    (tmp_path / "out").mkdir()
    (tmp_path / "example.py").write_text(example, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("RIGTRUE_RECORD", str(tmp_path / "record"))
    monkeypatch.syspath_prepend(ROOT)
    names = runpy.run_path(str(tmp_path / "example.py"), run_name="__main__")
    said = capsys.readouterr().out
    assert said.endswith("True\n"), "the same to the digit"
    told = [line.partition(":")[0] for line in said.splitlines() if re.search(r": \d+ of \d+$", line)]
    assert {"reading photos", "estimating pivots, rods and angles", "searching for the adjustment",
            "writing the report"} <= set(told)
    toe = names["before"].results.comparison.figure("toe")
    assert toe.verdict.not_met and f"{toe.measured:.2f} +/- {toe.u95:.2f} deg" in said
    assert {o.name: o.as_predicted for o in names["after"].outcomes}["toe"]
    assert len(re.findall(r"^toe -?\d+\.\d\d deg$", said, re.MULTILINE)) == 2
