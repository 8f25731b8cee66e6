"""Half-hidden tags: found by a second look, measured in the picture alone, and only where they are.

More of each kind: ``python -m tests.bench.hidden``.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from calib.estimation.bundle import estimate, second_look
from calib.rig.reader import load_rig
from capture.corners import project
from capture.detection import find_tags
from capture.hidden import find_again, find_hidden, look_again
from capture.observations import COLUMNS, Observations, PhotoInfo
from capture.photos import read_photo
from capture.shoot import measured, read_shoot
from capture.targets import CELLS, SADDLES, Board, saddle_points
from tests.bench.estimate import shoot
from tests.bench.hidden import RODS, SPOKES, TYRE, Picture, absent, another, picture
from tests.mistakes import tag_slipped
from tests.moorhen import SAMPLE

Array = NDArray[np.float64]


def look(p: Picture, taken: tuple[Array, ...] = ()) -> Array | None:
    """Distances (n,) px of the accepted corners from the truth; None where the tag is not accepted."""
    seen = find_hidden(p.gray, {p.code: p.expected}, taken).get(p.code)
    return None if seen is None else np.linalg.norm((seen.uv - p.true)[seen.ok], axis=1)


@pytest.mark.parametrize("things", [(TYRE,), (RODS, SPOKES), (SPOKES,) * 3])
def test_half_hidden_tag_is_found_and_its_corners_are_right(things: tuple[str, ...]) -> None:
    off = look(picture(np.random.default_rng(4), things, visible=(16, 26)))
    assert off is not None and len(off) >= 10
    assert off.max() < 0.2


def test_slipped_tag_is_found_where_it_is_and_not_where_it_was_expected() -> None:
    """The expectation says where to look and nothing else: other expectations give the same corners."""
    p = picture(np.random.default_rng(5), (RODS,), slip_mm=1.0, visible=(16, 28))
    off = look(p)
    assert off is not None and off.max() < 0.2
    moved = np.linalg.norm((p.true - p.expected).mean(axis=0))
    assert moved > 1.0  # px, so that corners drawn to the expected place would be seen
    first, second = (find_hidden(p.gray, {p.code: p.expected + by})[p.code] for by in (0.0, (0.7, -0.5)))
    both = first.ok & second.ok
    np.testing.assert_allclose(first.uv[both], second.uv[both], atol=0.01)


def test_nothing_is_taken_for_a_tag_that_is_not_there() -> None:
    """Clutter, plain checks of that very size and turn, a bare plate; a tag two cells off; one that stands in front."""
    for k in (1, 8, 9):
        assert look(absent(k)) is None, k
    p = picture(np.random.default_rng(6))
    two_cells = 2 * (p.true[1] - p.true[0])
    assert look(p) is not None
    assert look(replace(p, expected=p.expected + two_cells)) is None
    middle, out = p.true.mean(axis=0), 1.4
    assert look(p, (middle + out * (p.true[[0, 8, 16, 24]] - middle),)) is None
    assert look(replace(p, expected=p.expected[::-1])) is None  # seen from behind


@pytest.mark.parametrize("seed", [2, 3])
def test_another_tag_in_its_place_is_refused(seed: int) -> None:
    assert look(another(seed)) is None


def test_tag_upside_down_is_refused() -> None:
    """Its ring looks the same."""
    p = picture(np.random.default_rng(7))
    assert look(replace(p, expected=np.roll(p.expected, 16, axis=0))) is None


def test_tag_whose_code_shows_is_found_up_to_two_cells_off() -> None:
    """From either side it comes to the same corners; half hidden, too, they are as right as from the very place."""
    for p in (picture(np.random.default_rng(6)), picture(np.random.default_rng(4), (SPOKES,), visible=(20, 31))):
        aside = 1.6 * (p.true[1] - p.true[0])
        for off in (aside, -aside):
            assert p.code not in find_hidden(p.gray, {p.code: p.expected + off})
            seen = find_again(p.gray, {p.code: p.expected + off})[p.code]
            assert seen.ok.sum() >= 16 and np.linalg.norm((seen.uv - p.true)[seen.ok], axis=1).max() < 0.2


def test_tag_too_narrow_to_go_by_its_saddles_is_measured_as_a_whole() -> None:
    """A tag of the sample seen at 75 degrees from its normal, cells 2.7 px wide: as the first look measures it."""
    gray, _ = read_photo(SAMPLE.parent / "before/back1/IMG_0032.jpg")
    code, tags = 61, find_tags(gray, {61})
    place, first = project(tags[61].H, saddle_points(float(CELLS))), measured(gray, tags)
    assert find_hidden(gray, {code: place}) == {}
    seen = find_again(gray, {code: place + 3.0})[code]
    assert seen.ok.sum() > 28 and (seen.ok == first.ok).all()
    np.testing.assert_allclose(seen.uv, first.uv, atol=0.01)


def test_no_other_thing_is_read_where_a_tag_is_expected() -> None:
    """Clutter, checks, a bare plate; another tag; its own upside down; the place seen from behind."""
    for p in (*map(absent, (1, 8, 9)), *map(another, (2, 3))):
        assert find_again(p.gray, {p.code: p.expected}) == {}
    p = picture(np.random.default_rng(7))
    assert set(find_again(p.gray, {p.code: p.expected})) == {p.code}
    assert find_again(p.gray, {p.code: np.roll(p.expected, 16, axis=0)}) == {}
    assert find_again(p.gray, {p.code: p.expected[::-1]}) == {}


def test_a_shoot_looked_at_twice_shows_all_that_patient_looks_find() -> None:
    """The sample's second shoot: nothing found less, and the corners of the quick look stay as they were."""
    rig = load_rig(SAMPLE)
    bodies = {tag.body for tag in rig.tags.values()}
    parts = [[t.code for t in rig.tags.values() if t.body == body] for body in bodies]
    whole, quick = (read_shoot(SAMPLE.parent / "after", set(rig.tag_by_code()), Board.for_paper(rig.board.paper),
                               parts=p) for p in ((), parts))
    both = second_look(rig, quick, look_again).obs
    keys = ["photo", "tag", "corner"]
    tags = [set(zip(o.table["photo"], o.table["tag"], strict=True)) for o in (whole, quick, both)]
    assert tags[1] < tags[0] < tags[2]
    pd.testing.assert_frame_equal(both.table[:len(quick.table)], quick.table)
    for part, least, off in ((quick, 1.0, 0.0), (both, 0.99, 0.25)):
        same = whole.table.merge(part.table, on=keys)
        known = sum(key in tags[1] for key in zip(whole.table["photo"], whole.table["tag"], strict=True))
        assert len(same) >= least * (known if part is quick else len(whole.table))
        assert np.abs(same[["u_x", "v_x"]].to_numpy() - same[["u_y", "v_y"]].to_numpy()).max() <= off


