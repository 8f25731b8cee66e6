"""Answers kept in a file beside the rig file, so that one can stop and go on another day."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import tomlkit

from calib.rig.starter import LAYOUTS
from capture.errors import UserError


def answers_path(rig: Path) -> Path:
    """rig.toml -> rig.answers.toml"""
    return rig.with_name(rig.stem + ".answers.toml")


def read_answers(path: Path) -> tuple[str, dict[str, str]]:
    """Layout ("" where not chosen yet) and answers. No file: none yet. UserError where it is something else."""
    if not path.exists():
        return "", {}
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        answers, layout = data.get("answers", {}), data.get("layout", "")
        if not isinstance(answers, dict) or layout not in ("", *LAYOUTS) or set(data) - {"answers", "layout"}:
            raise ValueError("it holds something else")
    except (OSError, ValueError) as e:  # bad TOML and bad UTF-8 are ValueErrors
        raise UserError(f"{path}: these are no answers to go on with ({e}); correct the file, or move it away to start "
                        "anew.", "answers", str(path)) from None
    return layout, {k: x if isinstance(x, str) else str(x) for k, x in answers.items()}


def keep_answers(path: Path, layout: str, answers: dict[str, str]) -> None:
    """Write the answers, whole or not at all. UserError where that cannot be done."""
    doc = tomlkit.document()
    doc.add(tomlkit.comment("Answers so far; `rigtrue new --ask` with the rig file's name goes on with them."))
    doc.add("layout", tomlkit.item(layout))
    doc.add("answers", tomlkit.item(dict(answers)))
    beside = path.with_name(path.name + ".part")
    try:
        beside.write_text(tomlkit.dumps(doc), encoding="utf-8")
        os.replace(beside, path)
    except OSError as e:
        raise UserError(f"{path}: the answers cannot be kept ({e.strerror}); name a folder that exists and that you "
                        "may write to.", "cannot_write", str(path)) from None
