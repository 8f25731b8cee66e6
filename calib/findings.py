"""What was noticed about a shoot or a rig: codes and facts, and the one table that puts them into words.

Those who find something give its code, the item, the positions and the measured values; nobody edits or searches
the words. To add a finding: a code, a function of the finding that says it, and a line in ``TABLE``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, NamedTuple

Fact = float | int | str | bool | tuple[str, ...]


class Code(StrEnum):
    """What a finding is."""

    TWO_CAMERAS = "two_cameras"
    RESIZED = "resized"
    DIGITAL_ZOOM = "digital_zoom"
    NO_BOARD = "no_board"
    FEW_PHOTOS = "few_photos"
    NO_POSITION = "no_position"
    TAG_MISSING = "tag_missing"
    TAG_UNSEEN = "tag_unseen"
    WRONG_POSITION = "wrong_position"
    TAG_MISREAD = "tag_misread"
    TAG_UNFIT = "tag_unfit"
    TAG_SLIPPED = "tag_slipped"
    TAG_SIZE = "tag_size"
    PART_TAGS_SIZE = "part_tags_size"
    PART_BENT = "part_bent"
    FRAME_BUMPED = "frame_bumped"
    SCALE_DISAGREES = "scale_disagrees"
    SCALE_UNKNOWN = "scale_unknown"
    PHOTO_POOR = "photo_poor"
    CORNERS_ROUGH = "corners_rough"
    REPEATS = "repeats"
    JOINT_LOOSE = "joint_loose"
    HAND_MOVED = "hand_moved"
    LENS_TERMS = "lens_terms"
    SPREAD_MISFIT = "spread_misfit"
    BOARD_BOWED = "board_bowed"
    ROD_MISFIT = "rod_misfit"
    ANGLE_UNKNOWN = "angle_unknown"
    REFERENCE_OFF = "reference_off"
    REFERENCES_TURN = "references_turn"
    LEVER_CREPT = "lever_crept"
    LEVER_STILL = "lever_still"
    NOT_CONVERGED = "not_converged"
    NOT_LOADED = "not_loaded"
    NOT_SEEN = "not_seen"
    NOT_AS_DRAWN = "not_as_drawn"
    TOLERANCES_TIGHT = "tolerances_tight"
    UNLIKE_DRAWING = "unlike_drawing"
    HOLE_MISMATCH = "hole_mismatch"
    HOLE_UNCERTAIN = "hole_uncertain"
    OFFSETS_TOGETHER = "offsets_together"
    PLAY = "play"
    NO_PLAY = "no_play"


EVERYTHING = "everything"  # what touches every figure
LENGTHS = "lengths"  # what touches every figure in mm, angles not


@dataclass(frozen=True)
class Finding:
    """Something noticed about the shoot or the rig.

    ``facts``: measured values by name, mm, degrees, shares or plain, as ``TABLE`` reads them. ``touches``: parts,
    tags or rods that it makes doubtful, EVERYTHING or all LENGTHS; ``calib.trust`` works out the figures from it.
    ``serious``: whether a verdict must wait for it. Both are the code's own where left out.
    """

    code: Code
    item: str  # the tag, photo, rod or part it is about
    positions: tuple[str, ...] = ()
    facts: Mapping[str, Fact] = field(default_factory=dict, hash=False)
    serious: bool = None  # type: ignore[assignment]  # set below
    touches: tuple[str, ...] = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        entry = TABLE[Code(self.code)]
        object.__setattr__(self, "code", Code(self.code))
        if self.serious is None:
            object.__setattr__(self, "serious", entry.serious)
        if self.touches is None:
            object.__setattr__(self, "touches", (self.item,) if entry.touches is None else entry.touches)

    @property
    def text(self) -> str:
        """The finding as a sentence."""
        return TABLE[self.code].says(self)

    @property
    def local(self) -> bool:
        """Whether it touches its parts only as they stood at its positions."""
        return TABLE[self.code].local

    @property
    def remark(self) -> bool:
        """Whether it stands beside the verdict though the verdict need not wait for it."""
        return TABLE[self.code].remark and not self.serious

    def as_data(self) -> dict[str, Any]:
        """For JSON and the report: code, item, positions, facts, touches, text, serious and remark."""
        return {"code": self.code.value, "item": self.item, "positions": list(self.positions),
                "facts": {k: list(v) if isinstance(v, tuple) else v for k, v in self.facts.items()},
                "touches": list(self.touches), "text": self.text, "serious": self.serious, "remark": self.remark}


def in_order(findings: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Findings as data: what a verdict must wait for, then remarks about the vehicle, then the rest; else as found."""
    return sorted(findings, key=lambda f: 0 if f.get("serious") else 1 if f.get("remark") else 2)