def test_photos_are_looked_at_again(tmp_path: Path) -> None:
    """Rows are added to the table and said in a note; a photo that is gone or another one now stays as it was."""
    p = picture(np.random.default_rng(8), (RODS,), visible=(16, 28))
    cv2.imwrite(str(tmp_path / "a.png"), p.gray)
    side = p.gray.shape[0]
    known = pd.DataFrame({"photo": "a.png", "position": "ahead", "tag": 0, "corner": range(12), "u": 1.0, "v": 1.0,
                          "cuu": 1.0, "cuv": 0.0, "cvv": 1.0})[COLUMNS]
    info = PhotoInfo("a.png", "ahead", side, side, path=str(tmp_path / "a.png"), tags_found=1)
    obs = Observations(known, (info,))
    more = look_again(obs, {"a.png": {p.code: p.expected}})
    new = more.table[more.table["tag"] == p.code]
    assert len(new) >= 10 and set(new["photo"]) == {"a.png"} and set(new["position"]) == {"ahead"}
    off = new[["u", "v"]].to_numpy() - p.true[new["corner"].to_numpy(int)]
    assert np.abs(off).max() < 0.2 and (more.covariances()[:, 0, 0] > 0).all()
    assert more.photos[0].tags_found == 2 and "1 tag " in more.notes[-1]
    pd.testing.assert_frame_equal(more.table[:12], known)
    assert look_again(more, {"a.png": {p.code: p.expected}}) is more  # what is known is not looked for
    for other in (replace(info, sha256="another"), replace(info, path=str(tmp_path / "gone.png")),
                  replace(info, width=side + 1)):
        changed = Observations(known, (other,))
        assert look_again(changed, {"a.png": {p.code: p.expected}}) is changed


