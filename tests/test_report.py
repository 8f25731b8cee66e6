"""The report, its plots, overlays, sheet and record, from a made-up fit of the sample vehicle."""

from __future__ import annotations

import json
import math
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import datetime
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pillow_heif
import pytest
from fontTools import subset, ttLib  # comes with matplotlib
from PIL import Image, ImageOps
from pypdf import PdfReader

from calib.advice.adjust import propose
from calib.advice.compare import compare, predicted_curves
from calib.cli import main
from calib.linkage.mechanism import Linkage, points_now
from calib.linkage.rotations import rotation
from calib.report.confirm import BeforeAfter, after_changes, load_before, load_sheet
from calib.report.contents import Results
from calib.report.folder import write_results
from calib.report.glossary import glossary
from calib.report.html import render, sketches
from calib.report.numbers import places, pm
from calib.report.overlay import draw_over, to_pixels, upright
from calib.report.page import report_html, sheet_words, verdict_card
from calib.report.plots import blank, save
from calib.report.record import COLUMNS, append_record, read_record, record_path
from calib.report.sheet import CHECKS, MET, NOT_MET, RULES, TRIAL, UNKNOWN, WARNING, Sheet, make_sheet
from calib.report.sheet_pdf import draw_sheet
from calib.report.whole import seal
from calib.results import AsBuilt, CameraFit, Code, Finding, Fit, PhotoFit
from calib.rig.figures import FIGURES
from calib.rig.model import Rig
from calib.rig.parameters import get_parameters, with_parameters
from calib.rig.reader import load_rig
from calib.run import gather
from capture.errors import UserError
from capture.observations import COLUMNS as CORNERS
from capture.observations import Observations, PhotoInfo
from capture.photos import read_photo
from capture.targets import PAPERS_MM
from tests.moorhen import moorhen

VOID = {"meta", "img", "input", "br", "hr", "link", "source"}
# the line that says which lever positions the made-up shoot has, deg
LEVERS = {"back3": -30.0, "back2": -20.0, "back1": -10.0, "ahead": 0.0, "push1": 10.0, "push2": 20.0, "push3": 30.0}


def parameter_names(rig: Rig) -> tuple[str, ...]:
    """Every named parameter of a rig."""
    names = [f"{b}.{w}.{k}" for b, body in rig.bodies.items() if body.role != "wheel"
             for w in ("pivot", "axis") for k in "xyz"]
    names += [f"{p.name}@{h}.{k}" for p in rig.points.values() for h in p.holes for k in "xyz"]
    names += [f"{r}.length" for r in rig.rods]
    return tuple(names + [f"{s}.{w}.{k}" for s in rig.wheels for w in ("centre", "spin") for k in "xyz"])


def made_up_rig(design: Rig, seed: int = 3) -> Rig:
    """A build that differs from its drawing by about a millimetre, with the left tie rod 2.5 mm too long."""
    rng = np.random.default_rng(seed)
    names = [n for n in parameter_names(design) if not n.endswith(".length")]
    off = rng.normal(0, 1, len(names)) * [0.003 if ".axis." in n or ".spin." in n else 1.0 for n in names]
    built = with_parameters(design, names, get_parameters(design, names) + off)
    lengths = {n: float(np.linalg.norm(np.subtract(built.points[r.a].xyz, built.points[r.b].xyz)))
               for n, r in built.rods.items()}
    built = replace(built, rods={n: replace(r, length=lengths[n]) for n, r in built.rods.items()})
    toe_out = Linkage(replace(built, rods={**built.rods, "left_tie": replace(
        built.rods["left_tie"], length=lengths["left_tie"] + 2.5)})).solve(0.0)["left_upright"]
    turn = cv2.Rodrigues(np.asarray(built.bodies["left_upright"].axis) * toe_out)[0]
    spin = turn @ np.asarray(built.wheels["left"].spin)
    left = replace(built.wheels["left"], spin=(float(spin[0]), float(spin[1]), float(spin[2])))
    return replace(built, wheels={**built.wheels, "left": left})


def made_up_fit(design: Rig, photo_names: dict[str, str] | None = None) -> Fit:
    """A fit of made-up numbers that hang together: angles solved on the rig, a plausible camera and covariance."""
    rng = np.random.default_rng(5)
    built = made_up_rig(design)
    names = parameter_names(built)
    sd = np.array([0.0008 if ".axis." in n or ".spin." in n else 0.05 for n in names])
    as_built = AsBuilt(built, names, np.diag(sd**2), dict.fromkeys(names, 0.97))
    sweep = Linkage(built).sweep(np.deg2rad(list(LEVERS.values())))
    angles = {(b, p): float(a[k]) for b, a in sweep.angles.items() if built.bodies[b].role != "wheel"
              for k, p in enumerate(LEVERS)}
    keys = tuple(k for k in angles if k[1] != "ahead")
    board_R = rotation(np.array([0.0, 0.0, -math.pi / 2]))
    photos, rows = {}, []
    for name, position in (photo_names or {f"{p}/1.jpg": p for p in LEVERS}).items():
        # looking down from behind, the board's x axis across the picture
        R = rotation(np.array([2.4, 0.0, 0.0]))
        photos[name] = PhotoFit(name, position, R, np.array([0.0, 60.0, 1500.0]), 0.001, np.array([3.0, -2.0]), 0.08,
                                400, 1 if position == "push2" else 0)
        for k in range(40):
            du, dv = rng.normal(0, 0.06, 2)
            rows.append((name, position, "left_lever", k % 32, du, dv, 1.0 if k else 0.0))
    fit = Fit(as_built, CameraFit(3000.0, 1.0, 2015.0, 1511.0, np.array([0.05, -0.1, 0.0, 0.0, 0.0]), {"f": 4.0}),
              photos, tuple(LEVERS), angles, keys, np.eye(len(keys)) * np.deg2rad(0.012) ** 2,
              np.zeros((len(keys), len(names))), board_R, np.array([-100.0, 0.0, 320.0]), {},
              pd.DataFrame(rows, columns=["photo", "position", "tag", "corner", "du", "dv", "weight"]), (),
              (Finding(Code.TAG_SLIPPED, "<left_wheel>", ("push1",), serious=False),),
              1.02, {("left_rod", "push1"): 0.03}, 0.8, 9, pivots(design, built))
    return fit


