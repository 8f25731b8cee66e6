"""The drawing of the rig: what is described is what is drawn, at one scale, with legible names."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from matplotlib.figure import Figure

from calib.rig.drawing import FRONT, PLAN, SIDE, draw_rig, rig_figure
from calib.rig.labels import Box, place_labels
from calib.rig.model import Rig, Tag
from calib.rig.reader import load_rig, parse_rig
from calib.rig.starter import starter_text
from capture.errors import UserError

SAMPLE = Path(__file__).parent.parent / "sample_data" / "rig.toml"


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load_rig(SAMPLE)


@pytest.fixture(scope="module")
def figure(rig: Rig) -> Figure:
    return rig_figure(rig)


def views(figure: Figure) -> dict[str, object]:
    return {a.get_title(loc="left").split(",")[0].lower(): a for a in figure.axes[:3]}


def test_views_look_the_way_they_say() -> None:
    """ISO 8855 axes; the viewer is above, on the right (y negative) and ahead."""
    assert tuple(PLAN.depth) == (0, 0, 1)
    assert tuple(SIDE.depth) == (0, -1, 0)
    assert tuple(FRONT.depth) == (1, 0, 0)


def test_one_scale_in_all_views_and_in_line(figure: Figure) -> None:
    v = views(figure)
    scales = []
    for ax in v.values():
        box, (x0, x1), (y0, y1) = ax.get_window_extent(), ax.get_xlim(), ax.get_ylim()  # type: ignore[attr-defined]
        scales += [box.width / (x1 - x0), box.height / (y1 - y0)]
    assert np.ptp(scales) / scales[0] < 1e-9
    # the side view stands over the plan and beside the front view, so that a ruler carries across
    assert v["side"].get_xlim() == v["plan"].get_xlim()  # type: ignore[attr-defined]
    assert v["side"].get_ylim() == v["front"].get_ylim()  # type: ignore[attr-defined]


@pytest.mark.parametrize("view", [PLAN, SIDE, FRONT], ids=["plan", "side", "front"])
def test_rods_and_holes_are_where_they_are_described(rig: Rig, figure: Figure, view: object) -> None:
    ax = views(figure)[view.title.split(",")[0].lower()]  # type: ignore[attr-defined]
    drawn = [np.array(line.get_xydata()) for line in ax.lines]  # type: ignore[attr-defined]
    project = view.project  # type: ignore[attr-defined]
    for rod in rig.rods.values():
        want = project([rig.points[rod.a].xyz, rig.points[rod.b].xyz])
        assert any(d.shape == want.shape and np.allclose(d, want) for d in drawn), rod.name
    for point in rig.points.values():
        for hole, place in point.holes.items():
            found = [line for line in ax.lines if len(line.get_xdata()) == 1 and line.get_marker() == "o"  # type: ignore
                     and np.allclose(np.ravel(line.get_xydata()), project(place))]
            assert found, (point.name, hole)
            if hole == point.use:  # the hole in use is filled
                assert any(line.get_markerfacecolor() != "white" for line in found)


@pytest.mark.parametrize("name", ["sample", "starter"])
def test_everything_is_named_and_names_do_not_cover_each_other(name: str) -> None:
    rig = load_rig(SAMPLE) if name == "sample" else parse_rig(starter_text())
    figure = rig_figure(rig)
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    for title, ax in views(figure).items():
        words = "\n".join(t.get_text() for t in ax.texts)  # type: ignore[attr-defined]
        for item in [*rig.bodies, *rig.rods, *rig.points]:
            both = item.replace("left_", "left/right_").replace("right_", "left/right_", 1)
            joined = "left/right_" + item.partition("_")[2]
            assert item in words or joined in words or both in words, (title, item)
        boxes = [t.get_window_extent(renderer) for t in ax.texts]  # type: ignore[attr-defined]
        shared = sum(Box(*a.extents).overlap(Box(*b.extents)) for i, a in enumerate(boxes) for b in boxes[:i])
        total = sum(b.width * b.height for b in boxes)
        assert shared / total < 0.01, title
        frame = ax.get_window_extent()  # type: ignore[attr-defined]
        assert all(frame.x0 <= b.x0 and b.x1 <= frame.x1 and frame.y0 <= b.y0 and b.y1 <= frame.y1 for b in boxes)


def test_table_gives_lengths_and_lever_arms(rig: Rig) -> None:
    lever = replace(rig.points["left_lever.rod"], holes={"A": (-420.0, 200.0, 212.0), "C": (-420.0, 200.0, 230.0)})
    hub = replace(rig.points["crank.left_in"], holes={"2": (20.0, 75.0, 205.0)})
    body = replace(rig.bodies["left_lever"], pivot=(-420.0, 200.0, 160.0), axis=(0.0, 1.0, 0.0))
    rod = replace(rig.rods["left_rod"], length=458.1, shortest=420.0, longest=500.0)
    set_rig = replace(rig, bodies={**rig.bodies, "left_lever": body}, rods={**rig.rods, "left_rod": rod},
                      points={**rig.points, "left_lever.rod": lever, "crank.left_in": hub})
    table = rig_figure(set_rig).axes[3].texts[0].get_text()
    row = next(x for x in table.splitlines() if x.startswith("left_rod"))
    assert "458.1" in row and "420 -  500" in row
    row = next(x for x in table.splitlines() if x.startswith("left_lever.rod"))
    assert " C " in row and "70.0" in row  # 230 - 160 above the hinge


def test_files(rig: Rig, tmp_path: Path) -> None:
    draw_rig(rig, tmp_path / "a.svg")
    draw_rig(rig, tmp_path / "same.svg")
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "same.svg").read_bytes()
    root = ET.parse(tmp_path / "a.svg").getroot()
    assert root.tag.endswith("svg")
    draw_rig(rig, tmp_path / "a.png")
    image = matplotlib.image.imread(tmp_path / "a.png")
    assert min(image.shape[:2]) > 1000 and image[..., :3].min() < 0.3
    with pytest.raises(UserError, match=r"\.svg or \.png"):
        draw_rig(rig, tmp_path / "a.jpg")
    with pytest.raises(UserError, match="cannot be written"):
        draw_rig(rig, tmp_path / "none" / "a.png")


def test_bare_and_odd_rigs_draw(rig: Rig, tmp_path: Path) -> None:
    draw_rig(replace(rig, wheels={}, tags={}, obstacles=(), rods={}), tmp_path / "bare.png")
    one = replace(rig, bodies={"crank": rig.bodies["crank"]}, points={}, rods={}, wheels={}, tags={}, obstacles=())
    draw_rig(replace(one, name="$5 \\frac bike$"), tmp_path / "one.png")  # a name is no formula
    datum = Tag("datum", 300, "frame", 60.0, place=(-200.0, 100.0, 260.0))
    drawn = rig_figure(replace(rig, tags={**rig.tags, "datum": datum}))
    assert any(t.get_text() == "datum [300]" for t in drawn.axes[0].texts)
    assert (tmp_path / "bare.png").stat().st_size > 10_000 and (tmp_path / "one.png").stat().st_size > 10_000


def test_labels_of_a_crowd_keep_apart() -> None:
    rng = np.random.default_rng(0)
    anchors = [(float(x), float(y)) for x, y in rng.uniform(150, 350, (15, 2))]
    boxes = place_labels(anchors, [(60.0, 12.0)] * 15, Box(0, 0, 500, 500), np.zeros((0, 2, 2)))
    assert all(a.overlap(b) == 0 for i, a in enumerate(boxes) for b in boxes[:i])
    assert all(b.x0 >= 0 and b.y0 >= 0 and b.x1 <= 500 and b.y1 <= 500 for b in boxes)


def test_length_of_lines_within_a_box() -> None:
    box = Box(0, 0, 10, 4)
    lines = np.array([[[-5, 2], [15, 2]], [[5, -9], [5, 9]], [[-1, 5], [11, 5]], [[2, 1], [5, 1]], [[0, 0], [4, 4]]],
                     float)
    for line, want in zip(lines, (10.0, 4.0, 0.0, 3.0, 4 * np.sqrt(2)), strict=True):
        assert box.inside(line[None]) == pytest.approx(want)
    assert box.inside(lines) == pytest.approx(17 + 4 * np.sqrt(2))
