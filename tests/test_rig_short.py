"""The rig file said once: mirrored sides, kingpins by angles, holes in rows, what follows from names, layouts."""

from __future__ import annotations

import math
import tomllib
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.cli import main
from calib.estimation.bundle import estimate
from calib.linkage.designcheck import design_rows
from calib.linkage.mechanism import Linkage
from calib.linkage.steering import kingpin_geometry, steer_angles
from calib.rig import mirror
from calib.rig.implied import automatic_code
from calib.rig.mirror import hidden_side
from calib.rig.model import Rig
from calib.rig.reader import load_rig, parse_rig, rig_to_toml
from calib.rig.schema import REQUIRED, ROW, implied
from calib.rig.starter import LAYOUTS, starter_text
from capture.errors import UserError
from capture.targets import PART_IDS
from tests.render.leaning import lean_shoot
from tests.render.shoot import simulate_observations
from tests.render.truth import make_truth, random_errors

ROOT = Path(__file__).parent
SAMPLE = ROOT.parent / "sample_data" / "rig.toml"
BAREST = (ROOT / "rigs" / "barest.toml").read_text(encoding="utf-8")
PLAIN = BAREST.replace("[bodies.right_lever]\ntravel = [-34, 34]\n", "")  # nothing said of the right side


def flat(data: object, path: tuple[object, ...] = ()) -> dict[tuple[object, ...], object]:
    """Every single value of nested tables and lists, by its path."""
    if isinstance(data, dict):
        return {k: v for name, x in data.items() for k, v in flat(x, (*path, name)).items()}
    if isinstance(data, tuple | list):
        return {k: v for i, x in enumerate(data) for k, v in flat(x, (*path, i)).items()}
    return {path: data}


def same(a: Rig, b: Rig, within: float = 1e-9) -> None:
    one, two = flat(asdict(a)), flat(asdict(b))
    assert set(one) == set(two)
    for k, v in one.items():
        assert two[k] == (pytest.approx(v, abs=within) if isinstance(v, float) else v), k


def put(text: str, **lines: str) -> str:
    """The text with lines put under headings; "bodies__left_lever" is [bodies.left_lever], made where it is missing."""
    for at, line in lines.items():
        head = "[" + at.replace("__", ".") + "]"
        text = text.replace(head + "\n", f"{head}\n{line}\n", 1) if head + "\n" in text else f"{text}\n{head}\n{line}\n"
    return text


def swap(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, f"{old!r} must stand once in the text"
    return text.replace(old, new)


def errors(text: str) -> list[str]:
    with pytest.raises(UserError) as caught:
        parse_rig(text)
    return str(caught.value).splitlines()


def numbers(data: Any) -> int:
    """How many numbers somebody had to find out and type."""
    if isinstance(data, dict):
        return sum(numbers(x) for x in data.values())
    if isinstance(data, list):
        return sum(numbers(x) for x in data)
    return int(isinstance(data, str) and data[:1].isdigit() or isinstance(data, int | float)
               and not isinstance(data, bool))


# --- the whole ---------------------------------------------------------------------------------------------------


def test_sample_said_in_short_is_the_same_rig() -> None:
    """Number by number, 1e-9 mm and rad; it names every body, point, rod and tag the long one does."""
    same(load_rig(SAMPLE), load_rig(ROOT / "rigs" / "moorhen_short.toml"))


def test_barest_trike_takes_35_numbers() -> None:
    """81 numbers before; the same rig with everything written out is what it means."""
    assert numbers(tomllib.loads(BAREST)) == 34  # README says so
    rig = parse_rig(BAREST)
    assert len(rig.tags) == 12 and len(rig.rods) == 3 and set(rig.wheels) == {"left", "right"}
    assert numbers(tomllib.loads(rig_to_toml(rig))) > 150
    rows, limits = design_rows(rig)
    assert all(ok for ok, _ in limits) and dict((r[0], r[1]) for r in rows)["toe"] == "0.00 deg"


@pytest.mark.parametrize("layout", LAYOUTS)
def test_each_layout_is_a_whole_example(layout: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "rig.toml"
    assert main(["new", str(path), "--layout", layout]) == 0
    text = path.read_text(encoding="utf-8")
    assert "@" not in text and "qualified person" in text and max(map(len, text.splitlines())) <= 120
    rig = load_rig(path)
    rows, limits = design_rows(rig)
    assert all(ok for ok, _ in limits), limits
    inside = {r[0]: abs(float(r[1].split()[0]) - float(r[2].split()[1])) <= float(r[2].split()[3])
              for r in rows if r[2]}
    assert set(inside) == {t.replace("_", " ") for t in rig.targets} and all(inside.values()), rows
    same(parse_rig(rig_to_toml(rig)), rig)
    assert numbers(tomllib.loads(text)) <= {"direct": 42, "crank": 52, "bar": 36, "leaning": 63}[layout]
    assert {b for b in rig.bodies} == {t.body for t in rig.tags.values()}  # nothing that moves is without a tag
    lo, hi = rig.driver_travel
    steer = steer_angles(rig, Linkage(rig).sweep(np.linspace(lo, hi, 9)).angles)
    assert all(np.ptp(steer[s]) > math.radians(35) for s in ("left", "right"))
    assert layout != "bar" or main(["check", str(path)]) == 0


@pytest.mark.parametrize("layout", ["bar", *(pytest.param(x, marks=pytest.mark.slow) for x in ("direct", "crank",
                                                                                            "leaning"))])
def test_a_shoot_of_a_layout_can_be_estimated(layout: str) -> None:
    rng = np.random.default_rng(5)
    text = starter_text("x", layout)
    for label, nominal in (("right2", "back3"), ("right1", "back1"), ("left1", "push1"), ("left2", "push3"),
                           ("lean_left", "lean_l"), ("lean_right", "lean_r")):
        text = text.replace(f'"{label}"', f'"{nominal}"')  # labels that the simulated shoots know
    design = parse_rig(text)
    if layout == "leaning":
        design, truth, observations = lean_shoot(5, design=design)
    else:
        truth = make_truth(design, random_errors(design, rng, 0.5), rng, views=3)
        observations = simulate_observations(truth, 0.05, rng)
    fit = estimate(design, observations)
    assert fit.converged
    names, sd = fit.as_built.names, np.sqrt(np.diag(fit.as_built.cov))
    for rod, r in truth.rig.rods.items():
        s = float(sd[names.index(f"{rod}.length")])
        assert fit.as_built.rig.rods[rod].length == pytest.approx(r.length, abs=4 * s) and s < 1.0


def test_unknown_layout_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(tmp_path / "rig.toml"), "--layout", "krank"]) == 2
    said = capsys.readouterr().err
    assert 'did you mean "crank"?' in said and "leaning" in said and not (tmp_path / "rig.toml").exists()


