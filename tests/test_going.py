"""An estimate that goes on from the last one says what an estimate from nothing says, or does not go on.

The references are the estimate from nothing of the same corners, and the truth that the corners were drawn from.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from calib.advice.compare import ComparedFigure, figures_of
from calib.estimation.bundle import Estimated, estimated
from calib.estimation.going import go_on
from calib.rig.model import Rig
from calib.rig.reader import load_rig
from calib.shooting.known import Knowing
from capture.errors import UserError
from capture.observations import Observations
from tests.render.shoot import simulate_observations
from tests.render.truth import random_truth

RIG = Path(__file__).resolve().parents[1] / "sample_data" / "rig.toml"


@cache
def shoot() -> tuple[Rig, Observations]:
    """A vehicle of its own with play and a hand that moves: 3 photos a position."""
    rng = np.random.default_rng(41)
    truth = random_truth(RIG, rng, views=3)
    return load_rig(RIG), simulate_observations(truth, 0.05, rng)


def part(keep: set[str]) -> Observations:
    obs = shoot()[1]
    return replace(obs, photos=tuple(p for p in obs.photos if p.name in keep),
                   table=obs.table[obs.table["photo"].isin(keep)])


def without(*names: str) -> Observations:
    return part({p.name for p in shoot()[1].photos} - set(names))


@cache
def from_nothing() -> Estimated:
    rig, obs = shoot()
    return estimated(rig, obs)


def names_at(position: str) -> list[str]:
    return [p.name for p in shoot()[1].photos if p.position == position]


def figures(fit: Estimated) -> dict[str, ComparedFigure]:
    return {f.name: f for f in figures_of(shoot()[0], fit.fit) if f.target is not None}


def same(now: Estimated, cold: Estimated, part_of_u95: float) -> None:
    mine, theirs = figures(now), figures(cold)
    assert mine.keys() == theirs.keys() and len(mine) > 2
    for name, f in theirs.items():
        assert abs(mine[name].measured - f.measured) < part_of_u95 * f.u95, name
        assert 0.97 < mine[name].u95 / f.u95 < 1.03, name
    a, b = now.fit, cold.fit
    assert a.positions == b.positions and a.angle_names == b.angle_names
    for key, u in zip(b.angle_names, 1.96 * np.sqrt(np.diag(b.angle_cov)), strict=True):
        assert abs(a.joint_angles[key] - b.joint_angles[key]) < max(part_of_u95 * u, 1e-6), key


@pytest.mark.parametrize("position", ["back2", "ahead", "spin1"])
def test_one_photo_more(position: str) -> None:
    """The last estimate is one of all photos with this one taken off again, so that it knows nothing of it."""
    rig, obs = shoot()
    name = names_at(position)[0]
    less = estimated(rig, without(name)) if position == "back2" else go_on(from_nothing(), rig, without(name))
    assert less is not None and name not in less.solved.problem.layout.photos
    now = go_on(less, rig, obs)
    assert now is not None and now.fit.findings == less.fit.findings
    same(now, from_nothing(), 0.2)


def test_a_photo_taken_off_counts_no_more() -> None:
    rig, _ = shoot()
    name = names_at("push2")[1]
    less = go_on(from_nothing(), rig, without(name))
    assert less is not None
    assert less.solved.used.sum() < from_nothing().solved.used.sum()
    assert np.trace(less.fit.angle_cov) > np.trace(from_nothing().fit.angle_cov)


def test_a_whole_position_more() -> None:
    """Its joint angles are found from the tags alone."""
    rig, obs = shoot()
    less = go_on(from_nothing(), rig, without(*names_at("push1")))
    assert less is not None and "push1" not in less.fit.positions
    now = go_on(less, rig, obs)
    assert now is not None
    same(now, from_nothing(), 0.2)


def shifted(obs: Observations, photo: str, px: float, codes: set[int]) -> Observations:
    table = obs.table.copy()
    here = (table["photo"] == photo) & table["tag"].isin(codes)
    assert here.any()
    table.loc[here, "u"] += px
    return replace(obs, table=table)


def test_what_does_not_fit_starts_from_nothing() -> None:
    """A tag that slipped in the new photo, a zoomed one, another camera, a part's tag never seen before."""
    rig, obs = shoot()
    name = names_at("ahead")[0]
    less = go_on(from_nothing(), rig, without(name))
    assert less is not None
    frame_tags = {t.code for t in rig.tags.values() if t.body != "frame"}
    seen = {int(c) for c in obs.table.loc[obs.table["photo"] == name, "tag"]} & frame_tags
    assert go_on(less, rig, shifted(obs, name, 5.0, seen)) is None
    table = obs.table.copy()
    here = table["photo"] == name
    middle = table.loc[here, ["u", "v"]].mean()
    table.loc[here, ["u", "v"]] = middle + 1.05 * (table.loc[here, ["u", "v"]] - middle)
    assert go_on(less, rig, replace(obs, table=table)) is None
    photos = tuple(replace(p, camera="Another") if p.name == name else p for p in obs.photos)
    assert go_on(less, rig, replace(obs, photos=photos)) is None
    code = next(iter(seen))
    fewer = replace(obs, table=obs.table[obs.table["tag"] != code])
    assert go_on(estimated_without(code), rig, obs) is None and len(fewer.table) < len(obs.table)


def estimated_without(code: int) -> Estimated:
    rig, obs = shoot()
    return estimated(rig, replace(obs, table=obs.table[obs.table["tag"] != code]))


def test_one_bad_corner_is_put_aside() -> None:
    rig, obs = shoot()
    name = names_at("back1")[2]
    less = go_on(from_nothing(), rig, without(name))
    assert less is not None
    table = obs.table.copy()
    row = table.index[table["photo"] == name][7]
    table.loc[row, "v"] += 12.0
    now = go_on(less, rig, replace(obs, table=table))
    assert now is not None
    c, lay = now.solved.problem.corners, now.solved.problem.layout
    mine = c.photo == lay.photos.index(name)
    assert (c.seen & ~now.solved.used)[mine].sum() == 1
    same(now, from_nothing(), 0.2)


def test_known_goes_on_and_enough_waits_for_the_whole() -> None:
    rig, obs = shoot()
    knowing = Knowing(rig)
    first = knowing.soon(without(names_at("back2")[0]))
    assert not first.went_on and first.figures
    soon = knowing.soon(obs)
    assert soon.went_on and not soon.enough and soon.photos == len(obs.photos)
    whole = knowing.whole(obs)
    assert not whole.went_on and [f.label for f in whole.figures] == [f.label for f in soon.figures]
    for a, b in zip(soon.figures, whole.figures, strict=True):
        assert abs(a.value - b.value) < 0.2 * b.u95
    few = knowing.soon(part(set(names_at("ahead")[:1])))
    assert few.trouble and not few.went_on


def test_too_few_photos_left_is_said_as_ever() -> None:
    rig, _ = shoot()
    with pytest.raises(UserError):
        go_on(from_nothing(), rig, part(set(names_at("back1"))))
