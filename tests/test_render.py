"""The renderer against what is known without it: pixel convention, edge areas, saddles, the linkage."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from capture.targets import saddle_points
from tests.render.camera import Camera, Lens, look_at
from tests.render.scene import photograph
from tests.render.shoot import code_cell_px, simulate_observations, true_corners
from tests.render.tags import BLACK, WHITE, lattice, render_tags
from tests.render.truth import Truth, gap, random_truth, sample_truth
from tests.render.workshop import Workshop, in_workshop

Array = NDArray[np.float64]
RIG = Path(__file__).parents[1] / "sample_data" / "rig.toml"
STRONG = np.array([0.06, -0.12, 6e-4, -5e-4, 0.03])


def camera(f: float = 1900.0, dist: Array | None = None, eye: tuple[float, float, float] = (0, 0, 1000),
           size: tuple[int, int] = (640, 480), dc: Array | None = None) -> Camera:
    bent = np.zeros(5) if dist is None else dist
    lens = Lens(f, 1.0, (size[0] - 1) / 2 + 0.3, (size[1] - 1) / 2 - 0.2, bent, *size)
    R, t = look_at(np.array(eye, float), np.zeros(3))
    return Camera(lens, R, t, 0.0, np.zeros(2) if dc is None else dc)


def test_projection_is_opencvs_and_rays_undo_it() -> None:
    c = camera(dist=STRONG, eye=(300, -200, 900))
    x = np.random.default_rng(0).uniform(-250, 250, (200, 3)) * [1, 1, 0.3]
    uv = c.project(x)
    k = np.array([[c.fx, 0, c.lens.cx], [0, c.fy, c.lens.cy], [0, 0, 1]])
    ref = cv2.projectPoints(x, cv2.Rodrigues(c.R)[0], c.t, k, STRONG)[0].reshape(-1, 2)
    np.testing.assert_allclose(uv, ref, atol=1e-9)
    d = c.rays(uv[:, 0], uv[:, 1])
    along = x - c.centre
    np.testing.assert_allclose(d, along / np.linalg.norm(along, axis=1, keepdims=True), atol=1e-11)


@pytest.mark.parametrize("shift", [0.0, 0.25, 0.5, 0.8])
def test_a_black_edge_covers_the_right_area_with_pixel_centres_at_integers(shift: float) -> None:
    # facing the camera at 1 mm a pixel and without blur, the grey sum across a ring cell's edge is its place
    c = Camera(Lens(1000.0, 1.0, 120.0 + shift, 120.0, np.zeros(5), 240, 240),
               np.diag([1.0, -1.0, -1.0]), np.array([0, 0, 1000.0]), 0.0, np.zeros(2))
    image = render_tags(c, [(60, 100.0, np.eye(3), np.zeros(3))], (240, 240), 0.0, 0.0).astype(float)
    dark = (WHITE - image) / (WHITE - BLACK)
    row = dark[74]  # through the top row of ring cells: black from -50 mm to -40 mm
    assert row[65:86].sum() == pytest.approx(10.0, abs=0.02)
    first = row[65:76]  # pixels about the left edge at u = 70 + shift; pixel k covers k - 0.5 .. k + 0.5
    assert 75.5 - first.sum() == pytest.approx(70.0 + shift, abs=0.01)


def test_codes_are_read_by_opencv_and_every_edge_lies_on_the_lattice() -> None:
    c = camera(dist=STRONG, eye=(150, -250, 500))
    image = render_tags(c, [(73, 60.0, np.eye(3), np.zeros(3))], (640, 480), rng=np.random.default_rng(0))
    found = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    corners, ids, _ = found.detectMarkers(image)
    assert ids is not None and ids.ravel().tolist() == [73]
    h = 16.0
    code = c.project(np.array([[-h, h, 0], [h, h, 0], [h, -h, 0], [-h, -h, 0]]))
    assert np.abs(np.asarray(corners[0]).reshape(4, 2) - code).max() < 1.0
    assert lattice(73)[1:-1, 1:-1][:6].sum() == 9 * 10  # two rows of ten ring cells, five of each black


def saddles(edge: float, c: Camera) -> Array:
    p = saddle_points(edge)
    return c.project(np.column_stack([p, np.zeros(len(p))]))


@pytest.mark.parametrize(("eye", "gain"), [((0, 1, 900), 0.0), ((350, -120, 800), 0.0), ((-300, 300, 700), 0.15)])
def test_saddles_lie_where_opencv_finds_them(eye: tuple[float, float, float], gain: float) -> None:
    # cornerSubPix errs by 0.02 px with the place within a pixel, and by nothing on the mean over places
    rng = np.random.default_rng(3)
    errors = []
    for k in range(6):
        c = camera(dist=STRONG, eye=(eye[0] + 7.3 * k, eye[1] - 5.1 * k, eye[2]), dc=rng.uniform(-1, 1, 2))
        image = render_tags(c, [(60 + k, 60.0, np.eye(3), np.zeros(3))], (640, 480), 0.8, 1.0, rng, gain)
        true = saddles(60.0, c)
        got = (true + rng.uniform(-0.5, 0.5, (32, 2))).astype(np.float32).reshape(-1, 1, 2)
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 80, 1e-4)
        cv2.cornerSubPix(image, got, (4, 4), (-1, -1), stop)
        errors.append(got.reshape(-1, 2) - true)
    e = np.concatenate(errors)
    assert np.abs(np.median(e, axis=0)).max() < 0.01
    assert np.sqrt((e**2).mean()) < 0.06


# each some times what a workshop does, so that nothing drawn the wrong way round stays unseen
WORN = Workshop(play_mm=1.0, play_rad={"lever": 5e-3, "crank": 5e-3, "upright": 5e-3}, flex_mm=1.0, flex_rad=2e-3,
                readout_s=(0.03, 0.03), hand_rad_s=0.1, hand_mm_s=60.0, lens_px=1.0, warp_mm=0.5, s_bow_mm=1.0)


@pytest.fixture(scope="module")
def truth() -> Truth:
    return sample_truth(RIG)


def test_the_invented_vehicle_closes_at_every_position(truth: Truth) -> None:
    for p in truth.positions:
        angles = {b: truth.angles[b, p] for b in truth.rig.bodies}
        assert max(abs(gap(truth.rig, r, angles)) for r in truth.rig.rods) < 1e-6


def test_the_built_in_errors_are_the_ones_listed(truth: Truth) -> None:
    rig = truth.rig
    lever = rig.bodies["left_lever"]
    arm = np.linalg.norm(np.cross(np.subtract(rig.points["left_lever.rod"].xyz, lever.pivot), lever.axis))
    assert arm == pytest.approx(78.6, abs=0.5)
    mean = (truth.heading("left", "ahead") + truth.heading("right", "ahead")) / 2
    assert np.rad2deg(mean) == pytest.approx(0.2, abs=1e-6)
    # a right tie rod 2.6 mm short, on an arm of about 85 mm behind the kingpin, turns the right wheel out
    toe = truth.heading("right", "ahead") - truth.heading("left", "ahead")
    b, arm_end = rig.bodies["right_upright"], rig.points["right_upright.arm"].xyz
    lever_arm = np.linalg.norm(np.cross(np.subtract(arm_end, b.pivot), b.axis))
    assert np.rad2deg(toe) == pytest.approx(-np.rad2deg(2.6 / lever_arm), abs=0.15)


def test_simulated_shoots_scatter_about_the_truth() -> None:
    rng = np.random.default_rng(5)
    t = random_truth(RIG, rng)
    obs = simulate_observations(t, 0.05, rng)
    true = {s.name: true_corners(t, s) for s in t.shots}
    table = obs.table
    rows = zip(table["photo"], table["tag"], table["corner"], strict=True)
    at = np.array([true[p][g][k] for p, g, k in rows])
    z = (table[["u", "v"]].to_numpy() - at) / np.sqrt(table[["cuu", "cvv"]].to_numpy())
    assert np.mean(z**2) == pytest.approx(1.0, abs=0.05)
    seen = {p.position for p in obs.photos}
    assert seen == set(t.rig.positions) | set(t.rig.spin_positions)


@pytest.mark.parametrize("workshop", [None, WORN])
def test_a_photo_shows_its_saddles_where_the_truth_says_and_hides_what_parts_hide(truth: Truth,
                                                                                  workshop: Workshop | None) -> None:
    # seen from one side: the scene's light is encoded with a gamma, which must not move a saddle
    rigid = {name: truth.tag_saddles(name, "ahead") for name in truth.tags}
    truth = truth if workshop is None else in_workshop(truth, workshop, np.random.default_rng(5))
    shot = next(s for s in truth.shots if s.position == "ahead")
    k = 2
    lens = truth.lens
    half = Lens(lens.f / k, lens.aspect, (lens.cx + 0.5) / k - 0.5, (lens.cy + 0.5) / k - 0.5, lens.dist,
                lens.width // k, lens.height // k,
                lens.residue and replace(lens.residue, size=lens.residue.size / k, wave=lens.residue.wave * k))
    small = replace(shot, camera=replace(shot.camera, lens=half, dc=shot.camera.dc / k))
    picture, shares = photograph(truth, small, np.random.default_rng(1), blur=0.8,
                                 sharpened=0.0 if workshop is None else 0.6)
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    errors = []
    places = {tag.code: truth.tag_saddles(name, "ahead") for name, tag in truth.rig.tags.items()}
    places |= {code: truth.board_points(xy) for code, xy in truth.board.saddles().items()}
    for code, at in places.items():
        uv = small.camera.project(at)
        if shares[code] < 0.97 or code_cell_px(uv) < 2.2:
            continue
        got = uv.astype(np.float32).reshape(-1, 1, 2).copy()
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 80, 1e-4)
        cv2.cornerSubPix(grey, got, (2, 2), (-1, -1), stop)
        errors.append(got.reshape(-1, 2) - uv)
    e = np.concatenate(errors)
    assert len(e) >= 128
    assert np.abs(np.median(e, axis=0)).max() < 0.03
    assert 1.4826 * np.median(np.abs(e)) < 0.15
    assert max(np.abs(np.median(x, axis=0)).max() for x in errors) < 0.1
    if workshop is not None:  # a picture without them would be off by pixels
        plain = replace(small.camera, sweep=None, lens=replace(half, residue=None))
        off = [plain.project(at) - small.camera.project(places[truth.rig.tags[n].code]) for n, at in rigid.items()]
        assert np.median(np.linalg.norm(off, axis=-1)) > 1.5
    out = [code for code, share in shares.items() if share == 0.0]
    assert truth.rig.tags["right_wheel"].code in out and truth.rig.tags["right_lever_rod"].code in out