# --- mirrored sides ----------------------------------------------------------------------------------------------


def test_mirror_image_of_each_kind_of_value() -> None:
    """Places and directions turn y round; lever and axle keep their sense, a kingpin its upward one."""
    text = put(PLAIN, **{"bodies__left_lever": "grip = 400\naxis = [0.1, 0.9, 0.2]",
                          'points__"left_lever__rod"': ""})
    text = swap(text, 'use = "B"', 'use = "B"\nbolt = "left"\nclock = [-5, 9]')
    text = swap(text, "radius = 230", "radius = 230\nspin_axis = [0.02, 1, -0.03]")
    text = put(text, obstacles__left_tube="from = [1, 2, 3]\nto = [4, 50, 6]\ndiameter = 30\nbody = \"left_upright\"",
               tags__left_datum='body = "frame"\nplace = ["1 in", "2 in", 3]')
    rig = parse_rig(text)
    left, right = rig.bodies["left_lever"], rig.bodies["right_lever"]
    assert right.pivot == (-350, -240, 180) and (right.grip, right.side, right.travel) == (400, "right", left.travel)
    assert right.axis == pytest.approx((-left.axis[0], left.axis[1], -left.axis[2])) and left.axis[1] > 0.9
    kl, kr = rig.bodies["left_upright"].axis, rig.bodies["right_upright"].axis
    assert kr == pytest.approx((kl[0], -kl[1], kl[2])) and kr[2] > 0.9
    assert rig.points["right_lever.rod"].bolt == (0, -1, 0) and rig.points["left_lever.rod"].bolt == (0, 1, 0)
    assert rig.points["right_upright.tie"].xyz == (-95, -305, 215)
    assert rig.wheels["right"].spin == pytest.approx(np.array([-0.02, 1, 0.03]) / np.sqrt(1 + 0.02**2 + 0.03**2))
    tube = next(o for o in rig.obstacles if o.name == "right_tube")
    assert (tube.a, tube.b, tube.body, tube.radius) == ((1, -2, 3), (4, -50, 6), "right_upright", 15)
    assert rig.tags["right_datum"].place == pytest.approx((25.4, -50.8, 3))
    assert rig.rods["right_rod"].a == "right_lever.rod" and rig.rods["right_rod"].b == "right_upright.drag"


