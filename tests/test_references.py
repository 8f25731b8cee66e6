"""Measured references: their rows, what they make of a shoot, and how they are read, drawn, planned and doubted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib.estimation.blocks.references import CentreLineTag, FloorHeights, FloorTag, RearAxle, reference_blocks
from calib.estimation.bundle import estimate
from calib.estimation.equations import RigProblem
from calib.estimation.unknowns import PRIVATE, State, retract
from calib.findings import Code
from calib.results import Fit
from calib.rig.discs import rear_disc
from calib.rig.drawing import rig_figure
from calib.rig.model import Rig
from calib.rig.reader import parse_rig
from calib.rig.writer import rig_to_toml
from calib.shootplan import plan_shoot
from capture.errors import UserError
from capture.observations import Observations
from tests.bench.estimate import plain_problem
from tests.bench.references import judged
from tests.moorhen import SAMPLE
from tests.render.references import ALL, FLOOR_TEXT, LINE_TEXT, REAR_TEXT, reference_shoot, referenced, without
from tests.render.shoot import simulate_observations
from tests.render.truth import Truth
from tests.test_blocks import differences

K95 = 1.959964  # 0.975 quantile of the normal distribution, from its tables
DEG = np.deg2rad(1.0)
KINDS = (CentreLineTag, RearAxle, FloorTag, FloorHeights)
Shoot = tuple[Rig, Truth, Observations]


@pytest.fixture(scope="module")
def shoot() -> Shoot:
    return reference_shoot(3)


@pytest.fixture(scope="module")
def case(shoot: Shoot) -> tuple[RigProblem, State]:
    """Unknowns off by mm and degrees, so that no term hides behind a zero."""
    problem, state = plain_problem(shoot[0], shoot[2], every=8)
    rng = np.random.default_rng(4)
    d = rng.normal(0, 0.05, problem.layout.size)
    d[:9] = 0
    d[problem.layout.align] = 0.03, -0.02, 0.05, 2.0, -3.0, 1.0
    return problem, retract(problem.layout, state, d, np.zeros((len(problem.layout.photos), PRIVATE)))


@pytest.mark.parametrize("kind", KINDS)
def test_derivative_against_differences(case: tuple[RigProblem, State], kind: type) -> None:
    problem, s = case
    block = [b for b in problem.blocks(s) if type(b) is kind][-1]
    expected = differences(problem, s, block)
    mine = np.zeros_like(expected)
    for i, slot in enumerate(block.slots):
        mine[:, slot] += block.jacobian(problem.motions(s))[:, i]
    assert np.abs(expected).max() > 0
    np.testing.assert_allclose(mine, expected, atol=1e-6 * np.abs(expected).max())


def test_residuals_in_their_units(case: tuple[RigProblem, State]) -> None:
    problem, s = case
    m, lay, rig = problem.motions(s), problem.layout, problem.rig
    blocks = {(type(b), b.item): b for b in reference_blocks(lay)}
    places = {n: s.align_R @ s.tag_t[i] + s.align_t for i, n in enumerate(lay.tags)}
    for n in ("line_front", "line_rear"):
        assert blocks[CentreLineTag, n].residual(m)[0] * 0.3 / K95 == pytest.approx(places[n][1])
    floor = ("floor_left", "floor_right", "floor_rear")
    for n in floor:
        normal = s.align_R @ s.tag_R[lay.tags.index(n)] @ [0.0, 0.0, 1.0]
        np.testing.assert_allclose(blocks[FloorTag, n].residual(m) * DEG / K95, normal[:2])
    z = np.array([places[n][2] for n in floor])
    np.testing.assert_allclose(blocks[FloorHeights, "floor"].residual(m) / K95, z - z.mean())  # tolerance 1 mm
    axle = s.align_R @ s.axis_d[lay.bodies.index("rear_wheel")]
    np.testing.assert_allclose(blocks[RearAxle, "rear_wheel"].residual(m) * np.array([rig.rear.square_tol,
                                                                                     rig.rear.level_tol]) / K95,
                               axle[[0, 2]], atol=1e-12)
    # uneven tolerances: heights over their weighted mean, the sum of squares is least at any common height
    uneven = replace(rig, tags={**rig.tags, "floor_rear": replace(rig.tags["floor_rear"], floor_tol=4.0)})
    block = next(b for b in reference_blocks(replace(lay, rig=uneven)) if isinstance(b, FloorHeights))
    best = min(float(np.sum(((z - h) / (np.array([1, 1, 4]) / K95))**2)) for h in np.linspace(z.min(), z.max(), 20001))
    assert float(np.sum(block.residual(m)**2)) == pytest.approx(best, rel=1e-4)


def test_floor_tags_count_straight_ahead_only(case: tuple[RigProblem, State], shoot: Shoot) -> None:
    problem, _ = case
    codes = {t.code for t in shoot[0].tags.values() if t.on_floor}
    assert set(shoot[2].table.query("tag in @codes")["position"]) > {"ahead"}
    at = np.isin(problem.corners.code, list(codes))
    assert at.any() and {problem.layout.photo_positions[p] for p in problem.corners.photo[at]} == {"ahead"}


# --- what they make of a shoot ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def fit(shoot: Shoot) -> Fit:
    return estimate(shoot[0], shoot[2])


def test_absolute_heading_and_caster_from_photos(shoot: Shoot, fit: Fit) -> None:
    design, truth, obs = shoot
    error, u95 = judged(fit, truth)
    assert np.all(u95[:2] < 0.05) and np.all(u95[2:4] < 0.1)  # deg, the aims
    assert np.all(np.abs(error) < 1.6 * u95)
    assert not any(f.code in (Code.REFERENCE_OFF, Code.REFERENCES_TURN) for f in fit.findings)
    # the same corners with a rig file that knows nothing of the references
    codes = {t.code for t in without(design).tags.values()} | set(range(60))
    plain = estimate(without(design), replace(obs, table=obs.table[obs.table["tag"].isin(codes)]))
    before, doubt = judged(plain, truth)
    assert np.all(doubt[:2] > 0.15) and np.all(doubt[2:4] > 0.2)
    assert np.all(np.abs(before) < 1.6 * doubt)
    # what needs no straight ahead is as it was
    toe = [next(f for f in x.figures if f.name == "toe at ahead") for x in (fit, plain)]
    assert toe[0].value == pytest.approx(toe[1].value, abs=0.5 * toe[1].u95)


def test_rear_axle_in_the_rig_as_built_is_the_measured_one(shoot: Shoot, fit: Fit) -> None:
    true, got = rear_disc(shoot[1].rig), rear_disc(fit.as_built.rig)
    assert np.degrees(np.arccos(got.spin @ true.spin)) < 0.2
    assert np.linalg.norm((got.centre - true.centre)[[0, 2]]) < 2.0  # drawn within 2 mm, measured from 1 m away


@pytest.mark.parametrize(("move", "code"), [("tag", Code.REFERENCES_TURN), ("floor", Code.REFERENCE_OFF)])
def test_a_reference_in_the_wrong_place_is_named(shoot: Shoot, move: str, code: Code) -> None:
    design, truth, obs = shoot
    if move == "tag":  # both tags set along another tube, 1.5 deg off, and alone in saying where ahead is
        design = referenced(("line",))
        turned = Rotation.from_euler("z", 1.5 * DEG).as_matrix()
        shifted = {n: (turned @ R, turned @ t) if n.startswith("line") else (R, t) for n, (R, t) in truth.tags.items()}
        truth = replace(truth, rig=replace(truth.rig, tags=design.tags))
    else:  # a floor tag on a board 30 mm thick
        shifted = {n: (R, t + [0, 0, 30.0]) if n == "floor_left" else (R, t) for n, (R, t) in truth.tags.items()}
    fit = estimate(design, simulate_observations(replace(truth, tags=shifted), 0.05, np.random.default_rng(1)))
    found = {f.code: f for f in fit.findings}
    assert code in found
    if move == "tag":
        assert found[code].facts["about"] == "about the vertical"
        assert found[code].facts["deg"] == pytest.approx(-1.5, abs=0.4)  # the frame turns against the pivots


# --- read, written, drawn, planned ----------------------------------------------------------------------------


def test_references_read_back_as_written() -> None:
    rig = referenced()
    assert rig.tags["line_front"].centre_line_tol == 0.3 and rig.rear.spin_body == "rear_wheel"
    rig = replace(rig, rear=replace(rig.rear, square_tol=0.1 * DEG, level_tol=2 * DEG, tyre=44.0),
                  tags={**rig.tags, "floor_left": replace(rig.tags["floor_left"], floor_tol=2.5, flat_tol=0.25 * DEG)})
    back = parse_rig(rig_to_toml(rig))
    assert back.tags == rig.tags
    assert back.rear.square_tol == pytest.approx(0.1 * DEG) and back.rear.level_tol == pytest.approx(2 * DEG)
    assert replace(back.rear, square_tol=0, level_tol=0) == replace(rig.rear, square_tol=0, level_tol=0)


@pytest.mark.parametrize(("text", "words"), [
    (LINE_TEXT.replace('body = "frame"', 'body = "crank"'), "on_centre_line.*only for a tag with body"),
    (LINE_TEXT + "on_floor = true\n", "either on_centre_line or on_floor"),
    (FLOOR_TEXT + "place = [0, 0, 0]\n", 'no place for a tag with "on_floor"'),
    (FLOOR_TEXT + "centre_line_tolerance = 1\n", 'only with "on_centre_line = true"'),
    (LINE_TEXT + "floor_tolerance = 1\n", 'only with "on_floor = true"'),
    ("[rear_wheel]\nsquare_tolerance = 0.1\n", 'only with "spin_body"'),
    (REAR_TEXT.replace('spin_body = "rear_wheel"', 'spin_body = "crank"'), 'role "wheel", its axis across'),
    (REAR_TEXT.replace('spin_body = "rear_wheel"', 'spin_body = "raer_wheel"'), "rear_wheel"),
    (REAR_TEXT.replace("axis = [0, 1, 0]", "axis = [1, 0, 0]"), 'role "wheel", its axis across'),
    (REAR_TEXT.replace('spin_body = "rear_wheel"', 'spin_body = "rear_wheel"\ncentre = [-1240, 0, 300]'),
     "passes 60.0 mm from the wheel"),
])
def test_what_makes_no_sense_is_refused(text: str, words: str) -> None:
    with pytest.raises(UserError, match=words):
        parse_rig(SAMPLE.read_text(encoding="utf-8") + text)


def test_check_draws_the_references() -> None:
    plain, drawn = ([t.get_text() for ax in rig_figure(referenced(w)).axes for t in ax.texts] for w in ((), ALL))
    for words in ("centre line [81, 82]", "floor [83, 84, 85]", "rear_wheel [80]"):
        assert any(words in t for t in drawn) and not any(words in t for t in plain)


def test_plan_counts_on_the_floor() -> None:
    caster = [next(f.u95 for f in plan_shoot(referenced(w), 3).figures if f.name == "caster")
              for w in ((), ("floor", "line"))]
    assert caster[1] < 0.6 * caster[0]
