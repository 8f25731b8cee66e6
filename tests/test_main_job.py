"""The whole job on the sample photos, judged against the truth file that the job itself never reads.

The truth comes from the renderer's own solver and camera (tests/render), which share no code with the
measuring. A 95 % interval misses one time in twenty, so single figures are held to twice their half-width
and the share inside is checked over all of them.
"""

from __future__ import annotations

import html
import json
import re
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calib.cli import main
from calib.report.numbers import bare
from calib.rig.figures import FIGURES
from calib.rig.parameters import get_parameters
from calib.rig.reader import load_rig
from calib.shootplan import plan_shoot
from tests.plan_trials import DRAWN_STOPS

SAMPLE = Path(__file__).resolve().parents[1] / "sample_data"


@pytest.fixture(scope="module")
def truth() -> dict:
    return tomllib.loads((SAMPLE / "truth.toml").read_text())


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    out = tmp_path_factory.mktemp("job") / "before"
    stamps = {p: p.stat().st_mtime_ns for p in (SAMPLE / "before").rglob("*.jpg")}
    assert main(["run", str(SAMPLE / "rig.toml"), str(SAMPLE / "before"), "--out", str(out)]) == 0
    assert len(stamps) >= 30
    assert stamps == {p: p.stat().st_mtime_ns for p in (SAMPLE / "before").rglob("*.jpg")}, "photos were touched"
    yield out


@pytest.fixture(scope="module")
def after(before: Path) -> Path:
    out = before.parent / "after"
    code = main(["confirm", str(SAMPLE / "rig.toml"), str(before), str(SAMPLE / "after"), "--out", str(out)])
    assert code == 0
    return out


def figures(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "figures.csv").set_index("name")


def test_steer_angles_lie_in_their_intervals(before: Path, truth: dict) -> None:
    table = pd.read_csv(before / "measured.csv").set_index("position")
    fit = json.loads((before / "fit.json").read_text())
    steer = {f["name"]: f for f in fit["figures"]}
    ahead = truth["before"]["positions"]["ahead"]
    ratios, widths = [], []
    for position, row in table.iterrows():
        true = truth["before"]["positions"][str(position)]
        for side in ("left", "right"):  # headings in the frame, straight ahead too
            ratios.append(abs(row[f"{side}_deg"] - true[f"steer_{side}_deg"]) / row[f"{side}_u95_deg"])
        if position == "ahead":
            continue
        for side in ("left", "right"):  # from straight ahead: free of how the frame is laid on the drawing
            f = steer[f"steer {side} at {position} from ahead"]
            error = f["value"] - (true[f"steer_{side}_deg"] - ahead[f"steer_{side}_deg"])
            ratios.append(abs(error) / f["u95"])
            widths.append(f["u95"])
        ratios.append(abs(row["lever_deg"] - true["left_lever"]) / row["lever_u95_deg"])
    assert len(ratios) == 32
    assert max(ratios) < 2
    assert np.mean(np.array(ratios) < 1) >= 0.8
    assert max(widths) < 0.05


def test_built_in_errors_are_found(before: Path, truth: dict) -> None:
    names_cov = json.loads((before / "fit.json").read_text())["parameters"]
    names = names_cov["names"]
    sd = dict(zip(names, np.sqrt(np.diag(np.array(names_cov["covariance"]))), strict=True))
    built, true = load_rig(before / "as_built.toml"), truth["before"]
    ratios = []
    for body, t in true["bodies"].items():
        if body.endswith("wheel"):
            continue
        p, a = np.array(t["pivot"]), np.array(t["axis"]) / np.linalg.norm(t["axis"])
        drawn = np.array(load_rig(SAMPLE / "rig.toml").bodies[body].pivot)
        near = p + a * (a @ (drawn - p))
        for k, c in enumerate("xyz"):
            if abs(a[k]) < 0.9:
                ratios.append(abs(built.bodies[body].pivot[k] - near[k]) / (1.96 * sd[f"{body}.pivot.{c}"]))
    for point, t in true["points"].items():
        hole = t["use"]
        for k, c in enumerate("xyz"):
            value = get_parameters(built, [f"{point}@{hole}.{c}"])[0]
            ratios.append(abs(value - t["holes"][hole][k]) / (1.96 * sd[f"{point}@{hole}.{c}"]))
    for rod, length in true["rods"].items():
        ratios.append(abs(built.rods[rod].length - length) / (1.96 * sd[f"{rod}.length"]))
    assert max(ratios) < 2
    assert np.mean(np.array(ratios) < 1) >= 0.85
    # the fault that matters: the left lever's pivot sits 8.6 mm low, so its hole is too far out
    arm = np.array(built.points["left_lever.rod"].xyz) - np.array(built.bodies["left_lever"].pivot)
    axis = np.array(built.bodies["left_lever"].axis)
    radius = float(np.linalg.norm(arm - axis * (axis @ arm)))
    assert radius == pytest.approx(true["figures"]["left_lever_arm"], abs=0.5)