def test_a_mirrored_vehicle_is_its_own_mirror_image_in_motion() -> None:
    """Both levers pushed alike would steer the wheels opposite ways by the same: each side alone is a mirror image."""
    rig = parse_rig(PLAIN)
    alone = {s: replace(rig, rods={f"{s}_rod": rig.rods[f"{s}_rod"]}, driver=f"{s}_lever",
                        bodies={n: b for n, b in rig.bodies.items() if b.side == s}) for s in ("left", "right")}
    d = np.radians([-25, -10, 5, 20])
    turned = {s: Linkage(r).sweep(d).angles[f"{s}_upright"] for s, r in alone.items()}
    assert turned["right"] == pytest.approx(-turned["left"], abs=1e-12) and np.ptp(turned["left"]) > math.radians(25)
    for name in ("caster", "kingpin_inclination", "trail", "offset_at_ground"):
        a, b = (kingpin_geometry(rig, s)[name] for s in ("left", "right"))  # type: ignore[literal-required]
        assert a == pytest.approx(b, abs=1e-12)


def test_ranges_of_angles_turn_round_where_the_mirrored_hinge_counts_the_other_way() -> None:
    """A lever's stops stay (forward is forward); a kingpin's and a crank arm's swap ends (left becomes right)."""
    text = swap(PLAIN, "travel = [-30, 30]", "travel = [-30, 35]")
    text = swap(text, "caster = 12", "caster = 12\ntravel = [-40, 25]")
    text = swap(text, "at = [-95, 305, 215]", "at = [-95, 305, 215]\nclock = [-3, 8]")
    text = swap(text, 'use = "B"', 'use = "B"\nclock = [-2, 6]')
    rig = parse_rig(text)
    assert np.degrees(rig.bodies["right_lever"].travel) == pytest.approx((-30, 35))
    assert np.degrees(rig.bodies["right_upright"].travel) == pytest.approx((-25, 40))
    assert np.degrees(rig.points["right_upright.tie"].clock) == pytest.approx((-8, 3))
    assert np.degrees(rig.points["right_lever.rod"].clock) == pytest.approx((-2, 6))
    own = parse_rig(put(text, bodies__right_upright="travel = [-40, 25]"))  # given on the right: as given
    assert np.degrees(own.bodies["right_upright"].travel) == pytest.approx((-40, 25))


@given(st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: math.hypot(*v) > 0.1 and abs(v[0]**2 + v[2]**2 - v[1]**2)
                                                 > 1e-6), st.floats(-3, 3))
def test_a_turn_about_a_mirrored_axis_is_the_mirrored_turn(v: tuple[float, float, float], angle: float) -> None:
    """Rodrigues' formula on both sides: mirror of the turned place = turned mirror image, by the angle ``angles``
    gives; mirroring twice gives the axis back."""
    size = math.hypot(*v)
    a = (v[0] / size, v[1] / size, v[2] / size)
    b = mirror.axis(a)
    assert mirror.axis(b) == pytest.approx(a) and np.dot(a, b) >= -1e-12
    lo, hi = sorted((0.0, angle))
    span = mirror.angles((lo, hi), a, b)
    other = span[1] if span[1] != 0.0 else span[0]

    def turned(p: np.ndarray, k: tuple[float, ...], t: float) -> np.ndarray:
        n = np.array(k)
        return p * math.cos(t) + np.cross(n, p) * math.sin(t) + n * (n @ p) * (1 - math.cos(t))

    p, flip = np.array([0.3, -0.7, 1.1]), np.array([1.0, -1.0, 1.0])
    assert turned(p * flip, b, other) == pytest.approx(turned(p, a, angle) * flip, abs=1e-9)


def test_what_the_right_side_gives_itself_wins() -> None:
    rig = parse_rig(put(PLAIN, bodies__right_lever="travel = [-38, 38]\naxis_tolerance = 3",
                        bodies__right_upright="axis = [-0.2, 0.2, 1]", rods__right_rod="thread = \"M6\"\n"
                        "adjuster = \"screw\"\nplus_minus = 5", **{"tags__right_lever": "code = 100"})
                    + '\n[points."right_upright.drag"]\nat = [12, -271, 190]\n'
                      '[points."right_lever.rod"]\nat = [-350, -250, 130]\n')
    lever = rig.bodies["right_lever"]
    assert np.degrees(lever.travel) == pytest.approx((-38, 38)) and lever.pivot == (-350, -240, 180)
    assert np.degrees(rig.bodies["left_lever"].travel) == pytest.approx((-30, 30))
    assert rig.bodies["right_upright"].axis == pytest.approx(np.array([-0.2, 0.2, 1]) / np.sqrt(1.08))
    assert rig.points["right_upright.drag"].xyz == (12, -271, 190)
    p = rig.points["right_lever.rod"]  # a place of its own puts the row and its hole in use out of force
    assert p.holes == {"1": (-350, -250, 130)} and p.use == "1"
    assert rig.rods["right_rod"].thread.name == "M6"  # type: ignore[union-attr]
    assert rig.rods["left_rod"].adjuster == "clamp" and rig.tags["right_lever"].code == 100