def pivots(design: Rig, built: Rig) -> pd.DataFrame:
    """A pivot table in the form the estimate gives."""
    rows = []
    for n, b in design.bodies.items():
        if b.role != "wheel":
            d, m = np.asarray(b.pivot, float), np.asarray(built.bodies[n].pivot)
            rows.append({"what": f"{n} pivot", "item": n, "design": tuple(d), "measured": tuple(m.round(3)),
                         "difference": tuple((m - d).round(3)), "u95": (0.1, 0.1, 0.2), "unit": "mm",
                         "from_photos": 0.98})
    for n, r in design.rods.items():
        m1 = built.rods[n].length
        rows.append({"what": f"{n} length", "item": n, "design": (round(r.length, 3),), "measured": (round(m1, 3),),
                     "difference": (round(m1 - r.length, 3),), "u95": (0.14,), "unit": "mm", "from_photos": 0.99})
    return pd.DataFrame(rows)


def observations(fit: Fit, folder: Path | None = None) -> Observations:
    """A corner table and photo list that go with a made-up fit; with ``folder``, grey pictures as the photos."""
    infos = []
    for p in fit.photos.values():
        path = ""
        if folder is not None:
            file = folder / p.name
            file.parent.mkdir(parents=True, exist_ok=True)
            if not file.exists():
                Image.new("L", (4032, 3024), 120).save(file, quality=30)
            path = str(file)
        infos.append(PhotoInfo(p.name, p.position, 4032, 3024, 3000.0, "phone", 1.0, "", path, 1.1, 14))
    table = pd.DataFrame([("a", "b", 60, 0, 1.0, 2.0, 0.01, 0.0, 0.01)], columns=CORNERS)
    return Observations(table, tuple(infos))


class Tags(HTMLParser):
    """Checks that tags close in order and collects what the page would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.fetched: list[str] = []
        self.seen: set[str] = set()
        self.ids: list[str] = []
        self.headings: list[int] = []
        self.unnamed: list[str] = []  # pictures and sliders without words for those who do not see them

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.add(tag)
        words = dict(attrs)
        self.ids += [words["id"] or ""] if "id" in words else []
        if tag[0] == "h" and tag[1:].isdigit():
            self.headings.append(int(tag[1]))
        if (tag == "img" and not words.get("alt") and words.get("class") != "print") or (
                tag == "input" and not words.get("aria-label")):
            self.unnamed.append(str(words)[:80])
        self.fetched += [v for k, v in attrs if k in ("src", "href", "srcset", "data", "action") and v]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.add(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


class Tables(HTMLParser):
    """The tables of a page by the heading above them, each as rows of cell texts; lines of a cell joined by "; "."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.under: dict[str, list[list[list[str]]]] = {}
        self.heading, self.within = "", ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "h2":
            self.heading, self.within = "", tag
        elif tag == "table":
            self.under.setdefault(self.heading, []).append([])
        elif tag == "tr":
            self.under[self.heading][-1].append([])
        elif tag in ("td", "th"):
            self.under[self.heading][-1][-1].append("")
            self.within = tag
        elif tag == "br" and self.within == "td":
            self.under[self.heading][-1][-1][-1] += "; "

    def handle_endtag(self, tag: str) -> None:
        if tag in ("h2", "td", "th"):
            self.within = ""

    def handle_data(self, data: str) -> None:
        if self.within == "h2":
            self.heading += data
        elif self.within:
            self.under[self.heading][-1][-1][-1] += data.strip()


# --- overlays -----------------------------------------------------------------------------------------------


def test_drawn_points_fall_where_opencv_projects_them() -> None:
    # reference: cv2.projectPoints with the photo's own focal length and centre
    fit = made_up_fit(moorhen())
    name = "push1/1.jpg"
    p, c = fit.photos[name], fit.camera
    frame = np.array([[-420.0, 200, 230], [20, 75, 205], [85, 327, 200], [0, -310, 240]])
    K = np.array([[c.f * (1 + p.df), 0, c.cx + p.dc[0]], [0, c.f * c.aspect * (1 + p.df), c.cy + p.dc[1]], [0, 0, 1]])
    board = (frame - fit.board_t) @ fit.board_R
    want = cv2.projectPoints(board, cv2.Rodrigues(p.R)[0], p.t, K, np.asarray(c.dist))[0][:, 0]
    np.testing.assert_allclose(to_pixels(fit, name, frame), want, atol=1e-6)