def quoted(names: Sequence[str], between: str = ", ") -> str:
    """Names in quotes, one after the other."""
    return between.join(f'"{n}"' for n in names)


# --- the words ------------------------------------------------------------------------------------------------


def _set_aside(f: Finding, why: str) -> str:
    return f"Photo {f.item} was set aside: {why}. Use one camera at one setting for a shoot."


def _two_cameras(f: Finding) -> str:
    return _set_aside(f, "it was taken with another camera ({camera}, {width} x {height}) than the rest"
                      .format_map(f.facts))


def _resized(f: Finding) -> str:
    return _set_aside(f, "it is {width} x {height} pixels and the rest are {usual_width} x {usual_height}: cropped, "
                         "shrunk by a messenger, or another camera mode".format_map(f.facts))


def _digital_zoom(f: Finding) -> str:
    if "zoom_in_file" in f.facts:
        return _set_aside(f, "its file says digital zoom {zoom_in_file:g} and the rest {usual:g}; photograph without "
                             "zoom".format_map(f.facts))
    if "off" in f.facts:
        return (f"Photo {f.item} has a focal length {100 * float(f.facts['off']):+.1f} % off the others: zoomed or "  # type: ignore[arg-type]
                "cropped? Take it again without zoom.")
    cause = "zoomed, or cropped. Take it again without zoom."
    if not f.facts.get("camera_named", True):
        cause = ("zoomed, cropped, or taken with another camera; the file does not say which. Take it again with the "
                 "same camera, without zoom.")
    return (f"Photo {f.item} was set aside: its focal length is about {f.facts['zoom']:.2f} times that of the others: "
            f"{cause}")


def _no_board(f: Finding) -> str:
    return (f"Photo {f.item} was set aside: too little of the board is seen in it. Keep the whole board in view and in "
            "focus.")


def _few_photos(f: Finding) -> str:
    return (f'Position "{f.item}" was set aside: it has only {f.facts["photos"]} usable photo. Take at least '
            f'{f.facts["least"]}, better four, from different sides.')


def _no_position(f: Finding) -> str:
    return f'No usable photo of position "{f.item}", which the rig file asks for.'


def _tag_missing(f: Finding) -> str:
    return (f'Tag "{f.item}" (code {f.facts["printed_code"]}) was not found in any photo, so what it marks rests on '
            "the drawing and the other tags.")


def _tag_unseen(f: Finding) -> str:
    return (f'Tag "{f.item}" is in no photo of {quoted(f.positions)}: there its part stands as its other tags and '
            "the rods say.")


def _wrong_position(f: Finding) -> str:
    here = f.positions[0]
    if "other" in f.facts:
        return (f'Photo {f.item} is filed under "{here}" but the parts in it stand as in "{f.facts["other"]}": move it '
                "there. Only the board was used from it.")
    return (f'Photo {f.item}: its parts do not stand as in the other photos of "{here}". Was the lever moved between '
            "shots, or the photo filed wrongly? Only the board was used from it.")


def _tag_misread(f: Finding) -> str:
    return (f'Tag "{f.facts["tag"]}" in photo {f.facts["photo"]} does not fit the other photos of that position and '
            "was left out there.")


def _tag_unfit(f: Finding) -> str:
    return (f'Tag "{f.item}" does not fit its part at {quoted(f.positions)}, nearly everywhere it was seen: its size '
            "is not that in the rig file, it is on another part, or it is loose; the photos cannot tell which. Measure "
            "it, fix it firmly and shoot again.")


def _by(f: Finding) -> str:
    return f" by about {f.facts['mm']:.1f} mm and {f.facts['deg']:.1f} deg" if "mm" in f.facts else ""