def test_single_tables_mirror_others_and_false_has_no_image() -> None:
    text = swap(PLAIN, 'mirror = "left"\n', "")
    for old in ("left_lever", "left_upright", "left_wheel"):
        text = text.replace(old, old.replace("left_", "near_"))
    text = text.replace("left_rod", "near_rod").replace("right_upright.tie", "far_upright.tie")
    text = text.replace('role = "lever"', 'role = "lever"\nside = "left"')
    text = text.replace('role = "upright"', 'role = "upright"\nside = "left"')
    text = text.replace('role = "wheel"', 'role = "wheel"\nside = "left"')
    for section, names in {"bodies": ("lever", "upright", "wheel"), "points": ("lever.rod", "upright.drag",
                           "upright.tie"), "rods": ("rod",), "tags": ("lever", "upright", "wheel", "lever_rod",
                                                                      "upright_drag", "upright_tie")}.items():
        for n in names:
            text += f'\n[{section}."far_{n}"]\nmirror = "near_{n}"\n'
    text += '[wheels.right]\nmirror = "left"\n'
    text = swap(text, '[steering]', '[steering]\ndriver = "near_lever"')
    rig = parse_rig(text)
    whole = parse_rig(PLAIN)

    def old(name: str) -> str:
        return name.replace("near_", "left_").replace("far_", "right_")

    assert {old(n): (b.pivot, b.axis, b.side, old(b.parent)) for n, b in rig.bodies.items()} == {
        n: (b.pivot, b.axis, b.side, b.parent) for n, b in whole.bodies.items()}
    assert {old(n): (old(r.a), old(r.b), r.length) for n, r in rig.rods.items()} == {
        n: (r.a, r.b, r.length) for n, r in whole.rods.items()}
    assert {old(n): (old(t.body), t.offset) for n, t in rig.tags.items()} == {
        n: (t.body, t.offset) for n, t in whole.tags.items()}

    one_sided = parse_rig(put(PLAIN, tags__left_lever="mirror = false"))
    assert set(whole.tags) - set(one_sided.tags) == {"right_lever"}


def test_switch_may_stand_for_the_right_side_too() -> None:
    text = mirror.other_side(PLAIN)
    text = text.replace("240, 180]", "-240, 180]").replace("330, 230]", "-330, 230]").replace("385, 230]", "-385, 230]")
    text = text.replace("270, 190]", "-270, 190]").replace("305, 215]", "-305, 215]")
    rig = parse_rig(text)
    assert rig.bodies["left_lever"].pivot == (-350, 240, 180) and rig.driver == "left_lever"
    whole = parse_rig(PLAIN)
    same(replace(rig, tags=whole.tags, rods={**rig.rods, "tie": whole.rods["tie"]}), whole)


MIRROR_MISTAKES = [
    ("bodies__right_lever", 'mirror = "left_levr"', "bodies.right_lever.mirror", ['did you mean "left_lever"?']),
    ("bodies__right_lever", "mirror = 3", "bodies.right_lever.mirror", ["read 3", "or false"]),
    ("bodies__right_lever", 'mirror = "right_lever"', "bodies.right_lever.mirror", ["another table"]),
    ("bodies__third", 'mirror = "second"\n[bodies.second]\nmirror = "left_lever"', "bodies.third.mirror",
     ["second is a mirror image too"]),
    ("vehicle", 'notes = ["x"]', "", []),
    ("targets", 'mirror = "toe"', "targets.mirror", ["unknown figure"]),
    ("limits", 'mirror = "left"', "limits.mirror", ["unknown key"]),
]


@pytest.mark.parametrize(("at", "line", "key", "words"), [m for m in MIRROR_MISTAKES if m[2]])
def test_mistakes_in_mirror_are_named(at: str, line: str, key: str, words: list[str]) -> None:
    lines = errors(put(PLAIN, **{at: line}))
    named = [x for x in lines if f": {key}: " in x]
    assert len(named) == 1 and all(w in named[0] for w in words), lines
    assert not [x for x in lines if "right_lever" in x and x not in named]  # drags no others along


def test_wrong_switch_is_named() -> None:
    assert 'did you mean "left"?' in errors(swap(PLAIN, 'mirror = "left"', 'mirror = "lft"'))[0]
    named = [x for x in errors(swap(PLAIN, 'mirror = "left"', 'mirror = "right"').replace("right_upright.tie", "t"))
             if ": vehicle.mirror: " in x]
    assert len(named) == 1 and 'nothing here is named "right"' in named[0]


