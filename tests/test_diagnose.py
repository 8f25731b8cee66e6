"""What is said of tags and parts that moved: one cause where one explains it, every candidate where several do."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from calib.estimation.diagnose import (
    _moved_findings,
    _slipped,
    final_findings,
    off_by_much,
    scale_finding,
    zoom_or_camera,
    zoomed_photos,
)
from calib.estimation.equations import RigProblem
from calib.estimation.moved import Moved
from calib.estimation.solver import minimise
from calib.estimation.start import PhotoPoses
from calib.estimation.unknowns import State
from calib.results import Code, Finding
from capture.observations import Observations
from tests.bench.estimate import plain_problem, shoot

Array = NDArray[np.float64]
RIG = Path(__file__).resolve().parents[1] / "sample_data" / "rig.toml"


@pytest.fixture(scope="module")
def sound() -> tuple[RigProblem, State, Observations]:
    rig, obs = shoot(2, seed=4)
    problem, state = plain_problem(rig, obs)
    return problem, state, obs


def moved(tags: tuple[str, ...], *rivals: tuple[str, ...]) -> Moved:
    return Moved(tags, ("push2", "push3"), 4.0, 1.5, 0.1, rivals)


def test_one_tag_that_explains_it_slipped_and_all_tags_of_a_part_mean_it_bent(
        sound: tuple[RigProblem, State, Observations]) -> None:
    layout = sound[0].layout
    (one,) = _moved_findings(moved(("left_lever",)), "left_lever", ["left_lever"], layout)
    assert (one.code, one.item, one.positions) == (Code.TAG_SLIPPED, "left_lever", ("push2", "push3"))
    assert one.facts["mm"] == 4.0 and one.facts["deg"] == 1.5 and one.serious
    both = ("left_lever", "left_lever_rod")
    (bent,) = _moved_findings(moved(both), "left_lever", both, layout)
    assert (bent.code, bent.item) == (Code.PART_BENT, "left_lever") and bent.facts["mm"] == 4.0
    # the estimate put the other tag's corners aside: that one is said, without the size found for the first
    (other,) = _moved_findings(moved(("left_lever",), ("left_lever_rod",)), "left_lever", ["left_lever_rod"], layout)
    assert (other.code, other.item) == (Code.TAG_SLIPPED, "left_lever_rod") and "mm" not in other.facts


def test_where_two_tags_explain_it_alike_each_is_named_as_one_of_them(
        sound: tuple[RigProblem, State, Observations]) -> None:
    layout, two = sound[0].layout, ("left_lever", "left_lever_rod")
    found = _moved_findings(moved(two[:1], two[1:]), "left_lever", (), layout)
    assert [f.item for f in found] == list(two)
    assert all(f.code is Code.TAG_SLIPPED and f.facts["one_of"] == two for f in found)
    assert all("left" in f.text and "mm" not in f.facts for f in found)
    (part,) = _moved_findings(moved(two, two[:1]), "left_lever", (), layout)
    assert part.code is Code.PART_BENT and part.facts["or_tags"] == two[:1]


def test_a_tag_that_fits_nearly_nowhere_is_unfit_rather_than_slipped() -> None:
    assert _slipped("left_lever", ["push3"], 7).code is Code.TAG_SLIPPED
    assert _slipped("left_lever", ["ahead", "push1", "push2"], 7).code is Code.TAG_SLIPPED
    assert _slipped("left_lever", ["back1", "ahead", "push1", "push2", "push3"], 7).code is Code.TAG_UNFIT


def test_paper_that_is_not_flat_is_no_slip(sound: tuple[RigProblem, State, Observations]) -> None:
    """A tenth of a millimetre makes outliers of a sharp photo's corners, as one gross corner may; neither is a slip."""
    problem = sound[0]
    state: State = minimise(problem, sound[1]).state
    c, tag, position = problem.corners, "left_upright_arm", "push2"
    where = np.array([problem.layout.photo_positions[p] == position for p in c.photo])
    mine = where & (c.tag == problem.layout.tags.index(tag))
    assert mine.any()
    depth = problem.corner_block.view(problem.motions(state)).xc[mine, :, 2].mean(axis=1)
    px_per_mm = state.lens[0] / depth

    def shifted(mm: float, corners: slice = slice(None)) -> tuple[str, ...]:
        uv = c.uv.copy()
        uv[np.flatnonzero(mine), corners, 0] += mm * px_per_mm[:, None]
        return off_by_much(replace(problem, corners=replace(c, uv=uv)), state, tag, ("push2", "back2"))

    assert shifted(0.0) == () and shifted(0.12) == () and shifted(50.0, slice(3, 5)) == ()
    assert shifted(0.6) == ("push2",) and shifted(-0.6) == ("push2",)


def test_a_zoom_small_enough_to_be_the_boards_paper_waits_for_all_corners(
        sound: tuple[RigProblem, State, Observations]) -> None:
    problem, state, _ = sound
    c = problem.corners

    def named(zoom: float) -> list[str]:
        """With one photo's pixels blown up, and the board's own calibration saying that it is off."""
        uv, lens = c.uv.copy(), state.lens
        uv[c.photo == 2] = lens[2:4] + zoom * (uv[c.photo == 2] - lens[2:4])
        df = state.df.copy()
        df[2] = zoom - 1
        photos = PhotoPoses(state.lens, state.photo_R, state.photo_t, df, state.dc)
        return [f.item for f in zoomed_photos(replace(c, uv=uv), problem.layout, photos)]

    assert named(1.02) == [] and named(1.1) == [problem.layout.photos[2]] == named(0.9)


