"""Tags found in rendered photos with clutter, and whole small shoots read from files."""

from __future__ import annotations

import hashlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from capture.corners import local_axes, project, refine_tag
from capture.detection import find_tags, looks_mirrored, tags_near
from capture.errors import UserError
from capture.observations import COLUMNS
from capture.photos import read_photo
from capture.shoot import read_shoot
from capture.targets import CELLS, Board, code_corners, saddle_points
from tests.moorhen import SAMPLE
from tests.render_tag import expose, facing, paint, tag_homography

BOARD = Board.for_paper("A4")
SIZE, FOCAL, DISTANCE = (1200, 900), 1000.0, 700.0
PARTS = {60: (60.0, 20.0, (150.0, -150.0)), 61: (60.0, 50.0, (230.0, -20.0)), 62: (44.0, 30.0, (150.0, 100.0))}
SADDLE = saddle_points(float(CELLS))


def clutter(rng: np.random.Generator) -> NDArray[np.float32]:
    """Uneven background with rods, plates and a checkered cloth."""
    w, h = SIZE
    small = rng.uniform(60, 170, (h // 40, w // 40)).astype(np.float32)
    canvas = np.asarray(cv2.resize(small, SIZE, interpolation=cv2.INTER_CUBIC), np.float32)
    for _ in range(40):
        p, q = rng.uniform(0, 1, (2, 2)) * SIZE
        cv2.line(canvas, tuple(int(x) for x in p), tuple(int(x) for x in q), float(rng.uniform(20, 230)),
                 int(rng.integers(2, 14)), cv2.LINE_AA)
        x, y = (rng.uniform(0, 1, 2) * SIZE).astype(int)
        cv2.rectangle(canvas, (int(x), int(y)), (int(x) + 40, int(y) + 30), float(rng.uniform(10, 240)), -1)
    cloth = np.kron(np.indices((9, 14)).sum(axis=0) % 2, np.ones((9, 9))).astype(np.float32)
    canvas[20:101, 20:146] = 50 + 150 * cloth
    return canvas


def photo(seed: int, board: Board | None = BOARD, parts: dict = PARTS, tilt: float = 30.0, blur: float = 0.7,
          noise: float = 2.0, swap: tuple[int, int] | None = None,
          ) -> tuple[NDArray[np.uint8], dict[int, NDArray[np.float64]]]:
    rng = np.random.default_rng(seed)
    canvas, truth = clutter(rng), {}
    principal = (SIZE[0] / 2 - 0.5, SIZE[1] / 2 - 0.5)
    if board is not None:
        turn = facing(tilt, rng.uniform(0, 360), rng.uniform(-15, 15))
        for code, c in board.tag_centres().items():
            drawn = {swap[0]: swap[1], swap[1]: swap[0]}.get(code, code) if swap else code
            place = np.array([-130.0, 0, DISTANCE]) + turn[:, 0] * c[0] + turn[:, 1] * c[1]
            truth[drawn] = tag_homography(board.tag_mm, place, turn, FOCAL, principal)
            paint(canvas, truth[drawn], drawn, margin_texels=19, samples=5)
    for code, (size, lean, at) in parts.items():
        turn = facing(lean, rng.uniform(0, 360), rng.uniform(0, 360))
        truth[code] = tag_homography(size, np.array([*at, DISTANCE]), turn, FOCAL, principal)
        paint(canvas, truth[code], code, samples=5)
    return expose(canvas, blur, noise, rng), truth


@pytest.fixture(scope="module")
def scene() -> tuple[NDArray[np.uint8], dict[int, NDArray[np.float64]]]:
    return photo(1)


def test_every_tag_and_nothing_else(scene) -> None:
    """Board and part tags at cells of 6 to 9 px, corners in the print's own order, no tag from the clutter."""
    gray, truth = scene
    tags = find_tags(gray, None, BOARD)
    assert set(tags) == set(truth)
    for code, tag in tags.items():
        assert np.abs(tag.code_corners - project(truth[code], code_corners(float(CELLS)))).max() < 1.0
    fit = refine_tag(gray, [t.H for t in tags.values()])
    e = fit.uv - np.concatenate([project(truth[c], SADDLE) for c in tags])
    assert fit.ok.mean() > 0.99
    assert np.sqrt((e[fit.ok]**2).mean()) < 0.03


def test_only_wanted_codes(scene) -> None:
    gray, _ = scene
    assert set(find_tags(gray, {60, 300})) == {60}
    assert find_tags(gray, set()) == {}


def test_patient_looks_add_to_the_quick_ones_and_change_nothing() -> None:
    """A photo of the sample with tags seen so that their codes' borders do not stand free."""
    gray, _ = read_photo(SAMPLE.parent / "before/spin1/IMG_0077.jpg")
    quick, whole = find_tags(gray, None, BOARD, patient=False), find_tags(gray, None, BOARD)
    late = {code for code, tag in whole.items() if tag.patiently}
    assert late and late == set(whole) - set(quick)
    assert not any(tag.patiently for tag in quick.values())
    for code, tag in quick.items():
        assert np.array_equal(tag.H, whole[code].H)


def test_tags_near_are_found_up_to_two_cells_off(scene) -> None:
    gray, truth = scene
    for code in sorted(truth)[::3]:
        for x, y in ((1.8, -1.6), (-1.9, 0.4)):
            slid = truth[code] @ np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]])
            tag = tags_near(gray, {code: slid})[code]
            assert np.abs(tag.code_corners - project(truth[code], code_corners(float(CELLS)))).max() < 1.0
    code, other = sorted(truth)[:2]
    assert tags_near(gray, {code: truth[other]}) == {}
    turned = truth[code] @ np.diag([-1.0, -1.0, 1.0])  # its ring looks the same upside down
    assert tags_near(gray, {code: turned}) == {}
    for aside in (3.0, -3.0):
        outside = np.array([[1, 0, aside * gray.shape[1]], [0, 1, 0], [0, 0, 1.0]]) @ truth[code]
        assert tags_near(gray, {code: outside}) == {}