def without(obs: Observations, gone: set[tuple[str, int]]) -> Observations:
    keys = list(zip(obs.table["photo"], obs.table["tag"], strict=True))
    return replace(obs, table=obs.table[[k not in gone for k in keys]].reset_index(drop=True))


class Looker:
    """Looks into the whole shoot's table instead of photos, and remembers where it was sent."""

    def __init__(self, whole: Observations) -> None:
        self.whole, self.places = whole, dict[str, dict[int, Array]]()

    def __call__(self, obs: Observations, places: dict[str, dict[int, Array]]) -> Observations:
        self.places = places
        got = zip(self.whole.table["photo"], self.whole.table["tag"], strict=True)
        asked = [c in places.get(p, {}) for p, c in got]
        return replace(obs, table=pd.concat([obs.table, self.whole.table[asked]], ignore_index=True))


def test_tags_are_expected_where_they_are_and_their_corners_take_part() -> None:
    """Two tags taken out are asked for at their true places, within two pixels; what is seen is not asked for."""
    rig, whole = shoot(3, seed=4)
    t = whole.table
    parts = t[t["tag"].isin(rig.tag_by_code()) & (t["position"] == "push2")]
    seen_by = {int(c): sorted(set(g["photo"])) for c, g in parts.groupby("tag")}
    several = [c for c, photos in seen_by.items() if len(photos) >= 2]  # the others say where it is
    gone = {(seen_by[c][0], c) for c in (several[0], several[-1])}
    assert len(gone) == 2
    looker = Looker(whole)
    ready = second_look(rig, without(whole, gone), looker)
    for name, code in gone:
        seen = t[(t["photo"] == name) & (t["tag"] == code)]
        there = looker.places[name][code]
        assert there.shape == (SADDLES, 2)
        assert np.abs(there[seen["corner"].to_numpy(int)] - seen[["u", "v"]].to_numpy()).max() < 2.0
    known = set(zip(t["photo"], t["tag"], strict=True)) - gone
    assert not known & {(p, c) for p, codes in looker.places.items() for c in codes}
    groups = ready.started.arranged.corners
    layout = ready.started.arranged.layout
    assert gone <= {(layout.photos[p], int(c)) for p, c in zip(groups.photo, groups.code, strict=True)}
    # nothing found: the same observations, and the start is handed on
    assert second_look(rig, whole, lambda obs, places: obs).obs is whole


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 4])
def test_slip_is_still_named_where_the_tag_was_half_hidden(seed: int) -> None:
    """The slipped tag is missing from every other photo of the table and comes back by the second look."""
    m = tag_slipped(seed)
    code = m.rig.tags[m.items[0]].code
    photos = sorted(set(m.obs.table["photo"][m.obs.table["tag"] == code]))
    ready = second_look(m.rig, without(m.obs, {(p, code) for p in photos[::2]}), Looker(m.obs))
    back = set(ready.obs.table["photo"][ready.obs.table["tag"] == code])
    assert len(back) > 0.9 * len(photos)
    found = [(f.code, f.item) for f in estimate(m.rig, ready.obs, started=ready.started).findings if f.serious]
    assert ("tag_slipped", m.items[0]) in found