def test_toe_and_ratio(before: Path, truth: dict) -> None:
    f, true = figures(before), truth["before"]["figures"]
    assert abs(f.loc["toe", "measured"] - true["toe_deg"]) < 2 * f.loc["toe", "u95"]
    assert f.loc["toe", "u95"] < 0.1
    # the truth file's ratio is a chord over +/- 2 deg, the figure a slope: the curve bends that little
    assert f.loc["ratio", "measured"] == pytest.approx(true["ratio"], abs=2 * f.loc["ratio", "u95"] + 0.002)
    assert f.loc["toe", "verdict"] == "not met" and f.loc["ratio", "verdict"] == "not met"


def test_right_first_adjustment(before: Path) -> None:
    first = json.loads((before / "proposals.json").read_text())["proposals"][0]
    text = " ".join(first["changes"])
    assert "Left lever: move the rod end from hole C to hole B, one hole towards the pivot, 9.0 mm." in text
    assert " tie: lengthen by one turn" in text  # of either side: with the left rod set to suit, both do the same
    assert first["chance"] > 0.9


def test_second_shoot_confirms(after: Path, truth: dict) -> None:
    f, true = figures(after), truth["after"]["figures"]
    assert abs(f.loc["toe", "measured"] - true["toe_deg"]) < 2 * f.loc["toe", "u95"]
    for name in ("toe", "ratio", "ackermann_error", "lock"):
        assert f.loc[name, "verdict"] == "met", name
    # nobody photographed the stops: how far it is to either of them from where the lever was held is not known
    assert f.loc["symmetry", "verdict"] == "can't tell yet" and f.loc["symmetry", "u95"] > 1.0
    page = (after / "report.html").read_text()
    assert "No usable photo" not in page  # the second shoot holds only the positions that the work list asked for
    assert "in hole B, as told" in page and "set as told" in page


def test_the_chance_says_what_it_is_not_of(before: Path) -> None:
    """Nothing is adjusted for symmetry before the stops are photographed, so that no chance is given for it."""
    said = "Chance that every tolerance is then met, but for left/right symmetry, which nothing is adjusted for yet: "
    first = json.loads((before / "proposals.json").read_text())["proposals"][0]
    assert "symmetry" not in {f["name"] for f in first["predicted"]}
    assert said.partition("met")[2][:-2] == first["but_for"]
    assert html.unescape((before / "report.html").read_text(encoding="utf-8")).count(said) >= 2


def test_report_stands_alone(before: Path) -> None:
    page = (before / "report.html").read_text()
    assert "<svg" in page and "not met" in page and "inspect" in page
    assert 'src="http' not in page and 'href="http' not in page and "@import" not in page