def _tag_slipped(f: Finding) -> str:
    where = quoted(f.positions)
    if "one_of" in f.facts:
        return (f"One of the tags {quoted(_names(f, 'one_of'), ' or ')} of {f.facts['body']} slipped or was knocked: "
                f"it stands elsewhere at {where}; the photos cannot tell which. Fix both firmly and shoot again.")
    if "body" in f.facts:
        return (f'Tag "{f.item}" stands elsewhere on its part{_by(f)} at {where}: it slipped or was knocked. Fix it '
                "firmly and shoot again.")
    return (f'Tag "{f.item}" does not fit its part at {where}: it slipped or was knocked, or a corner of it lifted. '
            "Fix it firmly and shoot again.")


def _part_bent(f: Finding) -> str:
    where, body = quoted(f.positions), f.item
    if "or_tags" in f.facts:
        return (f"At {where} the tags of {body} stand elsewhere: {body} bent, its hinge shifted, or tag "
                f"{quoted(_names(f, 'or_tags'), ' or ')} slipped; the photos cannot tell which. Look at it, make it "
                "firm and shoot again.")
    return (f"All tags of {body} stand elsewhere against its hinge{_by(f)} at {where}, and stay together: {body} bent, "
            "or its hinge shifted in the frame; the photos cannot tell which. Look at it, make it firm and shoot "
            "again.")


def _names(f: Finding, fact: str) -> tuple[str, ...]:
    names = f.facts[fact]
    return names if isinstance(names, tuple) else (str(names),)


def _tag_size(f: Finding) -> str:
    return ('Tag "{item}" comes out {mm:.1f} mm wide and not {drawn_mm:g} mm as in the rig file: a tag of another '
            "size, or another print. Measure it and correct its size, or print it anew."
            .format_map({**f.facts, "item": f.item}))


def _part_tags_size(f: Finding) -> str:
    return (f"The part tags come out at {f.facts['percent']:.1f} % of the size that the rig file gives them, measured "
            "by the board: board and part tags were printed at different scales, one of them with \"fit to page\". "
            "Print both anew at 100 % and shoot again.")


def _frame_bumped(f: Finding) -> str:
    what = "These positions were set aside" if f.facts["set_aside"] else (
        "Too few positions are left without them, so do not trust these results")
    return (f"The board stands up to {f.facts['mm']:.1f} mm and {f.facts['deg']:.2f} deg elsewhere on the frame at "
            f'{quoted(f.positions)} than at "{f.facts["reference"]}": board or frame was bumped between the photos. '
            f"{what}; fix the board firmly and shoot again.")


def _scale_disagrees(f: Finding) -> str:
    return ("The scale bar reading and the lengths you gave disagree by {percent:+.2f} +/- {u95:.2f} %: by the drawn "
            "pivots, holes and rods the bar would measure {drawn_mm:.1f} mm and not {read_mm:.1f} mm. Measure the bar "
            "again; if it is right, the whole drawing is at another scale than the vehicle.".format_map(f.facts))


def _scale_unknown(_: Finding) -> str:
    return ("The printed scale bar has not been measured: lengths may be off by up to 1 %. Measure it with calipers "
            "and enter scale_bar in the rig file.")


def _photo_poor(f: Finding) -> str:
    return (f"Photo {f.item}: {f.facts['lost']:.0%} of its corners do not fit the rest and were put aside. Blurred, "
            "shaken, or something moved? Take it again.")


def _corners_rough(f: Finding) -> str:
    return (f"The corners scatter {f.facts['factor']:.1f} times more than their sharpness promises; the stated "
            "uncertainties allow for it. Flatter board, sharper photos and firmly glued tags would help.")


def _repeats(f: Finding) -> str:
    what = "The frame between board and parts" if f.item == "board" else f"{f.item}"
    why = "flex, or a board that is not fast" if f.item == "board" else "bearing play or flex"
    return (f"{what} comes back to its place to {f.facts['mm']:.2f} mm and {f.facts['deg']:.3f} deg from position to "
            f"position (standard deviation): {why}. The stated uncertainties allow for it.")


def _joint_loose(f: Finding) -> str:
    return (f"{f.item} comes back to its place only to {f.facts['mm']:.2f} mm and {f.facts['deg']:.3f} deg from "
            "position to position (standard deviation), more than a sound bearing allows: it is loose or worn, its "
            "hinge shifted in the frame, or the part bent between positions; the photos cannot tell which. Look at it, "
            "make it firm and shoot again.")