def test_a_mistake_on_the_left_is_named_once_and_where_it_was_written() -> None:
    for old, new, key in [("pivot = [-350, 240, 180]", "pivot = [-350, 240]", "bodies.left_lever.pivot"),
                          ("pivot = [-350, 240, 180]", "", "bodies.left_lever.pivot"),
                          ("caster = 12", "caster = 95", "bodies.left_upright.caster"),
                          ("count = 3", "count = 0", 'points."left_lever.rod".row.count'),
                          ("centre = [0, 385, 230]", "centre = [0, -385, 230]", "wheels.left.centre"),
                          ("centre = [0, 385, 230]", "centre = [0, 385]", "wheels.left.centre"),
                          ('to = "left_upright.drag"', 'to = "left_upright.drog"', "rods.left_rod.to"),
                          ("bolt_size = 44", "bolt_size = 4", "prints.bolt_size"),
                          ("pivot = [0, 330, 230]", "pivot = [0, -330, 230]", "bodies.left_upright.pivot")]:
        text = swap(PLAIN, old, new)
        lines = errors(text)
        assert len(lines) == 1 and f": {key}: " in lines[0], lines
        number = int(lines[0].split("line ")[1].split(":")[0])
        there = text.splitlines()[number - 1]
        assert any(part.strip('"') in there for part in key.split(".")[1:]), (there, key)


def test_a_mistake_that_only_the_image_has_says_what_it_follows_from() -> None:
    (line,) = errors(put(PLAIN, points__left_mast='body = "frame"\nat = [0, 100, 50]',
                         rods__left_stay='from = "left_mast"\nto = "left_upright.drag"\nthread = "M6"\nplus_minus = 5\n'
                         '[points.right_mast]\nmirror = false\nbody = "right_upright"\nat = [0, -100, 50]'))
    assert ": rods.right_stay.to: " in line or ": rods.right_stay" in line
    assert "rods.left_stay" in line and "follows from" in line


# --- kingpins by angles ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("caster", "inclination"), [(12.0, 10.0), (-3.0, 14.5), (0.0, 0.0), (25.0, -6.0)])
def test_kingpin_by_angles_has_these_angles(caster: float, inclination: float) -> None:
    """Against the projections that ISO 8855 defines them by, worked out apart from the reader."""
    rig = parse_rig(swap(swap(PLAIN, "caster = 12", f"caster = {caster}"), "inclination = 10",
                         f"inclination = {inclination}"))
    for side, outward in (("left", 1.0), ("right", -1.0)):
        x, y, z = rig.bodies[f"{side}_upright"].axis
        assert math.hypot(x, y, z) == pytest.approx(1.0, abs=1e-15) and z > 0
        assert math.degrees(math.atan2(-x, z)) == pytest.approx(caster, abs=1e-12)  # top back
        assert math.degrees(math.atan2(-outward * y, z)) == pytest.approx(inclination, abs=1e-12)  # top in


@pytest.mark.parametrize(("old", "new", "key", "words"), [
    ("caster = 12", "caster = 12\naxis = [0, 0, 1]", "bodies.left_upright.caster", ['since "axis" gives the hinge']),
    ("caster = 12", "", "bodies.left_upright.caster", ['read nothing beside "inclination"']),
    ("inclination = 10", "", "bodies.left_upright.inclination", ['read nothing beside "caster"']),
    ("caster = 12", "caster = 60", "bodies.left_upright.caster", ["read 60", "at most 50 deg"]),
    ("caster = 12", 'caster = "12 mm"', "bodies.left_upright.caster", ["unknown unit"]),
    ("caster = 12", "castor = 12", "bodies.left_upright.castor", ['did you mean "caster"?']),
    ("travel = [-30, 30]", "caster = 5", "bodies.left_lever.caster", ['only for a part with role = "upright"']),
    ("pivot = [0, 330, 230]", "balls = { lower = [0, 330, 200], upper = [0, 330, 260] }", "bodies.left_upright.caster",
     ['"balls" gives the hinge']),
])
def test_wrong_kingpins_are_named(old: str, new: str, key: str, words: list[str]) -> None:
    lines = errors(swap(PLAIN, old, new))
    named = [x for x in lines if f": {key}: " in x]
    assert named and all(w in named[0] for w in words), lines
    assert not [x for x in lines if ".right_" in x]


# --- rows of holes -----------------------------------------------------------------------------------------------


def row_of(row: str, body: str = "") -> dict[str, tuple[float, float, float]]:
    text = swap(PLAIN, 'row = { first = 44, spacing = 9, count = 3, direction = "down" }\nuse = "B"',
                f"row = {row}" + ('\nuse = "A"' if "count = 1" not in row and "numbers" not in row else
                                  '\nuse = "1"' if "numbers" in row else ""))
    if body:
        text = swap(text, "pivot = [-350, 240, 180]", f"pivot = [-350, 240, 180]\n{body}")
    rig = parse_rig(text)
    holes = rig.points["left_lever.rod"].holes
    there = rig.points["right_lever.rod"].holes
    assert {h: pytest.approx((x, -y, z)) for h, (x, y, z) in holes.items()} == there
    return dict(holes)