def test_points_behind_the_camera_are_not_drawn() -> None:
    fit = made_up_fit(moorhen())
    p = fit.photos["ahead/1.jpg"]
    eye = fit.board_R @ (-p.R.T @ p.t) + fit.board_t
    behind = eye - 100 * (fit.board_R @ p.R.T @ np.array([0.0, 0, 1]))
    assert np.isnan(to_pixels(fit, p.name, behind[None])).all()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_turning_pixels_agrees_with_pillow(orientation: int) -> None:
    # reference: Pillow's own exif_transpose moves the one white pixel
    image = Image.new("L", (7, 5))
    image.putpixel((5, 1), 255)
    exif = Image.Exif()
    exif[0x0112] = orientation
    image.info["exif"] = exif.tobytes()
    image.getexif()[0x0112] = orientation
    shown = np.asarray(ImageOps.exif_transpose(image))
    row, col = np.argwhere(shown == 255)[0]
    np.testing.assert_allclose(upright(np.array([[5.0, 1.0]]), orientation, 7, 5), [[col, row]])


def test_overlay_marks_the_photo_at_the_balls(tmp_path: Path) -> None:
    fit = made_up_fit(moorhen(), {"ahead/1.jpg": "ahead"})
    info = observations(fit, tmp_path).photos[0]
    image = draw_over(fit, info)
    assert image is not None and max(image.size) == 1200
    uv = to_pixels(fit, info.name, np.asarray([fit.as_built.rig.points["crank.left_in"].xyz]))[0]
    x, y = (uv + 0.5) * image.width / 4032 - 0.5
    patch = np.asarray(image)[int(y) - 9:int(y) + 10, int(x) - 9:int(x) + 10].astype(int)
    assert np.any(np.abs(patch - [0, 158, 115]).sum(-1) < 60)


@pytest.mark.parametrize(("kind", "wide"), [("jpg", 1008), ("jpg", 2016), ("jpg", 3024), ("heic", 1008),
                                            ("heic", 2016)])