def _hand_moved(f: Finding) -> str:
    return (f"The camera moved while it read its rows, by about {f.facts['mm']:.2f} mm and {f.facts['deg']:.3f} deg a "
            "photo. It is allowed for; a steadier hand or more light would help.")


def _lens_terms(f: Finding) -> str:
    return (f"This lens needs more than five terms: up to {f.facts['px']:.2f} px are left without. They are estimated "
            "and allowed for.")


def _spread_misfit(f: Finding) -> str:
    return ("The photos fit less well than their sharpness allows, the corners of each tag together: hand movement, "
            "play, paper that is not flat, or lens. The stated uncertainties are widened to match, "
            f"{f.facts['factor']:.1f} times.")


def _board_bowed(f: Finding) -> str:
    return (f"The board is bowed by about {f.facts['mm']:.1f} mm over 100 mm. It is allowed for, but glue it to "
            "something flat.")


def _rod_misfit(f: Finding) -> str:
    return (f'Rod "{f.item}" would have to be {f.facts["mm"]:+.2f} mm longer at {quoted(f.positions)} than at the '
            "other positions: play in a rod end, a clamp that slips, or a part that bends. Check them by hand.")


def _angle_unknown(f: Finding) -> str:
    return (f"The turn of {f.item} at {quoted(f.positions)} is not known: its tag was not seen there. Photograph it "
            "from where the tag faces the camera.")


def _reference_off(f: Finding) -> str:
    return (f'The reference "{f.item}" disagrees with the other references and the drawing by {f.facts["times"]:.1f} '
            "times what its tolerance allows. Check where it sits, or the wheel's bearing and axle; until then nobody "
            "knows which of them is right, so trust neither straight ahead nor level.")


def _references_turn(f: Finding) -> str:
    return (f"The references turn the frame by {f.facts['deg']:+.2f} deg {f.facts['about']} against the drawn pivots, "
            "more than all stated tolerances together explain: a reference is not where the rig file says, or the "
            "frame is bent. Check both before acting on camber, caster or where straight ahead is.")


def _not_converged(f: Finding) -> str:
    return (f"The estimate did not converge in {f.facts['iterations']} steps: none of its figures can be trusted. Look "
            "at the other findings first; then check the rig file against the vehicle, and shoot more photos from "
            "different sides.")


def _lever_crept(f: Finding) -> str:
    return (f"While {quoted(f.positions)} was photographed the {spoken(f.item)} moved by at least {f.facts['deg']:.2f} "
            "deg, and the linkage with it: what is said of that position is a middle of several places. Hold it fast "
            "and photograph that position again.")


def _lever_still(f: Finding) -> str:
    return (f"The {spoken(f.item)} stands in nearly the same place at all positions: within {f.facts['deg']:.1f} deg, "
            f"of a drawn travel of {f.facts['travel']:.0f} deg. Was it moved between them? Spread the positions over "
            "the travel and shoot again.")


def _not_loaded(f: Finding) -> str:
    return f'"{f.item}" does not tell what the rider\'s weight does: {f.facts["why"]}'


def _not_seen(f: Finding) -> str:
    return f"{spoken(f.item)}: {f.facts['why']}. What hangs on it cannot be told yet: see to its tag and photograph it."


def spoken(name: str) -> str:
    """A part's or hole's name from the rig file as said aloud: "left_lever.rod" is "left lever, rod"."""
    return name.replace("_", " ").replace(".", ", ")


_WAY = {"x": ("forward", "back"), "y": ("to the left", "to the right"), "z": ("up", "down")}


def _not_as_drawn(f: Finding) -> str:
    off, what, item = float(f.facts["off"]), f.facts["what"], spoken(f.item)  # type: ignore[arg-type]
    times = f"{f.facts['times']:.1f} times the tolerance of {f.facts['tolerance']:g} {f.facts['unit']}"
    size = f"{abs(off):.2f} +/- {f.facts['u95']:.2f} {f.facts['unit']}"
    if what == "length":
        return f"{item} is {size} {'longer' if off > 0 else 'shorter'} than drawn, {times}."
    way = _WAY[str(f.facts["along"])][off < 0]
    if what == "axis":
        return f"{item}: its hinge points {size} further {way} than drawn, {times}."
    if what == "hole":
        hole = f" (hole {f.facts['hole']})" if "hole" in f.facts else ""
        return f"{item}: the rod end{hole} sits {size} further {way} than drawn, {times}."
    return f"{item}: its pivot sits {size} further {way} than drawn, {times}."