def test_rows_stand_where_they_were_drilled() -> None:
    assert row_of('{ first = 44, spacing = 9, count = 3, direction = "down" }') == {
        "A": (-350, 240, 136), "B": (-350, 240, 127), "C": (-350, 240, 118)}
    assert row_of('{ first = "2 in", spacing = "1/2 in", count = 2, direction = [0, 0, 3], along = 15 }') == {
        "A": pytest.approx((-350, 255, 230.8)), "B": pytest.approx((-350, 255, 243.5))}
    assert row_of('{ first = 50, count = 1, direction = "up" }') == {"A": (-350, 240, 230)}
    # a lever leaning 30 deg forward: 50 mm along it is 25 mm ahead and 43.3 mm up
    assert row_of('{ first = 50, count = 1, angle = 30 }')["A"] == pytest.approx((-325, 240, 180 + 50 * math.sqrt(.75)))
    # the sense of the axis in the file does not change which way forward is
    assert row_of('{ first = 50, count = 1, angle = 30, along = 4 }', "axis = [0, -1, 0]")["A"] == pytest.approx(
        (-325, 244, 180 + 50 * math.sqrt(.75)))
    # an upright hinge: from straight ahead, left positive; up along it
    assert row_of('{ first = 50, spacing = 10, count = 2, angle = 90, along = 5, names = "numbers" }', 'axis = "up"') \
        == {"1": pytest.approx((-350, 290, 185)), "2": pytest.approx((-350, 300, 185))}


@pytest.mark.parametrize(("row", "key", "words"), [
    ('{ first = 44, spacing = 9, count = 0, direction = "up" }', "row.count", ["read 0", "at least 1"]),
    ('{ first = 44, spacing = -9, count = 3, direction = "up" }', "row.spacing", ["read -9", "above 0"]),
    ('{ first = 0, spacing = 9, count = 3, direction = "up" }', "row.first", ["read 0", "above 0"]),
    ('{ first = 44, count = 3, direction = "up" }', "row.spacing", ["the key is missing"]),
    ('{ first = 44, spacing = 9, count = 3.5, direction = "up" }', "row.count", ["a whole number"]),
    ('{ first = 44, spacing = 9, count = 3 }', "row.direction", ["neither"]),
    ('{ first = 44, spacing = 9, count = 3, direction = "up", angle = 3 }', "row.direction", ["both"]),
    ('{ first = 44, spacing = 9, count = 3, direction = "upp" }', "row.direction", ['did you mean "up"?']),
    ('{ first = 44, spacing = 9, cuont = 3, direction = "up" }', "row.cuont", ['did you mean "count"?']),
    ('{ first = 44, spacing = 9, count = 30, direction = "up" }', "row.count", ["at most 26"]),
    ('{ first = 44, spacing = 9, count = 3, direction = "left" }', "row", ["off the hinge axis"]),
    ('{ first = 44, spacing = 9, count = 3, direction = "up", names = "greek" }', "row.names", ['"letters"']),
    ("7", "row", ["a table with the keys first, spacing"]),
])
def test_wrong_rows_are_named(row: str, key: str, words: list[str]) -> None:
    lines = errors(swap(PLAIN, '{ first = 44, spacing = 9, count = 3, direction = "down" }', row))
    named = [x for x in lines if f': points."left_lever.rod".{key}: ' in x]
    if key == "row" and not named:
        named = [x for x in lines if ': points."left_lever.rod".holes: ' in x]
    assert len(named) >= 1 and all(w in named[0] for w in words), lines
    assert not [x for x in lines if "right_" in x]


def test_one_way_to_say_where_the_holes_are() -> None:
    (line,) = errors(swap(PLAIN, 'use = "B"', 'use = "B"\nat = [1, 2, 3]'))
    assert 'both of "at" and "row"' in line
    (line,) = errors(swap(PLAIN, 'use = "B"', 'use = "B"\nholes = { A = [1, 2, 3] }'))
    assert 'both of "holes" and "row"' in line
    lines = errors(put(PLAIN, points__mast='body = "frame"\nrow = { first = 1, count = 1, direction = "up" }'))
    assert len(lines) == 1 and "turns on a hinge" in lines[0]
    lines = errors(swap(PLAIN, "travel = [-30, 30]", "axis = [1, 0, 0]").replace('direction = "down"', "angle = 3"))
    assert len(lines) == 1 and 'a "direction" instead' in lines[0]


# --- rods from what may be turned or pushed ----------------------------------------------------------------------


