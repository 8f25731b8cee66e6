"""Photos with the rider aboard: what the weight does to toe, camber and caster, against rigs bent by known amounts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.estimation.bundle import estimate
from calib.estimation.loaded import (
    LoadedPhoto,
    TagPlaces,
    carried,
    loaded_figures,
    loaded_motion,
    standing_figures,
)
from calib.results import AsBuilt
from calib.rig.reader import load_rig
from capture.errors import UserError
from capture.observations import Observations
from capture.targets import saddle_points
from tests.render.shoot import simulate_observations, true_corners
from tests.render.truth import VIEWS, Truth, plan_shots, random_truth, sample_truth

RIG = Path(__file__).resolve().parents[1] / "sample_data" / "rig.toml"
Array = NDArray[np.float64]
UPRIGHTS = ("left_upright", "right_upright")


def bend(truth: Truth, deg: float) -> tuple[dict[str, tuple[Array, Array]], Truth]:
    """Each side's upright turned ``deg`` about the vehicle's x axis and half of that about z, outwards; tags ride."""
    out = {}
    for name, sign in zip(UPRIGHTS, (1.0, -1.0), strict=True):
        r = Rotation.from_rotvec(np.deg2rad([deg * sign, 0.0, 0.5 * deg * sign])).as_matrix()
        p = np.asarray(truth.rig.bodies[name].pivot)
        out[name] = (r, p - r @ p + np.array([0.0, 0.0, -1.5]))
    tags = dict(truth.tags)
    for n, tag in truth.rig.tags.items():
        if tag.body in out:
            r, t = out[tag.body]
            tags[n] = (r @ truth.tags[n][0], r @ truth.tags[n][1] + t)
    return out, replace(truth, tags=tags)


def photos_of(truth: Truth, names: list[str], sigma: float, rng: np.random.Generator, views: int) -> list[LoadedPhoto]:
    shots = plan_shots(truth.lens, {"ahead": [VIEWS[k % len(VIEWS)] for k in range(views)]}, rng)
    board = truth.board.saddles()
    code = {truth.rig.tags[n].code: k for k, n in enumerate(names)}
    out = []
    for shot in shots:
        bx, bu, pt, px, pu = [], [], [], [], []
        for c, uv in true_corners(truth, shot).items():
            noisy = uv + rng.normal(0, sigma, uv.shape)
            if c in board:
                R, t = truth.board_pose
                bx.append((truth.board_points(board[c]) - t) @ R)
                bu.append(noisy)
            elif c in code:
                pt.append(np.full(len(uv), code[c]))
                px.append(saddle_points(truth.rig.tags[names[code[c]]].size) * truth.print_scale)
                pu.append(noisy)
        w = np.eye(2) / sigma
        out.append(LoadedPhoto(np.concatenate(bx), np.concatenate(bu), np.tile(w, (sum(map(len, bx)), 1, 1)),
                               np.concatenate(pt), np.concatenate(px), np.concatenate(pu),
                               np.tile(w, (sum(map(len, pt)), 1, 1))))
    return out


def places_of(truth: Truth, names: list[str]) -> TagPlaces:
    R, t = truth.board_pose
    return TagPlaces(np.array([R.T @ truth.tags[n][0] for n in names]),
                     np.array([R.T @ (truth.tags[n][1] - t) for n in names]),
                     np.diag(np.tile([1e-10] * 3 + [1e-4] * 3, len(names))),
                     tuple(truth.rig.tags[n].body for n in names))


@pytest.mark.parametrize("seed", range(3))
def test_known_bend(seed: int) -> None:
    rng = np.random.default_rng(seed)
    truth = sample_truth(RIG)
    lens = np.array([truth.lens.f, truth.lens.aspect, truth.lens.cx, truth.lens.cy, *truth.lens.dist])
    motions, bent = bend(truth, 0.5)
    names = [n for n, t in truth.rig.tags.items() if t.body in UPRIGHTS]
    found = loaded_motion(photos_of(bent, names, 0.05, rng, 6), places_of(truth, names), lens, 0.003, 5.0)
    R, t = truth.board_pose
    for k, name in enumerate(found.uprights):
        r, s = motions[name]
        got_R, got_t = found.in_frame(R, t)[name]
        turn = Rotation.from_matrix(R.T @ got_R @ r.T @ R).as_rotvec()
        sd = np.sqrt(np.diag(found.cov)[6 * k:6 * k + 3])
        assert np.all(np.abs(turn) < 4 * sd) and np.all(sd < np.deg2rad(0.05)), (np.degrees(turn), np.degrees(sd))
        p = np.asarray(truth.rig.bodies[name].pivot)
        assert np.linalg.norm(got_R @ p + got_t - r @ p - s) < 0.1


def test_figures_carry_the_bend() -> None:
    rng = np.random.default_rng(5)
    truth = sample_truth(RIG)
    motions, bent = bend(truth, 0.5)
    names = [n for n, t in truth.rig.tags.items() if t.body in UPRIGHTS]
    lens = np.array([truth.lens.f, truth.lens.aspect, truth.lens.cx, truth.lens.cy, *truth.lens.dist])
    found = loaded_motion(photos_of(bent, names, 0.05, rng, 6), places_of(truth, names), lens, 0.003, 5.0)
    keys = tuple(f"{s}.spin.{k}" for s in truth.rig.wheels for k in "xyz")
    built = AsBuilt(truth.rig, keys, np.eye(6) * np.deg2rad(0.02) ** 2, {})
    got = {f.name: f for f in loaded_figures(built, found, *truth.board_pose)}
    for side, sign in (("left", 1.0), ("right", -1.0)):
        r = motions[f"{side}_upright"][0]
        spin, spun = np.asarray(truth.rig.wheels[side].spin), r @ np.asarray(truth.rig.wheels[side].spin)
        was, now = (np.degrees(np.arcsin(-sign * s[2])) for s in (spin, spun))
        f = got[f"camber {side}"]
        assert f.change == pytest.approx(now - was, abs=0.02) and f.unloaded == pytest.approx(was, abs=1e-9)
        assert abs(f.change - (now - was)) < f.change_u95 * 2 and f.change_u95 < 0.03 < f.loaded_u95
    # both wheels turned outwards by a quarter of a degree: toe-out by half a degree
    assert got["toe"].change == pytest.approx(-0.5, abs=0.02)
    assert got["toe"].loaded == pytest.approx(got["toe"].unloaded + got["toe"].change)


def test_where_the_lever_was_held_is_no_load() -> None:
    rig = load_rig(RIG)
    turn = {}
    for name in UPRIGHTS:
        axis, p = np.asarray(rig.bodies[name].axis), np.asarray(rig.bodies[name].pivot)
        r = Rotation.from_rotvec(np.deg2rad(1.5) * axis).as_matrix()
        turn[name] = (r, p - r @ p)
    still, moved = standing_figures(rig), standing_figures(carried(rig, turn))
    for name, value in still.items():
        assert np.degrees(moved[name] - value) == pytest.approx(0.0, abs=0.01), name


def test_too_few_photos_and_an_unseen_side_are_said() -> None:
    rng = np.random.default_rng(1)
    truth = sample_truth(RIG)
    lens = np.array([truth.lens.f, truth.lens.aspect, truth.lens.cx, truth.lens.cy, *truth.lens.dist])
    names = [n for n, t in truth.rig.tags.items() if t.body in UPRIGHTS]
    with pytest.raises(UserError, match="2 loaded photo"):
        loaded_motion(photos_of(truth, names, 0.05, rng, 2), places_of(truth, names), lens, 0.003, 5.0)
    left = [n for n in names if truth.rig.tags[n].body == "left_upright"]
    with pytest.raises(UserError, match="no loaded photo shows a tag of right_upright"):
        one_sided = [replace(p, part_tag=p.part_tag[keep], part_xy=p.part_xy[keep], part_uv=p.part_uv[keep],
                             part_whiten=p.part_whiten[keep])
                     for p in photos_of(truth, names, 0.05, rng, 4)
                     for keep in [np.isin(p.part_tag, [names.index(n) for n in left])]]
        loaded_motion(one_sided, places_of(truth, names), lens, 0.003, 5.0)


@dataclass(frozen=True)
class Aboard(Truth):
    """A shoot in which the uprights stand bent at the label "aboard"."""

    bent: Mapping[str, tuple[Array, Array]] = field(default_factory=dict)

    def tag_pose(self, tag: str, position: str) -> tuple[Array, Array]:
        R, t = super().tag_pose(tag, position)
        r, s = self.bent.get(self.rig.tags[tag].body, (np.eye(3), np.zeros(3))) if position == "aboard" else \
            (np.eye(3), np.zeros(3))
        return r @ R, r @ t + s


def shoot_aboard(seed: int, deg: float, views: int = 6) -> tuple[Aboard, Observations]:
    rng = np.random.default_rng(seed)
    truth = random_truth(RIG, rng)
    bent, _ = bend(truth, deg)
    shots = (*truth.shots, *plan_shots(truth.lens, {"aboard": [VIEWS[k % len(VIEWS)] for k in range(views)]}, rng, 900))
    whole = Aboard(**{f.name: getattr(truth, f.name) for f in fields(Truth)} | {"shots": shots}, bent=bent)
    return whole, simulate_observations(whole, 0.05, rng)


def test_a_whole_shoot_with_the_rider_aboard() -> None:
    truth, obs = shoot_aboard(3, 0.5)
    design = replace(load_rig(RIG), loaded="aboard")
    design = replace(design, board=replace(design.board, bar_measured=180.0 * truth.scale))
    fit = estimate(design, obs)
    plain = estimate(replace(design, loaded=""), replace(
        obs, table=obs.table[obs.table["position"] != "aboard"],
        photos=tuple(p for p in obs.photos if p.position != "aboard")))
    assert "aboard" not in fit.positions
    for f, g in zip(fit.figures, plain.figures, strict=True):
        assert f.name == g.name and f.value == pytest.approx(g.value, abs=1e-6)  # it takes no part in the rest
    moved = carried(truth.rig, truth.bent)
    want, still = standing_figures(moved), standing_figures(truth.rig)
    for f in fit.loaded:
        change = np.degrees(want[f.name] - still[f.name])
        assert abs(f.change - change) < 2 * f.change_u95, (f, change)
        assert f.change_u95 < (0.06 if f.name == "toe" else 0.12), f
    assert {f.name for f in fit.loaded} == set(want)


def test_label_without_photos_is_said() -> None:
    truth, obs = shoot_aboard(4, 0.5)
    design = replace(load_rig(RIG), loaded="with rider")
    kept = replace(obs, table=obs.table[obs.table["position"] != "aboard"],
                   photos=tuple(p for p in obs.photos if p.position != "aboard"))
    fit = estimate(design, kept)
    assert not fit.loaded
    said = [f for f in fit.findings if f.item == "with rider"]
    assert len(said) == 1 and "no photo" in said[0].text and not said[0].serious