def test_overlay_of_a_phone_held_upright(tmp_path: Path, kind: str, wide: int) -> None:
    # the file stores the sensor frame, 4 : 3, and asks for a quarter turn clockwise (EXIF orientation 6)
    high = wide * 3 // 4
    fit = made_up_fit(moorhen(), {f"ahead/1.{kind}": "ahead"})
    fit = replace(fit, camera=replace(fit.camera, f=0.744 * wide, cx=(wide - 1) / 2, cy=(high - 1) / 2))
    path = tmp_path / "ahead" / f"1.{kind}"
    path.parent.mkdir()
    sensor = Image.linear_gradient("L").resize((wide, high)).convert("RGB")  # dark above, light below
    exif = Image.Exif()
    exif[0x0112] = 6
    if kind == "heic":
        pillow_heif.from_pillow(sensor).save(path, exif=exif.tobytes(), quality=60)
    else:
        sensor.save(path, exif=exif.tobytes())
    assert read_photo(path)[0].shape == (high, wide)
    info = replace(observations(fit, tmp_path).photos[0], width=wide, height=high)
    image = draw_over(fit, info)
    assert image is not None and image.size == (min(wide, 1200) * 3 // 4, min(wide, 1200))
    u, v = to_pixels(fit, info.name, np.asarray([fit.as_built.rig.points["crank.left_in"].xyz]))[0]
    x, y = ((p + 0.5) * image.height / wide - 0.5 for p in (high - 1 - v, u))
    patch = np.asarray(image)[int(y) - 9:int(y) + 10, int(x) - 9:int(x) + 10].astype(int)
    assert np.any(np.abs(patch - [0, 158, 115]).sum(-1) < 60)
    across = np.asarray(image)[image.height // 2, ::image.width - 1].mean(-1)  # left and right ends of a row
    assert across[0] > across[1] + 150


def test_overlay_of_another_picture_is_left_out(tmp_path: Path) -> None:
    fit = made_up_fit(moorhen(), {"ahead/1.jpg": "ahead"})
    info = observations(fit, tmp_path).photos[0]
    Image.new("L", (640, 480)).save(info.path)
    assert draw_over(fit, info) is None
    assert draw_over(fit, replace(info, path=str(tmp_path / "gone.jpg"))) is None


# --- numbers as written -------------------------------------------------------------------------------------


def test_uncertainty_keeps_two_figures() -> None:
    # JCGM 100:2008, 7.2.6: uncertainties are quoted to at most two significant digits, values to match
    # (100.021 47 g with 0.35 mg becomes 100.021 47 and 0.000 35 there; four decimals are enough here)
    assert [places(u) for u in (12.0, 1.2, 0.12, 0.012, 0.0012)] == [0, 1, 2, 3, 4]
    assert pm(1.23456, 0.0478, "deg") == "1.235 \u00b1 0.048 deg"
    assert pm(-3.14159, 0.0021, "mm") == "-3.14 \u00b1 0.01 mm"  # never shown as no uncertainty at all
    assert pm(float("nan"), 0.1, "mm") == "-"


# --- sheet and record ---------------------------------------------------------------------------------------


def figures(*verdicts: str) -> pd.DataFrame:
    return pd.DataFrame([{"name": f"f{k}", "label": f"figure {k}", "design": 0.0, "measured": 0.1 * k, "u95": 0.05,
                          "unit": "deg", "target": 0.0, "tolerance": 0.5, "verdict": v, "says": f"figure {k}: {v}",
                          "from_photos": 0.9} for k, v in enumerate(verdicts)])


def test_sheet_goes_only_when_all_is_met_and_nothing_serious_was_found() -> None:
    assert make_sheet(figures(MET, MET)).go
    assert not make_sheet(figures(MET, UNKNOWN)).go
    assert not make_sheet(figures(MET, NOT_MET)).go
    assert not make_sheet(figures(MET), [{"text": "a tag slipped", "serious": True}]).go
    assert not make_sheet(figures()[:0].reindex(columns=["name", "verdict", "says"])).go
    assert "f1 is outside" in make_sheet(figures(MET, NOT_MET)).headline


def test_record_only_grows(tmp_path: Path) -> None:
    when = datetime(2030, 5, 1, 12, 0, 0)
    path = append_record(tmp_path, "Moorhen (invented)", "measured", "out", figures(MET, NOT_MET), when=when)
    first = path.read_bytes()
    append_record(tmp_path, "Moorhen (invented)", "confirmed", "out2", figures(MET), {"f0": (0.02, 0.1)}, when=when)
    assert path.read_bytes().startswith(first)
    table = read_record(path)
    assert list(table["event"]) == ["measured", "measured", "confirmed"]
    assert table["predicted"].iloc[2] == 0.02 and math.isnan(table["predicted"].iloc[0])


def test_a_foreign_file_is_not_written_to(tmp_path: Path) -> None:
    path = record_path(tmp_path, "x")
    path.parent.mkdir()
    path.write_text("my,own,notes\n")
    with pytest.raises(UserError, match="not a record"):
        append_record(tmp_path, "x", "measured", "out", figures(MET))
    assert path.read_text() == "my,own,notes\n"
    assert COLUMNS[0] == "when"


# --- the whole report ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Results, Path]:
    """A finished result folder from the made-up fit, with two grey photos to draw over."""
    folder = tmp_path_factory.mktemp("run")
    design = moorhen()
    fit = made_up_fit(design)
    obs = observations(fit, folder / "photos")
    results = gather(design, obs, fit, compare(design, fit), propose(design, fit.as_built))
    told: list[tuple[str, int, int]] = []
    write_results(results, folder / "out", progress=lambda *step: told.append(step))
    assert [done for _, done, _ in told] == [0, 1, 2, 3, 4] and {of for *_, of in told} == {4}
    return results, folder / "out"


def test_report_stands_alone_and_is_well_formed(run: tuple[Results, Path]) -> None:
    page = (run[1] / "report.html").read_text(encoding="utf-8")
    tags = Tags()
    tags.feed(page)
    assert tags.wrong == [] and tags.open == []
    inside = [x for x in tags.fetched if x.startswith("#")]
    fetched = [x for x in tags.fetched if x not in inside]
    assert all(x.startswith("data:") for x in fetched) and len(fetched) >= 5
    assert len(inside) >= 15 and {x[1:] for x in inside} <= set(tags.ids) and len(tags.ids) == len(set(tags.ids))
    assert tags.headings[0] == 1 and tags.headings.count(1) == 1 and tags.unnamed == []
    assert all(b <= a + 1 for a, b in zip(tags.headings, tags.headings[1:], strict=False))  # no level is skipped
    assert "http://" not in page and "https://" not in page and "@import" not in page and "url(" not in page
    assert {"svg", "img", "table", "script"} <= tags.seen


def test_report_says_the_verdict_first_and_what_to_do(run: tuple[Results, Path]) -> None:
    results, folder = run
    page = (folder / "report.html").read_text(encoding="utf-8")
    toe = next(x for x in results.sheet().lines if x.label == "toe")
    assert toe.verdict == NOT_MET  # the left tie rod of the made-up build is 2.5 mm too long
    order = [page.index(x) for x in ("Not ready: toe", "First adjustment", "<h2>Steer against lever", "<h2>Work list",
                                     "<h2>Go / no-go", "<h2>Figures", "<h2>Pivots", "<h2>Photo by photo")]
    assert order == sorted(order)
    assert "Left tie: shorten by" in page and "\u00b1" in page
    assert "&lt;left_wheel&gt;" in page and "<left_wheel>" not in page  # text from outside is escaped
    found = Tables(page).under
    row = next(r for r in found["Steer against lever"][0] if r[0] == "push2")
    assert row[1] == "20.000 \u00b1 0.024"  # lever angle at that label of the made-up shoot
    for caution in ("qualified person", "1.5 diameters"):
        assert caution in page


def test_linkage_view_holds_what_the_solver_gives(run: tuple[Results, Path]) -> None:
    results, folder = run
    page = (folder / "report.html").read_text(encoding="utf-8")
    blob = json.loads(page.split('id="linkage-data">')[1].split("</script>")[0])
    assert len(blob["design"]) == len(blob["built"]) == len(blob["said"]) == 33
    # the last lines are the rods in the rig's order; seen from above, forward to the right and left at the top: (x, -y)
    last = blob["built"][-1]["plan"][-1]
    rig = results.fit.as_built.rig
    rod = list(rig.rods.values())[-1]
    at = Linkage(rig).solve(moorhen().bodies["left_lever"].travel[1])  # type: ignore[index]
    places = points_now(rig, at)
    want = [c for e in (rod.a, rod.b) for c in (places[e][0], -places[e][1])]
    np.testing.assert_allclose(last, want, atol=0.051)


def test_result_files_hold_what_was_measured(run: tuple[Results, Path]) -> None:
    results, folder = run
    for name in ("observations.csv", "as_built.toml", "fit.json", "figures.csv", "pivots.csv", "curves.csv",
                 "residuals.csv", "proposals.json", "steer.svg", "steer.png", "tolerances.svg"):
        assert (folder / name).stat().st_size > 0, name
    assert len(list(folder.glob("overlay_*.jpg"))) == 4
    built = load_rig(folder / "as_built.toml")
    assert built.rods["left_tie"].length == pytest.approx(results.fit.as_built.rig.rods["left_tie"].length, abs=1e-3)
    fit = json.loads((folder / "fit.json").read_text())
    angles = {(x["body"], x["position"]): x for x in fit["joint_angles_deg"]}
    assert angles["left_lever", "push2"]["angle"] == pytest.approx(20.0)
    assert angles["left_lever", "push2"]["u95"] == pytest.approx(1.96 * 0.012, rel=1e-3)
    figures = pd.read_csv(folder / "figures.csv").set_index("name")
    assert figures.loc["toe", "measured"] == pytest.approx(results.comparison.figure("toe").measured, rel=1e-4)


def test_curves_of_leaving_it_are_the_measured_curves(run: tuple[Results, Path]) -> None:
    # two routes to the same numbers: the comparison's fine grid, and the grid kept with each proposal
    results, _ = run
    same = predicted_curves(results.design, results.fit.as_built, results.comparison.relative)
    for column in ("left_design_deg", "left_asbuilt_deg", "right_asbuilt_deg", "right_u95_deg"):
        fine = np.interp(same["lever_deg"], results.curves["lever_deg"], results.curves[column])
        np.testing.assert_allclose(same[column], fine, atol=0.01)


def test_confirm_sets_before_predicted_and_after_side_by_side(run: tuple[Results, Path], tmp_path: Path) -> None:
    results, folder = run
    before = load_before(folder)
    best = results.proposals.best if results.proposals else None
    assert best is not None and before.predicted is not None
    fixed = replace(results.fit, as_built=replace(results.fit.as_built, rig=best.rig))
    after = compare(results.design, fixed)
    outcomes = {o.name: o for o in before.outcomes(after.figure_table())}
    toe = outcomes["toe"]
    assert toe.before[0] == pytest.approx(results.comparison.figure("toe").measured, rel=1e-4)
    # the after build is exactly the predicted one, so it must come out as predicted
    assert toe.predicted[0] == pytest.approx(toe.after[0], abs=0.02) and toe.as_predicted
    again = gather(results.design, results.observations, fixed, after, None, "no proposal")
    slack = {"code": "play", "item": "left_tie", "text": "The left tie has play.", "serious": True}
    again = replace(again, findings=(*again.findings, slack))
    assert write_results(again, tmp_path / "after", before=before) == tmp_path / "after"
    tmp_path = tmp_path / "after"
    assert load_sheet(tmp_path)[0] == again.sheet() and slack["text"] in again.sheet().warnings
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Before, predicted, after" in page and "as predicted" in page and (tmp_path / "confirm.svg").exists()
    with pytest.raises(UserError, match="--proposal 99"):
        load_before(folder, 99)


def test_rod_ends_are_looked_for_where_the_proposal_put_them(run: tuple[Results, Path], tmp_path: Path) -> None:
    results, folder = run
    shutil.copytree(folder, tmp_path / "run")
    file = tmp_path / "run" / "proposals.json"
    work = json.loads(file.read_text())
    work["proposals"][0]["items"] = [{"kind": "hole", "item": "left_lever.rod", "before": "C", "after": "B", "mm": -9.0,
                                      "turns": None}]
    file.write_text(json.dumps(work))
    seal(tmp_path / "run")
    design = results.design
    now, said = after_changes(design, load_before(tmp_path / "run"))
    assert now.points["left_lever.rod"].use == "B" and len(said) == 1 and "left_lever.rod" in said[0]
    assert now.points["right_lever.rod"] == design.points["right_lever.rod"] and now.rods == design.rods
    none = load_before(folder, 0)
    assert none.predicted is None and after_changes(design, none)[0] == design


def test_picture_is_tidied_in_its_shapes_and_not_in_what_it_says(tmp_path: Path) -> None:
    figure = blank(layout="constrained")
    axes = figure.subplots()
    axes.plot([0, 1 / 3], [0, 0.0261])
    axes.set_yticks([0.0, 0.005, 0.0255])
    axes.set_title("rod 312.3456 mm")
    svg = save(figure, tmp_path / "a")[0].read_text(encoding="utf-8")
    for said in ("0.0000", "0.0050", "0.0255", "rod 312.3456 mm"):
        assert f">{said}<" in svg
    assert not re.findall(r"[ML] -?\d+\.\d{3}", svg) and len(re.findall(r"[ML] -?\d+\.\d", svg)) > 10


def test_outcome_agreement_is_the_en_number() -> None:
    # ISO/IEC 17043: E_n = (x - X) / sqrt(U_x^2 + U_X^2), satisfactory where |E_n| <= 1 (from memory)
    def outcome(after: float) -> BeforeAfter:
        return BeforeAfter("toe", "toe", "deg", (1.0, 0.1), (0.0, 0.3), (after, 0.4), MET)

    assert outcome(0.49).as_predicted is True and outcome(0.51).as_predicted is False
    assert outcome(math.nan).as_predicted is None


def test_tables_of_the_page_hold_the_numbers_of_the_run(run: tuple[Results, Path]) -> None:
    results, folder = run
    found = Tables((folder / "report.html").read_text(encoding="utf-8")).under
    toe = results.comparison.figure("toe")
    row = next(r for r in found["Figures"][0] if r[0].startswith("toe"))
    assert row[2] == pm(toe.measured, toe.u95, "deg").removesuffix(" deg") and row[5] == NOT_MET
    pivot = next(r for r in found["Pivots and rods"][0] if r[0] == "crank pivot")
    design, built = (r.bodies["crank"].pivot for r in (results.design, results.fit.as_built.rig))
    assert pivot[1] == "x; y; z" and [float(v) for v in pivot[3].split("; ")] == pytest.approx(built, abs=0.051)
    off = [float(v.split(" ")[0]) for v in pivot[4].split("; ")]
    assert off == pytest.approx(np.subtract(built, design), abs=0.006)
    assert [len(r) for t in found.values() for rows in t for r in rows] == [
        len(rows[0]) for t in found.values() for rows in t for r in rows]  # no row has a cell too many or too few
    assert {r[0] for r in found["Photo by photo"][0][1:]} == {p.name for p in results.observations.photos}


def test_glossary_has_a_sentence_and_a_sketch_for_every_word_and_one_source_for_figures(
        run: tuple[Results, Path]) -> None:
    terms = {t.word: t for t in glossary(list(FIGURES))}
    for kind in FIGURES.values():
        if kind.side == "both":
            assert terms[kind.short].meaning == kind.meaning
    assert {"transmission angle", "toggle, over centre", "Ackermann", "caster", "caster trail"} <= set(terms)
    drawing = sketches()
    for t in terms.values():
        assert "<path" in drawing(t.sketch, t.word), t.word
    assert "<path" not in drawing("no such sketch", "")
    page = (run[1] / "report.html").read_text(encoding="utf-8")
    assert page.count('class="sketch"') == len(glossary([str(n) for n in run[0].figures["name"]]))


def test_one_thing_has_one_name_and_one_sign(run: tuple[Results, Path]) -> None:
    for kind in FIGURES.values():  # in full it begins as it is called in short
        assert kind.label.startswith(kind.short) or kind.of_one_side, kind.name
    page = (run[1] / "report.html").read_text(encoding="utf-8")
    assert "+/-" not in page and "less design" not in page and ">design<" not in page


def card(sheet: Sheet, head: str, steps: list[str]) -> str:
    """The verdict box as HTML."""
    return render("card.html.j2", card=verdict_card(sheet, head, steps, None))


def test_every_text_from_outside_is_escaped() -> None:
    nasty = '<b>"x" & </script>'
    sheet = make_sheet(figures(NOT_MET).assign(name=nasty), [{"text": nasty, "serious": True}])
    page = card(sheet, nasty, [nasty])
    assert nasty not in page and "<b>" not in page and page.count("&lt;b&gt;") >= 3


def test_card_names_what_to_settle_before_what_to_do_and_the_wrong_hole_first() -> None:
    found = [{"text": f"matter {k}", "serious": True, "code": "tag_slipped"} for k in range(3)]
    found += [{"text": "not grave", "serious": False, "code": "photo_poor"},
              {"text": "the ball sits in hole C", "serious": True, "code": "hole_mismatch"}]
    page = card(make_sheet(figures(NOT_MET), found), "First adjustment", ["Left rod: longer."])
    order = [page.index(x) for x in ("f0 is outside", "Settle first", "the ball sits in hole C", "matter 0", "matter 1",
                                     "1 more under Findings", "First adjustment")]
    assert order == sorted(order) and "matter 2" not in page and "not grave" not in page


def test_what_is_to_be_settled_is_linked_to_where_it_stands(run: tuple[Results, Path]) -> None:
    results, folder = run
    loose = {"code": "rod_misfit", "item": "left_tie", "text": "The left tie does not fit.", "serious": True}
    results = replace(results, findings=(*results.findings, loose), limits=((False, "left_rod goes over centre"),))
    page = report_html(results, folder, [])
    box = page[page.index('class="verdict'):page.index("<nav")]
    assert '<a href="#finding-1">The left tie does not fit.</a>' in box
    assert '<a href="#limits-over-the-travel">left rod goes over centre</a>' in box
    finding = page[page.index('<li id="finding-1">'):]
    assert "does not fit" in finding[:80] and '<a href="#pivots-and-rods">' in finding[:finding.index("</li>")]


def test_card_reminds_of_the_checks_only_where_all_is_met() -> None:
    met = card(make_sheet(figures(MET, MET)), "First adjustment", ["none; leave it as it is."])
    bad = card(make_sheet(figures(MET), limits=[(False, "left_rod goes over centre")]), "First", [])
    assert "Before riding" in met and "Every tolerance is met." in met
    assert "Before riding" not in bad and "A limit is broken" in bad and 'class="verdict not"' in bad


# --- the go / no-go sheet on paper --------------------------------------------------------------------------


def long_sheet(count: int) -> Sheet:
    """A sheet with long names, doubts, warnings and remarks."""
    table = figures(*[(MET, NOT_MET, UNKNOWN)[k % 3] for k in range(count)])
    table["label"] = [f"steering-axis offset at the ground, of quite a long name, number {k:03d}."
                      for k in range(count)]
    table["doubt"] = ["not to be trusted until settled: tag slipped (left_upright)" if k in (2, 5) else ""
                      for k in range(count)]
    found = [{"text": f"Tag {k} on the left upright slipped by 1.2 mm; glue it again and shoot again.", "serious": True}
             for k in range(3)] + [{"text": f"left lever {k}: 8 mm further down than drawn", "remark": True}
                                   for k in range(5)]
    return make_sheet(table, found, [(False, "left_rod to left_tie: gap 3.1 mm; at least 6.0 mm")])


@pytest.mark.parametrize(("count", "pages", "paper"), [(14, 1, "A4"), (14, 1, "Letter"), (60, 3, "A4")])
def test_sheet_of_14_long_tolerances_is_one_page_and_no_line_is_lost_on_more(
        tmp_path: Path, count: int, pages: int, paper: str) -> None:
    sheet = long_sheet(count)
    draw_sheet(tmp_path, sheet, "Go / no-go sheet: Moorhen", "36 photos", paper)
    read = PdfReader(tmp_path / "sheet.pdf")
    assert len(read.pages) == pages
    assert [round(float(x) / 72 * 25.4) for x in read.pages[0].mediabox[2:]] == [round(x) for x in PAPERS_MM[paper]]
    said = " ".join(" ".join(p.extract_text() for p in read.pages).split())  # letters, not outlines of letters
    for k in range(count):
        assert said.count(f"number {k:03d}.") == 1  # each tolerance once
    for words in (*CHECKS, *TRIAL, *RULES, WARNING, *sheet.warnings, *sheet.remarks, *sheet.broken, "Signature"):
        assert words in said
    assert said.count("tag slipped (left_upright)") == 2


def test_fonts_on_paper_hold_letters_and_no_rules_for_setting_them(tmp_path: Path) -> None:
    before = list(subset.Options().drop_tables)
    draw_sheet(tmp_path, long_sheet(3), "Go / no-go sheet: Moorhen", "36 photos", "A4")
    fonts = PdfReader(tmp_path / "sheet.pdf").pages[0]["/Resources"]["/Font"].get_object()
    for font in fonts.values():
        kept = font["/DescendantFonts"][0].get_object()["/FontDescriptor"]["/FontFile2"].get_data()
        tables = set(ttLib.TTFont(BytesIO(kept)).keys())
        assert "glyf" in tables and not tables & {"GDEF", "GPOS", "GSUB"}
    assert len(fonts) >= 2  # bold and not
    assert subset.Options().drop_tables == before


def test_sheet_on_paper_shows_what_was_judged(run: tuple[Results, Path], capsys: pytest.CaptureFixture[str]) -> None:
    results, folder = run
    toe = next(x for x in results.sheet().lines if x.label == "toe")
    figure = results.comparison.figure("toe")
    assert figure.verdict is not None
    # toe is judged with 0.3 deg for the rider's weight, which nobody photographed (common practice, no source)
    assert figure.verdict.u95 == pytest.approx(math.hypot(figure.u95, 0.3)) and "rider" in toe.remark
    assert toe.measured == pm(figure.measured, figure.verdict.u95, "deg") and toe.wanted == "0 \u00b1 0.5 deg"
    said = " ".join(PdfReader(folder / "sheet.pdf").pages[0].extract_text().split())
    page = (folder / "sheet.html").read_text(encoding="utf-8")
    for text in (said, page):
        assert toe.measured in text and toe.wanted in text and "qualified person" in text
    assert {"sheet.pdf", "sheet.html"} <= set(json.loads((folder / "manifest.json").read_text())["sha256"])
    assert main(["sheet", str(folder)]) == 0
    assert str(folder / "sheet.pdf") in capsys.readouterr().out


def test_wanted_at_most_is_said_so() -> None:
    row = figures(MET).assign(name="ackermann_error", target=0.2, tolerance=1.5)
    assert make_sheet(row).lines[0].wanted == "at most 1.7 deg"


# --- in a browser -------------------------------------------------------------------------------------------

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
in_browser = pytest.mark.skipif(BROWSER is None, reason="no chromium here to lay the pages out")


def browse(page: Path, *wanted: str, at: str = "") -> str:
    """Standard output of a browser that is shown a page and no screen."""
    done = subprocess.run([str(BROWSER), "--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
                           f"--user-data-dir={page.parent / 'browser'}", *wanted, page.as_uri() + at],
                          capture_output=True, text=True, timeout=120, check=True)
    return done.stdout


def printed(page: Path, out: Path, at: str = "") -> PdfReader:
    """The page as a browser prints it, after its link ``at`` was followed."""
    browse(page, "--no-pdf-header-footer", f"--print-to-pdf={out}", at=at)
    return PdfReader(out)


@in_browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_report_prints_on_two_pages_and_its_sheet_on_the_second(
        run: tuple[Results, Path], tmp_path: Path, paper: str) -> None:
    page = tmp_path / "report.html"
    page.write_text((run[1] / "report.html").read_text(encoding="utf-8").replace("size:A4", f"size:{paper}"), "utf-8")
    read = printed(page, tmp_path / "report.pdf")
    assert len(read.pages) == 2
    first, second = (p.extract_text() for p in read.pages)
    assert "Not ready: toe" in first and "Work list" in first and "left lever angle, deg" in first
    assert "Check by hand" in second and "Signature" in second and "Photo by photo" not in first + second
    if paper == "A4":  # the link needs no script
        page.write_text(re.sub(r"<script>.*?</script>", "", page.read_text("utf-8"), flags=re.S), "utf-8")
        assert len(printed(page, tmp_path / "short.pdf").pages) == 2
        everything = printed(page, tmp_path / "all.pdf", "#all")
        assert "Photo by photo" in "".join(p.extract_text() for p in everything.pages) and len(everything.pages) > 8


@in_browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_sheet_of_14_long_tolerances_prints_on_one_page(tmp_path: Path, paper: str) -> None:
    page = tmp_path / "sheet.html"
    page.write_text(render("sheet.html.j2", title="Go / no-go sheet", lead="36 photos", paper=paper,
                           **sheet_words(long_sheet(14))), encoding="utf-8")
    assert len(printed(page, tmp_path / "sheet.pdf").pages) == 1


MEASURE = """
<script>window.addEventListener('load', function () { setTimeout(function () {
  document.querySelectorAll('details').forEach(function (d) { d.open = true; });
  var out = [], wide = document.documentElement.clientWidth;
  document.querySelectorAll('td.v, td.v .tag, .badge-cell').forEach(function (e) {
    var r = e.getBoundingClientRect();
    if (r.width) { out.push('verdict ' + Math.max(r.right - wide, -r.left).toFixed(1)); }
  });
  document.querySelectorAll('img[src^="data:image/svg"]').forEach(function (e) {
    var svg = atob((e.currentSrc || e.src).split(',')[1]);
    var drawn = parseFloat(/width="([0-9.]+)pt/.exec(svg)[1]) * 4 / 3;
    var scale = e.getBoundingClientRect().width / drawn, sizes = svg.match(/font(-size)?: [^;"]*?([0-9.]+)px/g) || [];
    if (scale) { sizes.forEach(function (s) {
      out.push('text ' + (parseFloat(/([0-9.]+)px/.exec(s)[1]) * scale * 4 / 3).toFixed(2) + ' ' + e.alt);
    }); }
  });
  document.querySelectorAll('svg text').forEach(function (e) {
    var svg = e.ownerSVGElement, r = svg.getBoundingClientRect(), box = svg.viewBox.baseVal;
    if (r.width) { out.push('text ' + (parseFloat(getComputedStyle(e).fontSize) * Math.min(r.width / box.width,
      r.height / box.height)).toFixed(2) + ' ' + e.textContent); }
  });
  out.push('page ' + (document.documentElement.scrollWidth - wide), 'wide ' + wide);
  document.title = 'measured';
  var pre = document.createElement('pre');
  pre.id = 'measured';
  pre.textContent = out.join('\\n');
  document.body.appendChild(pre);
}, 300); });</script></body>"""


@in_browser
def test_on_a_phone_every_verdict_is_in_sight_and_text_in_plots_can_be_read(
        run: tuple[Results, Path], tmp_path: Path) -> None:
    # a window of a headless browser is never narrower than 500 px: a frame of 390 in it is
    page = (run[1] / "report.html").read_text(encoding="utf-8").replace("</body>", MEASURE)
    (tmp_path / "report.html").write_text(page, encoding="utf-8")
    outer = tmp_path / "phone.html"
    outer.write_text('<iframe src="report.html" style="width:390px;height:3000px;border:0"></iframe>'
                     "<pre id='got'></pre><script>setInterval(function () { "
                     "var m = frames[0].document.getElementById('measured'); "
                     "if (m) { document.getElementById('got').textContent = m.textContent; } }, 100);</script>",
                     "utf-8")
    said = browse(outer, "--allow-file-access-from-files", "--virtual-time-budget=3000", "--dump-dom")
    lines = said.split("<pre id=\"got\">")[1].split("</pre>")[0].splitlines()
    assert "wide 390" in lines and "page 0" in lines
    verdicts = [float(x.split()[1]) for x in lines if x.startswith("verdict")]
    texts = sorted((float(x.split()[1]), x) for x in lines if x.startswith("text"))
    assert len(verdicts) >= 8 and max(verdicts) <= 0.0
    assert len(texts) >= 100 and texts[0][0] >= 11.0, texts[:5]
