"""Folders and the positions that the rig file names; a whole shoot that went through a messenger."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calib.cli import main
from calib.rig.reader import load_rig
from capture.errors import UserError
from capture.labels import as_named
from capture.observations import COLUMNS, PhotoInfo
from capture.shoot import Outcome, gathered

SAMPLE = Path(__file__).parents[1] / "sample_data"
NAMED = ("back1", "ahead", "push1", "push2")


def listed(*labels: str) -> list[tuple[Path, str, str]]:
    return [(Path(f"{x}/a.jpg"), x, f"{x}/a.jpg") for x in labels]


def test_capitals_are_the_same_position_on_every_system() -> None:
    photos, notes = as_named(listed("Push1", "AHEAD", "push1", "back1"), NAMED, "photos")
    assert [label for _, label, _ in photos] == ["push1", "ahead", "push1", "back1"] and notes == []
    assert [str(path) for path, _, _ in photos][0].startswith("Push1")  # the file stays where it is


@pytest.mark.parametrize(("label", "meant"), [("psuh1", "push1"), ("push_1", "push1"), ("ahed", "ahead"),
                                              ("Bcak1", "back1")])
def test_a_slip_is_refused_with_what_was_meant(label: str, meant: str) -> None:
    with pytest.raises(UserError, match=f'"{label}" in photos is no position .* did you mean "{meant}"'):
        as_named(listed("ahead", label), NAMED, "photos")


def test_another_label_stays_a_position_and_is_said() -> None:
    photos, (note,) = as_named(listed("ahead", "halfway"), NAMED, "photos")
    assert [label for _, label, _ in photos] == ["ahead", "halfway"] and '"halfway" is no position' in note
    assert as_named(listed("psuh1"), (), "photos")[1] == []  # without a rig file every folder is a position


def test_every_label_of_a_rig_counts() -> None:
    rig = replace(load_rig(SAMPLE / "rig.toml"), loaded="rider")
    assert rig.labels[:3] == ("back3", "back2", "back1") and rig.labels[-3:] == ("spin1", "spin2", "rider")


def test_a_slip_ends_the_run_before_a_photo_is_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copytree(SAMPLE / "before" / "push1", tmp_path / "photos" / "psuh1")
    assert main(["run", str(SAMPLE / "rig.toml"), str(tmp_path / "photos"), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert 'did you mean "push1"' in said and "reading photos" not in said and not (tmp_path / "out").exists()


def outcomes(width: int, height: int, **more: object) -> list[Outcome]:
    row = np.array([[0.0, 0.0, 10.0, 10.0, 0.01, 0.0, 0.01]])
    return [Outcome(f"ahead/{k}.jpg", PhotoInfo(f"ahead/{k}.jpg", "ahead", width, height, **more), row,  # type: ignore
                    sha256=str(k)) for k in range(3)]


def test_a_whole_shoot_through_a_messenger_is_noticed() -> None:
    (note,) = gathered(outcomes(1280, 960)).notes
    assert "1280 x 960" in note and "messenger" in note and "by cable" in note
    assert gathered(outcomes(960, 1280)).notes == (note,)
    assert gathered(outcomes(1280, 960, camera="Example EX-1")).notes == ()  # small, and yet as the camera wrote it
    assert gathered(outcomes(4000, 3000)).notes == ()
    assert list(gathered(outcomes(1280, 960)).table.columns) == list(COLUMNS)
    assert isinstance(gathered(outcomes(1280, 960)).table, pd.DataFrame)
