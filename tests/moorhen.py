"""The sample vehicle as a Rig, and random variants of it, for tests of the kinematics."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from calib.rig import Body, Obstacle, Point, Rig, Rod, Vec, Wheel

SAMPLE = Path(__file__).parents[1] / "sample_data" / "rig.toml"


def vec(v: Any, unit: bool = False) -> Vec:
    a = np.asarray(v, float)
    a = a / np.linalg.norm(a) if unit else a
    return (float(a[0]), float(a[1]), float(a[2]))


def moorhen() -> Rig:
    """Geometry of sample_data/rig.toml, read here without the loader so that these tests stand alone."""
    t = tomllib.loads(SAMPLE.read_text())
    bodies = {}
    for n, b in t["bodies"].items():
        travel = tuple(np.deg2rad(b["travel"])) if "travel" in b else None
        bodies[n] = Body(n, vec(b["pivot"]), vec(b["axis"], True), b.get("parent", "frame"), b["role"],
                         b.get("side", ""), travel)
    points = {}
    for n, p in t["points"].items():
        holes = {k: vec(v) for k, v in p["holes"].items()} if "holes" in p else {"only": vec(p["at"])}
        points[n] = Point(n, p["body"], holes, p.get("use", "only"), swing=np.deg2rad(p.get("swing", 25.0)),
                          bolt=vec(p["bolt"], True))
    rods = {}
    for n, r in t["rods"].items():
        length = float(np.linalg.norm(np.subtract(points[r["from"]].xyz, points[r["to"]].xyz)))
        rods[n] = Rod(n, r["from"], r["to"], float(r.get("length", length)), *r["range"], radius=r["diameter"] / 2)
    wheels = {s: Wheel(s, w["upright"], vec(w["centre"]), vec(w["spin_axis"], True), w["radius"], w["spin_body"])
              for s, w in t["wheels"].items()}
    obstacles = [Obstacle(n, vec(o["from"]), vec(o["to"]), o["diameter"] / 2) for n, o in t["obstacles"].items()]
    return Rig("sample", t["vehicle"]["wheelbase"], bodies, points, rods, wheels, {}, {}, driver="left_lever",
               obstacles=obstacles, min_transmission=np.deg2rad(t["limits"]["min_transmission_angle"]),
               min_clearance=t["limits"]["min_clearance"])


def jiggled(rig: Rig, rng: np.random.Generator, mm: float = 8.0, deg: float = 4.0, rod_mm: float = 3.0) -> Rig:
    """The rig with every pivot, axis, hole and rod length moved at random (standard deviations)."""
    def off(v: Vec, s: float, unit: bool = False) -> Vec:
        return vec(np.asarray(v) + rng.normal(0, s, 3), unit)

    bodies = {n: replace(b, pivot=off(b.pivot, mm), axis=off(b.axis, np.deg2rad(deg), True))
              for n, b in rig.bodies.items()}
    points = {n: replace(p, holes={k: off(v, mm) for k, v in p.holes.items()}) for n, p in rig.points.items()}
    rods = {n: replace(r, length=float(np.linalg.norm(np.subtract(points[r.a].xyz, points[r.b].xyz)))
                       + rng.normal(0, rod_mm)) for n, r in rig.rods.items()}
    wheels = {s: replace(w, spin=off(w.spin, np.deg2rad(deg), True), centre=off(w.centre, mm))
              for s, w in rig.wheels.items()}
    return replace(rig, bodies=bodies, points=points, rods=rods, wheels=wheels)