def test_range_of_a_rod() -> None:
    rig = parse_rig(PLAIN)
    tie, rod = rig.rods["tie"], rig.rods["left_rod"]
    assert (tie.shortest, tie.longest) == (610 - 14, 610 + 14)
    assert rod.longest - rod.length == pytest.approx(16) and rod.length - rod.shortest == pytest.approx(16)
    # M8, both ends move: 12 mm (1.5 diameters) must stay of 20 in now, 31 at most
    screw = parse_rig(swap(PLAIN, "plus_minus = 14", 'ends = "left and right"\nengaged_now = 20\nengaged_most = 31'))
    assert (screw.rods["tie"].shortest, screw.rods["tie"].longest) == (610 - 22, 610 + 16)
    clamp = parse_rig(swap(PLAIN, "plus_minus = 16", "overlap = 40\noverlap_now = 52\noverlap_most = 90"))
    r = clamp.rods["right_rod"]
    assert (r.length - r.shortest, r.longest - r.length) == (pytest.approx(38), pytest.approx(12))
    same(parse_rig(rig_to_toml(clamp)), clamp)


@pytest.mark.parametrize(("new", "key", "words"), [
    ("plus_minus = 14\nrange = [590, 620]", "rods.tie.plus_minus", ['since "range" says it']),
    ("plus_minus = -1", "rods.tie.plus_minus", ["above 0"]),
    ("plus_minus = 700", "rods.tie.plus_minus", ["less than the rod's length, 610.00 mm"]),
    ("", "rods.tie.range", ["the key is missing", "plus_minus"]),
    ("engaged_most = 30", "rods.tie.engaged_now", ['beside "engaged_most"']),
    ("engaged_now = 10\nengaged_most = 30", "rods.tie.engaged_now", ["between the least, 12 mm", "30 mm"]),
    ("engaged_now = 20\nengaged_most = 30\nrange = [600, 615]", "rods.tie.engaged_most", ['since "range" says it']),
    ("plus_minus = 3\noverlap_most = 30", "rods.tie.overlap_most", ["no such key"]),
    ('adjuster = "fixed"\nplus_minus = 3', "rods.tie.plus_minus", ["no range for"]),
])
def test_wrong_ranges_are_named(new: str, key: str, words: list[str]) -> None:
    lines = errors(swap(PLAIN, "plus_minus = 14", new))
    named = [x for x in lines if f": {key}: " in x]
    assert named and all(w in named[0] for w in words), lines


# --- what follows from names -------------------------------------------------------------------------------------


def test_code_of_a_tag_is_its_names_alone() -> None:
    """No tag moves another's code; the two numbers are pinned, since prints on paper carry them."""
    assert (automatic_code("left_lever"), automatic_code("crank_left_in")) == (486, 408)
    rig = parse_rig(PLAIN)
    more = parse_rig(swap(PLAIN, "[tags.left_lever]\n", '[tags.extra]\nbody = "left_lever"\n[tags.left_lever]\n'))
    assert {n: more.tags[n].code for n in rig.tags} == {n: t.code for n, t in rig.tags.items()}
    assert all(t.code in PART_IDS for t in more.tags.values())


def test_two_tags_never_share_a_code() -> None:
    first = automatic_code("left_lever")
    (line,) = errors(put(PLAIN, tags__other=f'body = "left_lever"\ncode = {first}'))
    assert "a code of its own" in line and str(first) in line
    twin = next(f"t{k}" for k in range(9999) if automatic_code(f"t{k}") == first)
    (line,) = errors(put(PLAIN, **{f"tags__{twin}": 'body = "left_lever"'}))
    assert f"tags.{twin}.code" in line and "code = " in line


def test_bolt_tags_need_their_offset() -> None:
    lines = errors(swap(PLAIN, "bolt_offset = 16", ""))
    assert len(lines) == 3 and all("bolt_offset under [prints]" in x and ".left_" in x or "crank" in x for x in lines)
    rig = parse_rig(put(swap(PLAIN, "bolt_offset = 16", "bolt_offset_tolerance = 0.3"),
                        tags__left_lever_rod="offset = 11", tags__left_upright_drag="offset = 12",
                        tags__left_upright_tie="offset = 13\nsize = 50"))
    assert (rig.tags["right_lever_rod"].offset, rig.tags["right_upright_tie"].size) == (11, 50)
    assert rig.tags["left_upright_drag"].offset_tol == 0.3 and rig.tags["left_lever"].size == 60


def test_each_thing_that_is_said_to_follow_does_and_may_be_said() -> None:
    """What the schema lists as implied, taken out of the sample one by one where it says the same: no change."""
    whole, gone = tomllib.loads(SAMPLE.read_text(encoding="utf-8")), set()
    rig = load_rig(SAMPLE)
    text = rig_to_toml(rig)
    listed = {tuple(path.split(".")[::2]) for path, _ in implied()}
    for (section, key) in listed - {("tags", "code")}:
        for name in whole[section]:
            data = tomllib.loads(text)
            if key not in data[section][name]:
                continue
            del data[section][name][key]
            if (section, key) == ("bodies", "pivot") and data[section][name]["role"] != "wheel":
                continue
            try:
                again = parse_rig(tomlkit.dumps(data))
            except UserError:
                continue
            if flat(asdict(again)) == flat(asdict(rig)):
                gone.add((section, key))
    assert gone == listed - {("tags", "code")}


