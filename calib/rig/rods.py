"""Rods of a rig file: length against the drawing, range, thread, overlap."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from calib.rig.errors import Errors, KeyPath
from calib.rig.model import Point, Rod, Thread
from calib.rig.schema import ASSEMBLY_SLACK, ENDS, LEAST_ENGAGEMENT
from calib.rig.units import thread

SCREW_KEYS = ("thread", "per_turn", "ends", "turn_step", "engaged_now", "engaged_most")
CLAMP_KEYS = ("overlap", "overlap_now", "overlap_most", "step")


@dataclass(frozen=True)
class RodReader:
    """One rod's table: ``data`` as in the file, ``t`` its values read (mm); mistakes go to ``errors``.

    With ``as_built`` the length is a measured one: it may lie outside its range and away from the drawing.
    """

    errors: Errors
    path: KeyPath
    data: Mapping[str, Any]
    t: Mapping[str, Any]
    as_built: bool = False

    def rod(self, a: Point | None, b: Point | None) -> Rod | None:
        """The rod between two points, None after a mistake. Without its points, the rest is checked only."""
        t, before = self.t, self.errors.found
        if a is None or b is None:
            self.refuse_foreign_keys()
            if t["adjuster"] == "screw":
                self.thread()
            return None
        if a.body == b.body:
            self.bad("to", t["to"], f'a point on another body; "{a.name}" is on {a.body} too')
            return None
        drawn = math.dist(a.xyz, b.xyz)
        if drawn < 1.0:
            self.errors.add(self.path, f"read a rod of no length, {a.name} and {b.name} lie {drawn:.2f} mm "
                                       "apart; allowed: ends at different places")
            return None
        length = drawn if t["length"] is None else t["length"]
        self.check_assembly(a, b, length, drawn)
        self.refuse_foreign_keys()
        self.check_setting()
        self.check_most()
        shortest, longest = self.range(length)
        step, screw = t["step"], None
        if t["adjuster"] == "screw":
            screw = self.thread()
            step = t["turn_step"] * screw.per_turn
            self.check_engagement(length, longest, screw.diameter)
        elif t["adjuster"] == "clamp":
            self.check_overlap(length, longest)
        if self.errors.found > before:
            return None
        return Rod(
            name=self.path[1], a=a.name, b=b.name, length=length, shortest=shortest, longest=longest,
            adjuster=t["adjuster"], step=step, thread=screw, radius=t["diameter"] / 2,
            tol=t["tolerance"], overlap=t["overlap"], overlap_now=t["overlap_now"],
            engaged_now=t["engaged_now"], setting=t["setting"],
        )

    @property
    def ends(self) -> int:
        """Threaded ends that work as the rod is turned."""
        return ENDS[self.t["ends"]]

    def check_most(self) -> None:
        """What is only there to give the range must have all that it takes, and no range beside it."""
        for adjuster, key, others in (("clamp", "overlap_most", ("overlap", "overlap_now")),
                                      ("screw", "engaged_most", ("engaged_now", "thread"))):
            if self.t[key] is None or self.t["adjuster"] != adjuster:
                continue
            lacking = [k for k in others if self.t[k] is None]
            if lacking:
                self.errors.add((*self.path, lacking[0]), f'read nothing beside "{key}"; allowed: that key too, to '
                                                          "know how far it may be set")
            for other in ("range", "plus_minus"):
                if self.t[other] is not None:
                    self.bad(key, self.data[key], f'nothing here, since "{other}" says it; or leave out "{other}"')

    def check_setting(self) -> None:
        """An error of setting belongs to something that is set."""
        if self.t["setting"] is not None and self.t["adjuster"] == "fixed":
            self.bad("setting", self.data["setting"], 'no such key for adjuster = "fixed"')

    def bad(self, key: str, read: object, allowed: str) -> None:
        self.errors.bad((*self.path, key), read, allowed)

    def check_assembly(self, a: Point, b: Point, length: float, drawn: float) -> None:
        slack = self.t["tolerance"] + ASSEMBLY_SLACK
        if abs(length - drawn) > slack and not self.as_built:
            self.bad("length", self.data["length"],
                     f"within {slack:g} mm of the {drawn:.1f} mm between its ends as drawn; it cannot "
                     f"assemble as drawn: correct the length, or the places of {a.name} and {b.name}")

    def refuse_foreign_keys(self) -> None:
        """A key of another kind of adjuster would be read and do nothing: say so."""
        adjuster = self.t["adjuster"]
        foreign = {"screw": CLAMP_KEYS, "clamp": SCREW_KEYS, "fixed": SCREW_KEYS + CLAMP_KEYS}[adjuster]
        for key in foreign:
            if key in self.data:
                use = ""
                if key == "step" and adjuster == "screw":
                    use = '; a screw is set by "turn_step", in turns'
                self.bad(key, self.data[key], f'no such key for adjuster = "{adjuster}"{use}')

    def range(self, length: float) -> tuple[float, float]:
        """Shortest and longest setting, mm."""
        t = self.t
        if t["adjuster"] == "fixed":
            for key in ("range", "plus_minus"):
                if t[key] is not None:
                    self.bad(key, self.data[key], 'no range for adjuster = "fixed"')
            return length, length
        if t["plus_minus"] is not None and t["range"] is not None:
            self.bad("plus_minus", self.data["plus_minus"], 'nothing here, since "range" says it; or leave out "range"')
            return length, length
        if t["range"] is None:
            found = self.range_around(length)
            if found is None:
                self.errors.add((*self.path, "range"),
                                "read nothing, the key is missing; allowed: the shortest and longest you may set "
                                'in mm, with enough thread or overlap left; or "plus_minus" from now')
            return found or (length, length)
        shortest, longest = t["range"]
        if not shortest - 1e-9 <= length <= longest + 1e-9 and not self.as_built:
            how = "its length"
            if t["length"] is None:
                how = f'its length as drawn from {t["from"]} to {t["to"]}'
            places = "" if t["length"] is not None else "; check those two places, then the range"
            self.bad("range", self.data["range"], f"a range that holds {how}, {length:.2f} mm{places}")
        return shortest, longest

    def range_around(self, length: float) -> tuple[float, float] | None:
        """Shortest and longest setting from what may be turned or pushed from now on; None where that is not given."""
        t = self.t
        if t["plus_minus"] is not None:
            if t["plus_minus"] >= length:
                self.bad("plus_minus", self.data["plus_minus"], f"less than the rod's length, {length:.2f} mm")
            return length - t["plus_minus"], length + t["plus_minus"]
        if t["adjuster"] == "clamp":
            now, least, most, per, key = t["overlap_now"], t["overlap"], t["overlap_most"], 1, "overlap_now"
        else:
            now, most, per, key = t["engaged_now"], t["engaged_most"], self.ends, "engaged_now"
            diameter = self.thread().diameter if t["thread"] is not None else None
            least = None if diameter is None else LEAST_ENGAGEMENT * diameter
        if now is None or least is None or most is None:
            return None
        if not least <= now <= most:
            self.bad(key, self.data[key], f"between the least, {least:g} mm, and the most, {most:g} mm")
            return length, length
        return length - per * (most - now), length + per * (now - least)

    def thread(self) -> Thread:
        """What the rod is set by; a pitch of 1.0 after a mistake, never used."""
        t, allowed = self.t, 'a thread such as "M8" (coarse), "M8x1" (fine) or "1/4-28" (inch)'
        if (t["thread"] is None) == (t["per_turn"] is None):
            both = "neither" if t["thread"] is None else "both"
            self.errors.add((*self.path, "thread"),
                            f'read {both} of "thread" and "per_turn"; allowed: {allowed}, or "per_turn"')
            return Thread()
        if t["thread"] is None:
            return Thread(t["per_turn"] / self.ends, self.ends)
        try:
            diameter, pitch = thread(t["thread"])
        except ValueError as exc:
            self.bad("thread", t["thread"], f"{allowed} ({exc})")
            return Thread()
        return Thread(pitch, self.ends, t["thread"], diameter)

    def check_engagement(self, length: float, longest: float, diameter: float | None) -> None:
        """The range must end while 1.5 diameters of thread are engaged at each end."""
        engaged = self.t["engaged_now"]
        if engaged is None or self.as_built:
            return
        if diameter is None:
            self.bad("engaged_now", self.data["engaged_now"], 'only with "thread", to know its diameter')
            return
        least = LEAST_ENGAGEMENT * diameter
        furthest = length + (engaged - least) * self.ends
        if longest > furthest + 1e-9:
            self.bad("range", self.data.get("range"),
                     f"at most {furthest:.1f} mm, where {least:g} mm of thread (1.5 diameters) is still engaged")

    def check_overlap(self, length: float, longest: float) -> None:
        """The range must end while the tubes still overlap enough."""
        least, now = self.t["overlap"], self.t["overlap_now"]
        if now is not None and least is None:
            self.bad("overlap", None, 'the least overlap in mm, beside "overlap_now"')
        if least is None or now is None or self.as_built:
            return
        furthest = length + now - least
        if longest > furthest + 1e-9:
            self.bad("range", self.data.get("range"),
                     f"at most {furthest:.1f} mm, where the tubes still overlap by {least:g} mm")