def test_clutter_alone_gives_no_tag() -> None:
    """Twelve cluttered pictures, all 587 codes allowed: no false tag."""
    for seed in range(12):
        gray = expose(clutter(np.random.default_rng(100 + seed)), 0.7, 3.0, np.random.default_rng(seed))
        assert find_tags(gray, None, BOARD) == {}


@pytest.mark.parametrize("tilt", [0.0, 45.0, 60.0])
def test_found_at_tilt_and_small_size(tilt: float) -> None:
    """A 44 mm tag at 1.3 m through 1,900 px (cells 6.4 px before tilt) is found in every one of six views."""
    for seed in range(6):
        rng = np.random.default_rng(seed)
        h = tag_homography(44.0, np.array([0, 0, 1300.0]), facing(tilt, rng.uniform(0, 360), rng.uniform(0, 360)),
                           1900.0, (119.5, 119.5))
        canvas = np.full((240, 240), 120, np.float32)
        paint(canvas, h, 133)
        assert 133 in find_tags(expose(canvas, 0.8, 3.0, rng), None), f"view {seed}"


def test_hidden_board_tags_are_placed_by_their_neighbours(scene) -> None:
    """Half of each code's border painted over: the squares are gone, the board's plan still finds the tags."""
    gray, truth = scene
    gray = gray.copy()
    for code in (0, 5):
        box = project(truth[code], np.array([[-2.9, 2.9], [2.9, 2.9], [2.9, 1.6], [-2.9, 1.6]]))
        cv2.fillPoly(gray, [np.rint(box).astype(np.int32)], 190)
    assert {0, 5} <= set(find_tags(gray, BOARD.ids, BOARD))