def test_a_part_in_the_middle_keeps_no_side() -> None:
    text = put(PLAIN, bodies__left_over='role = "lever"\nside = "neither"\nmirror = false\npivot = [0, 0, 300]')
    rig = parse_rig(text)
    assert rig.bodies["left_over"].side == "" and "right_over" not in rig.bodies
    same(parse_rig(rig_to_toml(rig)), rig)


# --- whatever is written in short reads back ---------------------------------------------------------------------

LENGTH = st.floats(1, 90).map(lambda x: round(x, 3))


@settings(max_examples=40, deadline=None)
@given(caster=st.floats(-30, 30), inclination=st.floats(-30, 30), first=LENGTH, spacing=LENGTH,
       count=st.integers(2, 9), along=st.floats(-40, 40), angle=st.floats(-180, 180), names=st.booleans(),
       travel=st.tuples(st.floats(-60, -1), st.floats(1, 60)), dy=st.floats(-5, 5), play=LENGTH)
def test_short_forms_read_back_from_the_long_one(caster: float, inclination: float, first: float, spacing: float,
                                                 count: int, along: float, angle: float, names: bool,
                                                 travel: tuple[float, float], dy: float, play: float) -> None:
    use = "2" if names else "B"
    text = swap(PLAIN, "caster = 12", f"caster = {caster}\ntravel = [{travel[0]}, {travel[1]}]")
    text = swap(text, "inclination = 10", f"inclination = {inclination}")
    text = swap(text, '{ first = 44, spacing = 9, count = 3, direction = "down" }\nuse = "B"',
                f'{{ first = {first}, spacing = {spacing}, count = {count}, angle = {angle}, along = {along}, names = '
                f'"{"numbers" if names else "letters"}" }}\nuse = "{use}"')
    text = swap(text, "plus_minus = 14", f"plus_minus = {play}")
    text += f'\n[points."right_upright.drag"]\nat = [10, {-270 + dy}, 190]\n'
    rig = parse_rig(text)
    p, q = rig.points["left_lever.rod"], rig.points["right_lever.rod"]
    for k, h in enumerate(p.holes):  # distances from the hinge are the numbers given
        x, y, z = np.subtract(p.holes[h], rig.bodies["left_lever"].pivot)
        assert math.hypot(x, z) == pytest.approx(first + k * spacing) and y == pytest.approx(along)
        assert q.holes[h] == pytest.approx((p.holes[h][0], -p.holes[h][1], p.holes[h][2]))
    assert q.order == p.order == tuple(p.holes)
    one, two = flat(asdict(rig)), flat(asdict(parse_rig(rig_to_toml(rig))))
    assert list(one) == list(two)
    for key, value in one.items():  # all but the last bit of an angle
        assert two[key] == (pytest.approx(value, rel=1e-15) if isinstance(value, float) else value), key


def test_every_key_of_a_row_changes_the_holes() -> None:
    base = {"first": "44", "spacing": "9", "count": "3", "direction": '"down"'}
    changed = {"first": "45", "spacing": "8", "count": "2", "direction": '"up"', "along": "3", "names": '"numbers"'}
    assert set(changed) | {"angle"} == set(ROW)
    assert {k for k, v in ROW.items() if v.default is REQUIRED} == {"first", "count"}
    holes = {k: row_of("{ " + ", ".join(f"{a} = {b}" for a, b in {**base, k: v}.items()) + " }")
             for k, v in changed.items()}
    turned = row_of("{ first = 44, spacing = 9, count = 3, angle = 180.1 }")
    assert len({str(h) for h in [*holes.values(), turned]}) == 7


@pytest.mark.parametrize(("name", "side"), [
    ("leftlever", "left"), ("leverleft", "left"), ("rightarm", "right"), ("armRight", "right"), ("left_lever", ""),
    ("upright", ""), ("crank", ""), ("uprightleft", "left")])
def test_a_side_that_a_name_only_seems_to_say(name: str, side: str) -> None:
    assert hidden_side(name) == side


def test_a_part_whose_name_runs_its_side_together_is_asked_about() -> None:
    """Its side is not guessed, since a name such as "leftover" would be one too; nothing is said where it is given."""
    said = starter_text("Wren").replace("left_lever", "leftlever")
    text = said.replace('[bodies.leftlever]\nrole = "lever"\nside = "left"\n', '[bodies.leftlever]\nrole = "lever"\n')
    assert text != said
    (one,) = [str(r) for r in parse_rig(text).remarks if str(r).startswith("leftlever has no side")]
    assert 'side = "left"' in one and parse_rig(text).bodies["leftlever"].side == ""
    assert parse_rig(said).bodies["leftlever"].side == "left"
    assert not [r for r in parse_rig(said).remarks if "has no side" in str(r)]