def test_results_are_never_overwritten(before: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stamp = (before / "report.html").stat().st_mtime_ns
    main(["check", str(SAMPLE / "rig.toml"), "--picture", str(before.parent / "check.svg")])
    assert main(["print", str(SAMPLE / "rig.toml"), "--out", str(before)]) in (0, 2)
    assert (before / "report.html").stat().st_mtime_ns == stamp


def gathered(folder: Path) -> dict[str, list[tuple[str, float, float]]]:
    """Every (file, value, 95 % half-width) of a result folder by the name of what it is, surface units."""
    found: dict[str, list[tuple[str, float, float]]] = {}

    def add(name: str, file: str, value: float, u95: float) -> None:
        found.setdefault(name, []).append((file, float(value), float(u95)))

    table, fit = figures(folder), json.loads((folder / "fit.json").read_text())
    work = json.loads((folder / "proposals.json").read_text())["proposals"]
    for name, r in table.iterrows():
        add(str(name), "figures.csv", r["measured"], r["u95"])
    for f in fit["figures"]:
        add(f["name"], "fit.json", f["value"], f["u95"])
    for a in fit["joint_angles_deg"]:
        add(f"{a['body']} angle at {a['position']}", "fit.json, joint angles", a["angle"], a["u95"])
    for p in work:
        for f in p["predicted"]:
            add(f["name"], f"proposals.json, now of {p['title']}", f["now"], f["now_u95"])
            if not p["changes"]:
                add(f["name"], "proposals.json, left as it is", f["value"], f["u95"])
    for _, r in pd.read_csv(folder / "measured.csv").iterrows():
        add(f"left_lever angle at {r['position']}", "measured.csv", r["lever_deg"], r["lever_u95_deg"])
    curves, travel = pd.read_csv(folder / "curves.csv"), pd.read_csv(folder / "travel.csv")
    left = pd.DataFrame(next(p["curves"] for p in work if not p["changes"]))
    for side in ("left", "right"):
        for file, t, name in (("curves.csv", curves, f"{side}"), ("proposals.json, curves", left, f"{side}"),
                              ("travel.csv", travel, f"steer_{side}_deg")):
            tail = "" if file == "travel.csv" else "_deg"
            for _, r in t.iterrows():
                at = f"{side} steer over the lever at {r['lever_deg']:.3f}"
                if file == "travel.csv":
                    add(at, file, r[f"{name}_asbuilt"], r[f"{name}_u95"])
                    add(at + " drawn", file, r[f"{name}_design"], 0.0)
                else:
                    add(at, file, r[f"{name}_asbuilt{tail}"], r[f"{name}_u95{tail}"])
                    add(at + " drawn", file, r[f"{name}_design{tail}"], 0.0)
    return found


def test_one_name_has_one_value_and_one_uncertainty_in_every_file(before: Path) -> None:
    found = {n: v for n, v in gathered(before).items() if len(v) > 1}
    files = {f.split(",")[0] for v in found.values() for f, _, _ in v}
    assert files == {"figures.csv", "fit.json", "proposals.json", "measured.csv", "curves.csv", "travel.csv"}
    for kind in ("toe", "ratio", "caster_left", "camber", "left_lever angle at back3",
                 "left steer over the lever at 0.000"):
        assert kind in found, kind
    for name, each in found.items():
        for file, value, u95 in each[1:]:
            assert value == pytest.approx(each[0][1], rel=3e-5, abs=3e-6), (name, file, each[0])
            # proposals look at the curves over a coarser grid of lever angles
            rel = 5e-4 if file.startswith("proposals") else 1e-5
            assert u95 == pytest.approx(each[0][2], rel=rel, abs=3e-6), (name, file, each[0])


def test_rods_and_pivots_have_one_uncertainty_in_every_file(before: Path) -> None:
    pivots = pd.read_csv(before / "pivots.csv").set_index("what")
    said = (before / "as_built.toml").read_text().splitlines()
    fit = {f["name"]: f for f in json.loads((before / "fit.json").read_text())["figures"]}
    for rod in load_rig(SAMPLE / "rig.toml").rods:
        row, f = pivots.loc[f"{rod} length"], fit[f"length of {rod}"]
        assert (row["measured"], row["u95"]) == pytest.approx((f["value"], f["u95"]), abs=6e-4)
        assert row["from_photos"] == pytest.approx(f["from_photos"], abs=1e-5)
        line = next(x for x in said[said.index(f"[rods.{rod}]"):] if x.startswith("length = "))
        assert f"+/- {f['u95']:.2f} mm" in line
    for body in ("left_lever", "crank"):
        row = pivots.loc[f"{body} pivot"]
        line = said[said.index(f"[bodies.{body}]"):]
        words = next(x for x in line if x.startswith("pivot = "))
        stated = words.partition("+/- ")[2].partition(" mm")[0].split(", ")
        told = [float("nan") if x == "-" else float(x) for x in stated]
        assert told == pytest.approx([row[f"u95_{k}"] for k in "xyz"], abs=6e-3, nan_ok=True)
        assert np.isnan(told).sum() == 1  # its place along its own hinge


def test_share_from_photos_is_computed_once_and_knows_where_level_comes_from(before: Path) -> None:
    table = figures(before)["from_photos"]
    fit = {f["name"]: f["from_photos"] for f in json.loads((before / "fit.json").read_text())["figures"]}
    same = [n for n in table.index if n in fit]
    assert len(same) == 20
    for n in same:
        assert table[n] == pytest.approx(fit[n], abs=1e-5), n
    assert table["caster"] < 0.05  # level comes from the drawn pivots alone
    assert table["ratio"] > 0.5  # free of it


def test_report_shows_the_numbers_of_the_files(before: Path) -> None:
    page = html.unescape((before / "report.html").read_text(encoding="utf-8"))
    table = figures(before)
    cells = [re.sub(r"<[^>]*>", "", c).strip() for c in re.findall(r"<td[^>]*>(.*?)</td>", page, re.S)]
    for name, r in table.iterrows():
        kind = FIGURES[str(name)]
        near = (1, 1 + 5e-6, 1 - 5e-6)  # the file has six figures
        shown = {bare(r["measured"] * k, r["u95"], kind.unit) for k in near}
        assert shown & set(cells), (name, shown)
        if not kind.of_one_side:  # in the row of its own label
            assert shown & {cells[i + 2] for i, c in enumerate(cells) if c == r["label"]}, name
    for _, r in pd.read_csv(before / "measured.csv").iterrows():
        for side in ("left", "right"):
            near = [bare(r[f"{side}_deg"] + d, r[f"{side}_u95_deg"], "deg") for d in (0, 4e-4, -4e-4)]
            assert set(near) & set(cells)  # the file rounds once before


def test_the_plan_promised_what_the_run_states(before: Path) -> None:
    """Predicted over reported within 0.8 to 1.25, but for what hangs on the drawn stops.

    These are told from the driver's drawn pivot, and it stands off by twice its tolerance, so they are known half as
    well as a vehicle within its tolerances would know them.
    """
    plan = plan_shoot(load_rig(SAMPLE / "rig.toml"), 4, megapixels=4.32)
    promised = {f.name: f.u95 for f in plan.figures}
    table = pd.read_csv(before / "figures.csv").set_index("name")["u95"]
    stated = table.to_dict() | {f["name"]: f["u95"] for f in json.loads((before / "fit.json").read_text())["figures"]
                                if f["name"] not in table}
    ratios = {n: promised[n] / u for n, u in stated.items() if u > 1e-9}
    assert len(ratios) > 50 and plan.photos == 36
    assert {n: round(r, 2) for n, r in ratios.items() if n not in DRAWN_STOPS and not 0.8 <= r <= 1.25} == {}
    assert 0.4 < ratios["symmetry"] < 0.65


@pytest.mark.slow
def test_a_result_is_made_again_to_the_digit(before: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """From a moved folder, without the rig file of then, with other line endings and another number of processes."""
    moved = tmp_path / "moved"
    shutil.copytree(before, moved)
    told = json.loads((moved / "inputs.json").read_text())
    told["rig_file"]["path"] = str(tmp_path / "gone.toml")
    told["photos"]["source"] = str(tmp_path / "gone")
    (moved / "inputs.json").write_text(json.dumps(told))
    for name in ("rig.toml", "figures.csv", "fit.json", "as_built.toml"):
        (moved / name).write_bytes((moved / name).read_bytes().replace(b"\n", b"\r\n"))
    assert main(["again", str(moved)]) == 2
    assert "--photos" in capsys.readouterr().err
    assert main(["again", str(moved), "--photos", str(SAMPLE / "before"), "--workers", "1"]) == 0
    said = capsys.readouterr()
    assert "The same to the digit" in said.out and "the copy kept with the result is used" in said.err
    text = (moved / "fit.json").read_text()
    (moved / "fit.json").write_text(re.sub(r'("sigma0": )\d', r"\g<1>7", text, count=1))
    assert main(["again", str(moved), "--photos", str(SAMPLE / "before")]) == 1
    said = capsys.readouterr()
    assert "fit.json: 1 of" in said.out and "sigma0" in said.out and (tmp_path / "moved-again-2").is_dir()