def _tolerances_tight(f: Finding) -> str:
    survey = ""
    if 2 * int(f.facts["outside"]) > int(f.facts["of"]):  # type: ignore[arg-type]
        survey = " Or do without a drawing: rigtrue survey draws the vehicle from the same photos."
    return ("The vehicle differs from the drawing {factor:.1f} times as much as the stated tolerances allow for "
            "({outside} of {of} places, directions and lengths are outside theirs): the tolerances are too tight. What "
            "rests on the drawing (level, straight ahead, parts seen badly) carries an uncertainty larger by that "
            "factor. Correct the drawing, or state tolerances that the vehicle keeps.".format_map(f.facts) + survey)


def _unlike_drawing(f: Finding) -> str:
    return ("{far} of {of} pivots and rod ends come out more than {least_mm:.0f} mm from the drawing, half of these "
            "more than {mm:.0f} mm: nobody builds that far off. A tag sits on another part than the rig file says, "
            "tags are swapped, or the file is another vehicle's. Hold the file against the vehicle, tag by tag, and "
            "correct it; no photo need be taken again for that. Where there is no drawing, rigtrue survey makes one "
            "from the photos.".format_map(f.facts))


def _play(f: Finding) -> str:
    at = ""
    if "deg" in f.facts:
        at = ", {deg:.3f} +/- {u95_deg:.3f} deg at {driven}".format_map(f.facts)
    return (f'{f.item}: {f.facts["mm"]:.2f} +/- {f.facts["u95_mm"]:.2f} mm of play at {quoted(f.positions)}{at}. It '
            f'can be in {"; ".join(_names(f, "joints"))}. Find it by hand before riding: hold one part and rock the '
            "other.")


def _no_play(f: Finding) -> str:
    if f.positions:
        return ('{item}: no play seen above {above_mm:.2f} mm at {where} ({mm:+.2f} +/- {u95_mm:.2f} mm)'
                .format_map({**f.facts, "item": f.item, "where": quoted(f.positions)}))
    return f"No play seen in {f.item} above {f.facts['above_mm']:.2f} mm."


def _hole_mismatch(f: Finding) -> str:
    text = f.item + (": the ball sits where hole {hole} is drawn, {mm:.1f} mm away; the file says {file_hole}, "
                     "{file_mm:.1f} mm away. Everything here is measured and counted with hole {hole}. Look at the "
                     'vehicle: if the rod end is in {hole}, write use = "{hole}" in the rig file').format_map(f.facts)
    if "part" in f.facts:
        text += ("; if it is in {file_hole} after all, then the whole of {part} sits {part_mm:.1f} mm from where it is "
                 "drawn, holes and all, and the drawing is what must be corrected").format_map(f.facts)
    others = f.facts["others"]
    if isinstance(others, tuple) and others:
        text += f". Hole {' and '.join(others)} cannot be ruled out, so that no other hole is proposed there"
    return text + "."


def _hole_uncertain(f: Finding) -> str:
    holes = f.facts["holes"]
    assert isinstance(holes, tuple)
    file = f.facts["file_hole"]
    likely = "" if holes[0] == file else f"most likely it is in {holes[0]}, while the file says {file}. "
    return (f"{f.item}: holes {', '.join(holes[:-1])} and {holes[-1]} cannot be told apart by these photos (the "
            f"nearest two are drawn {f.facts['apart_mm']:.1f} mm apart): {likely}It is taken to be in "
            f"{f.facts['taken']}, and no other hole is proposed there. Look which hole the rod end is in; a tag on its "
            "bolt with its height measured, and a closer tolerance of the drawn holes, would settle it.")


def _offsets_together(f: Finding) -> str:
    mm = float(f.facts["mm"])  # type: ignore[arg-type]
    return (f"All bolt-tag offsets together seem to be {abs(mm):.1f} +/- {f.facts['u95_mm']:.1f} mm too "
            f"{'small' if mm > 0 else 'large'}: rods and drawing fit better so. Measure from a tag's paper to the "
            "middle of the ball again and correct offset in the rig file; the figures rest on it.")


