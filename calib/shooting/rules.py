"""What a shoot stands or falls with, in a workshop's words: the rules on the shoot card."""

from __future__ import annotations

from calib.planning.predict import LEAST_SEEN
from calib.rig.model import Rig, approach_pairs
from capture.printing import BEFORE_RIDING

_COUNT = {2: "two", 3: "three"}
BOARD_WHOLE = "The whole board in every photo; board and tags fill the picture. Tap to focus, hold still."
ONE_PHONE = ("One phone, one lens, from the first photo to the last. No zoom, no portrait or beauty mode. Even light, "
             "no flash, no glare.")
NOTHING_MOVES = "Strap or clamp the lever: nothing moves between the photos of one position."
BOARD_FAST = ("From the first photo to the last neither the board shifts on the frame nor a tag on its part. Board "
              "knocked: start again.")
FOLDERS = ("A folder for each position, named as below. Copy the files themselves, by cable: a messenger shrinks and "
           "crops pictures.")
EACH_TAG = f"Each in {_COUNT[LEAST_SEEN]} photos of a position, better more:"
FLOOR_TAGS = "Floor tags lie still, and the vehicle is not rolled, until all straight-ahead photos are taken."
PUSHED_PULLED = "Folders ending in + and -: the same place, the lever pushed there and pulled there."
LEANED = "While it is leaned, somebody holds the vehicle."
LOADED = "With the rider aboard the vehicle stands braked, and somebody else takes the photos."
WRONG_WAY = "Mind the rig, not the screen: nobody stands in the way of levers or under a lifted vehicle."
CAUTIONS = (WRONG_WAY, BEFORE_RIDING)


def rules(rig: Rig) -> list[str]:
    """Those that hold for this rig."""
    out = [ONE_PHONE, BOARD_WHOLE, NOTHING_MOVES, BOARD_FAST, FOLDERS]
    if approach_pairs(rig.positions):
        out.append(PUSHED_PULLED)
    if any(t.on_floor for t in rig.tags.values()):
        out.append(FLOOR_TAGS)
    return out


def cautions(rig: Rig) -> list[str]:
    """For whoever works at this rig."""
    return [*CAUTIONS, *([LEANED] if rig.lean_positions else []), *([LOADED] if rig.loaded else [])]