def test_mirrored(scene) -> None:
    gray, _ = scene
    flipped = np.ascontiguousarray(gray[:, ::-1])
    assert find_tags(flipped, None) == {}
    assert looks_mirrored(flipped, BOARD.ids) and not looks_mirrored(gray, BOARD.ids)


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two good photos and one each of the usual troubles."""
    root = tmp_path_factory.mktemp("shoot")

    def put(name: str, gray: NDArray[np.uint8]) -> None:
        (root / name).parent.mkdir(exist_ok=True)
        cv2.imwrite(str(root / name), gray)

    good, _ = photo(1)
    put("ahead/a.png", good)
    put("left/b.png", photo(2, parts={**PARTS, 99: (60.0, 10.0, (250.0, 150.0))})[0])
    put("left/again.png", good)
    put("left/mirror.png", np.ascontiguousarray(good[:, ::-1]))
    put("left/nothing.png", photo(3, board=None, parts={})[0])
    put("left/other.png", photo(4, board=Board.for_paper("A4", first_id=24))[0])
    put("left/shuffled.png", photo(5, swap=(0, 11))[0])
    put("left/a3.png", photo(6, board=Board("A3", 4, 3))[0])
    (root / "left" / "text.jpg").write_text("not a photo")
    (root / "left" / "empty.jpg").touch()
    data = cv2.imencode(".jpg", good)[1].tobytes()
    (root / "left" / "cut.jpg").write_bytes(data[:len(data) // 2])
    (root / "left" / "notes.txt").write_text("lever at the second notch")
    return root


def test_read_shoot(shoot: Path, scene) -> None:
    """The table holds true corners; each bad photo is set aside with its own sentence; files stay as they were."""
    before = {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in shoot.rglob("*") if p.is_file()}
    calls: list[tuple[int, int, str]] = []
    obs = read_shoot(shoot, set(PARTS), BOARD, workers=2, progress=lambda *a: calls.append(a))
    assert list(obs.table.columns) == COLUMNS
    names = [p.name for p in obs.photos]
    assert {"ahead/a.png", "left/b.png"} <= set(names)
    why = {s.name: s.reason for s in obs.set_aside}
    for name, says in {"left/again.png": "same file as ahead/a.png", "left/mirror.png": "mirror",
                       "left/nothing.png": "No board tag found", "left/other.png": "tags 24 to 35",
                       "left/text.jpg": "not a picture", "left/empty.jpg": "empty",
                       "left/cut.jpg": "cut short", "left/a3.png": "do not lie as on"}.items():
        assert says in why[name], why.get(name)
        assert name.split("/")[1] in why[name]
    assert "left/notes.txt" not in why and len(calls) == calls[-1][1] == 11
    # two tags changed places: they are dropped or the photo is, never used as if right
    swapped = obs.table[(obs.table["photo"] == "left/shuffled.png") & obs.table["tag"].isin([0, 11])]
    assert len(swapped) == 0
    _, truth = scene
    rows = obs.table[obs.table["photo"] == "ahead/a.png"]
    assert set(rows["tag"]) == set(truth) and set(rows["position"]) == {"ahead"}
    true = np.array([project(truth[t], SADDLE[c][None])[0] for t, c in zip(rows["tag"], rows["corner"], strict=True)])
    assert np.sqrt(((rows[["u", "v"]].to_numpy() - true)**2).mean()) < 0.03
    first = obs.photos[names.index("ahead/a.png")]
    assert first.tags_found == 15 and first.sharpness_px == pytest.approx(np.hypot(0.7, 0.29), abs=0.06)
    assert any("99" in n for n in obs.notes)
    assert (obs.table["cuu"] > 0).all() and (obs.table["cvv"] > 0).all()
    assert before == {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in shoot.rglob("*") if p.is_file()}


def test_too_few_photos(shoot: Path, tmp_path: Path) -> None:
    (tmp_path / "p").mkdir()
    (tmp_path / "p" / "x.jpg").write_text("no")
    with pytest.raises(UserError, match="None of the 1 photos.*not a picture"):
        read_shoot(tmp_path, set(PARTS), BOARD, workers=1)
    (tmp_path / "p" / "a.png").write_bytes((shoot / "ahead" / "a.png").read_bytes())
    with pytest.raises(UserError, match="Only one usable photo"):
        read_shoot(tmp_path, set(PARTS), BOARD, workers=1)


def test_first_places_are_close_to_the_truth(scene) -> None:
    """Within a few hundredths of a cell, so that corners start close: neither drawn aside nor too small or large."""
    gray, truth = scene
    corners = np.array([[-4.0, 4.0], [4.0, 4.0], [4.0, -4.0], [-4.0, -4.0]])
    off = []
    for code, tag in find_tags(gray, None, BOARD).items():
        axes = local_axes(truth[code], corners, 1.0)
        miss = project(tag.H, corners) - project(truth[code], corners)
        off.append(np.linalg.solve(axes.transpose(0, 2, 1), miss[:, :, None])[:, :, 0])
    assert np.abs(np.mean(off, axis=0)).max() < 0.02
    assert np.median(np.abs(off)) < 0.02