class Entry(NamedTuple):
    """How a code is said, whether a verdict must wait for it, and what it touches (None: its item).

    ``remark``: no doubt about the photos, but a fact about the vehicle that belongs beside the verdict. ``local``:
    what it touches is in doubt at its positions only, and with them the figures that hang on one of these.
    """

    says: Callable[[Finding], str]
    serious: bool = True
    touches: tuple[str, ...] | None = None
    remark: bool = False
    local: bool = False


_ALL = (EVERYTHING,)
# photos that took no part spoil no number; a hole that differs from the file is measured where it is, or its doubt is
# in the intervals
TABLE: dict[Code, Entry] = {
    Code.TWO_CAMERAS: Entry(_two_cameras, touches=()),
    Code.RESIZED: Entry(_resized, touches=()),
    Code.DIGITAL_ZOOM: Entry(_digital_zoom, touches=()),
    Code.NO_BOARD: Entry(_no_board, touches=()),
    Code.FEW_PHOTOS: Entry(_few_photos, touches=_ALL, local=True),
    Code.NO_POSITION: Entry(_no_position, serious=False),
    Code.TAG_MISSING: Entry(_tag_missing, serious=False, touches=()),
    Code.TAG_UNSEEN: Entry(_tag_unseen, serious=False, touches=()),
    Code.WRONG_POSITION: Entry(_wrong_position, touches=_ALL),
    Code.TAG_MISREAD: Entry(_tag_misread, serious=False),
    Code.TAG_UNFIT: Entry(_tag_unfit),
    Code.TAG_SLIPPED: Entry(_tag_slipped),
    Code.TAG_SIZE: Entry(_tag_size),
    Code.PART_TAGS_SIZE: Entry(_part_tags_size, touches=_ALL),
    Code.PART_BENT: Entry(_part_bent),
    Code.FRAME_BUMPED: Entry(_frame_bumped, touches=_ALL),
    Code.SCALE_DISAGREES: Entry(_scale_disagrees, touches=(LENGTHS,)),
    Code.SCALE_UNKNOWN: Entry(_scale_unknown, serious=False, touches=_ALL),
    Code.PHOTO_POOR: Entry(_photo_poor, touches=_ALL, local=True),
    Code.CORNERS_ROUGH: Entry(_corners_rough, serious=False, touches=_ALL),
    Code.REPEATS: Entry(_repeats, serious=False),
    Code.JOINT_LOOSE: Entry(_joint_loose),
    Code.HAND_MOVED: Entry(_hand_moved, serious=False, touches=()),
    Code.LENS_TERMS: Entry(_lens_terms, serious=False, touches=()),
    Code.SPREAD_MISFIT: Entry(_spread_misfit, serious=False, touches=_ALL),
    Code.BOARD_BOWED: Entry(_board_bowed, serious=False, touches=_ALL),
    Code.ROD_MISFIT: Entry(_rod_misfit),
    Code.ANGLE_UNKNOWN: Entry(_angle_unknown, local=True),
    Code.REFERENCE_OFF: Entry(_reference_off, touches=_ALL),
    Code.REFERENCES_TURN: Entry(_references_turn, touches=_ALL),
    Code.LEVER_CREPT: Entry(_lever_crept, touches=_ALL),
    Code.LEVER_STILL: Entry(_lever_still, touches=_ALL),
    Code.NOT_CONVERGED: Entry(_not_converged, touches=_ALL),
    Code.NOT_LOADED: Entry(_not_loaded, serious=False, touches=()),
    Code.NOT_SEEN: Entry(_not_seen),
    Code.NOT_AS_DRAWN: Entry(_not_as_drawn, serious=False, remark=True),
    Code.UNLIKE_DRAWING: Entry(_unlike_drawing, touches=_ALL),
    Code.TOLERANCES_TIGHT: Entry(_tolerances_tight, serious=False, touches=_ALL, remark=True),
    Code.HOLE_MISMATCH: Entry(_hole_mismatch, touches=()),
    Code.HOLE_UNCERTAIN: Entry(_hole_uncertain, touches=()),
    Code.OFFSETS_TOGETHER: Entry(_offsets_together, touches=_ALL),
    Code.PLAY: Entry(_play),
    Code.NO_PLAY: Entry(_no_play, serious=False, touches=()),
}