def test_a_few_misread_board_corners_are_no_zoom(sound: tuple[RigProblem, State, Observations]) -> None:
    problem, state, _ = sound
    c = problem.corners

    def named(zoom: float, stray: float) -> list[str]:
        """With one photo's pixels blown up, and its board's outermost corners read further out than they are."""
        uv, lens = c.uv.copy(), state.lens
        mine = c.photo == 2
        uv[mine] = lens[2:4] + zoom * (uv[mine] - lens[2:4])
        board = c.seen & (mine & (c.tag < 0))[:, None]
        middle = uv[board].mean(axis=0)
        out = np.where(board, np.linalg.norm(uv - middle, axis=2), 0.0)
        wild = out >= np.sort(out[board])[-len(out[board]) // 50]
        uv[wild] += stray * (uv[wild] - middle) / out[wild][:, None]
        df = state.df.copy()
        df[2] = max(zoom - 1, 0.02)
        photos = PhotoPoses(state.lens, state.photo_R, state.photo_t, df, state.dc)
        return [f.item for f in zoomed_photos(replace(c, uv=uv), problem.layout, photos)]

    assert named(1.0, 25.0) == []  # unless set aside they are followed by the focal length
    assert named(1.1, 25.0) == [problem.layout.photos[2]]


def test_a_zoom_may_be_another_camera_where_the_file_names_none(
        sound: tuple[RigProblem, State, Observations]) -> None:
    obs = sound[2]
    names = [p.name for p in obs.photos[:2]]
    bare = replace(obs, photos=(replace(obs.photos[0], camera=""), *obs.photos[1:]))
    found = {n: Finding(Code.DIGITAL_ZOOM, n, facts={"zoom": 1.2}) for n in names}
    told = zoom_or_camera(found, bare)
    assert told[names[0]].facts["camera_named"] is False and told[names[1]] == found[names[1]]
    assert told[names[0]].text != found[names[0]].text


def residuals(problem: RigProblem, lost: dict[tuple[str, str], float]) -> pd.DataFrame:
    """One row a corner, weight 0 for the share ``lost`` of a photo's or a tag's corners at a position."""
    rows = []
    for k in range(len(problem.corners.tag)):
        photo = problem.layout.photos[problem.corners.photo[k]]
        tag = "board" if problem.corners.tag[k] < 0 else problem.layout.tags[problem.corners.tag[k]]
        position = problem.layout.photo_positions[problem.corners.photo[k]]
        share = max(lost.get((photo, ""), 0.0), lost.get((tag, position), 0.0))
        weight = (np.arange(32) >= round(32 * share)).astype(float)
        rows.append(pd.DataFrame({"photo": photo, "position": position, "tag": tag, "weight": weight}))
    return pd.concat(rows, ignore_index=True)


def test_final_findings_name_each_oddity_and_nothing_on_a_sound_shoot(
        sound: tuple[RigProblem, State, Observations]) -> None:
    problem, state, _ = sound
    cov = np.eye(problem.layout.size) * 1e-8
    quiet = replace(problem, priors=replace(problem.priors, scale_sd=1.0))  # the bar is judged by itself elsewhere
    assert not [f for f in final_findings(quiet, state, cov, residuals(problem, {}), 1.0) if f.serious
                and f.code is not Code.ROD_MISFIT]
    photo, other = problem.layout.photos[0], problem.layout.photos[3]
    df = state.df.copy()
    df[3] = 0.05
    bowed = replace(state, df=df, bow=np.array([2.5, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]))
    slot = problem.layout.angle("left_upright", "push3")
    assert slot is not None
    vague = cov.copy()
    vague[slot, slot] = np.deg2rad(3.0) ** 2
    rig = replace(problem.rig, board=replace(problem.rig.board, bar_measured=None))
    bare = replace(quiet, layout=replace(problem.layout, rig=rig))
    found = final_findings(bare, bowed, vague, residuals(problem, {(photo, ""): 0.4}), 2.5)
    by_code = {f.code: f for f in found}
    assert by_code[Code.PHOTO_POOR].item == photo and by_code[Code.PHOTO_POOR].facts["lost"] == pytest.approx(
        13 / 32, abs=0.02)
    assert by_code[Code.DIGITAL_ZOOM].item == other and by_code[Code.DIGITAL_ZOOM].facts["off"] == 0.05
    assert by_code[Code.ANGLE_UNKNOWN].item == "left_upright"
    assert by_code[Code.ANGLE_UNKNOWN].positions == ("push3",)
    assert by_code[Code.CORNERS_ROUGH].facts["factor"] == 2.5
    assert by_code[Code.BOARD_BOWED].facts["mm"] == 2.5
    assert Code.SCALE_UNKNOWN in by_code and Code.SCALE_DISAGREES not in by_code
    assert scale_finding(bare, state, cov) == []


def test_a_tag_that_no_photo_of_a_position_shows_is_named_with_it(
        sound: tuple[RigProblem, State, Observations]) -> None:
    problem, state, _ = sound
    cov = np.eye(problem.layout.size) * 1e-8
    table = residuals(problem, {})
    whole = {f.item: f.positions for f in final_findings(problem, state, cov, table, 1.0) if f.code is Code.TAG_UNSEEN}
    tag = next(t for t in problem.layout.tags if t not in whole and problem.rig.tags[t].centres_on)
    less = table[~((table["tag"] == tag) & table["position"].isin(["push2", "back1"]))]
    found = {f.item: f for f in final_findings(problem, state, cov, less, 1.0) if f.code is Code.TAG_UNSEEN}
    assert found.keys() == {*whole, tag} and not found[tag].serious
    assert set(found[tag].positions) == {"push2", "back1"} & set(problem.layout.positions) and found[tag].positions
