"""The sample vehicle with measured references, and simulated shoots of it with and without them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.rig.model import Rig
from calib.rig.reader import parse_rig
from capture.observations import Observations
from tests.moorhen import SAMPLE
from tests.render.shoot import simulate_observations
from tests.render.truth import (
    SPIN_VIEWS,
    VIEWS,
    Truth,
    build,
    glued_as_promised,
    random_errors,
    set_levers,
    staged,
    with_rod_play,
)

LINE_TEXT = """
[tags.line_front]
code = 81
body = "frame"
size = 60
on_centre_line = true
centre_line_tolerance = 0.3

[tags.line_rear]
code = 82
body = "frame"
size = 60
on_centre_line = true
centre_line_tolerance = 0.3
"""
REAR_TEXT = """
[rear_wheel]
spin_body = "rear_wheel"

[bodies.rear_wheel]
role = "wheel"
pivot = [-1240, 0, 240]
axis = [0, 1, 0]

[tags.rear_wheel]
code = 80
body = "rear_wheel"
size = 100
"""
FLOOR_TEXT = "".join(f"""
[tags.floor_{n}]
code = {c}
size = 100
on_floor = true
""" for n, c in (("left", 83), ("right", 84), ("rear", 85)))
ALL = ("line", "rear", "floor")
TEXTS = {"line": LINE_TEXT, "rear": REAR_TEXT, "floor": FLOOR_TEXT}
# eye, aim: both ends of the vehicle in the picture, from the right where the rear wheel's tag is, and from above
LONG_VIEWS = (
    ((-980, -1050, 720), (-730, -20, 230)),
    ((-640, -1150, 820), (-700, -20, 230)),
    ((-1330, -820, 950), (-730, -10, 230)),
    ((-820, -760, 1180), (-720, 0, 230)),
)


def referenced(which: tuple[str, ...] = ALL) -> Rig:
    """The sample's drawing with some of the references."""
    return parse_rig(SAMPLE.read_text(encoding="utf-8") + "".join(TEXTS[w] for w in which))


def reference_shoot(seed: int, which: tuple[str, ...] = ALL, sigma: float = 0.05) -> tuple[Rig, Truth, Observations]:
    """Design, truth and corners of a shoot with the references seen straight ahead and in the spin positions."""
    rng = np.random.default_rng(seed)
    design = referenced(which)
    rig = build(design, random_errors(design, rng))
    angles = set_levers(rig, rng, 0.5)
    plan = {p: [*VIEWS] for p in rig.positions} | {p: [*SPIN_VIEWS, *LONG_VIEWS] for p in rig.spin_positions}
    plan[rig.straight_ahead] = [*VIEWS, *LONG_VIEWS]
    truth = with_rod_play(staged(rig, angles, plan, rng), 0.05, rng)
    return design, truth, simulate_observations(glued_as_promised(truth, rng), sigma, rng)


def without(design: Rig) -> Rig:
    """The drawing as it was before the references."""
    plain = referenced(())
    return replace(plain, tags={n: t for n, t in design.tags.items() if n in plain.tags})
