"""What the page shows, as plain data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calib.phone.sketch import sketch
from calib.shooting.desk import Answer, Shoot
from calib.shooting.known import Known, summed_up

if TYPE_CHECKING:
    from calib.phone.bench import Bench
    from calib.shooting.session import Standing


def state_data(bench: Bench, at: str, phones: int) -> dict[str, Any]:
    """All of it; ``at``: the position shown, the first that is not done where it is none."""
    shoot = bench.shoot
    standings = {s.ask.position: s for s in shoot.session.standings()}
    if at not in standings:
        at = next((p for p, s in standings.items() if not s.done), list(standings)[-1])
    later = [p for p, s in standings.items() if not s.done and p != at]
    after = list(standings).index(at)
    following = next((p for p in later if list(standings).index(p) > after), later[0] if later else "")
    return {
        "vehicle": shoot.rig.name, "at": _position(shoot, standings[at]), "next": following,
        "positions": [{"name": p, "good": s.good, "want": s.ask.photos, "done": s.done} for p, s in standings.items()],
        "last": _last(shoot), "known": _known(bench.known, bench.working_out, not later and standings[at].done),
        "phones": phones, "reading": len(shoot.waiting),
    }


def answer_data(answer: Answer) -> dict[str, Any]:
    """The verdict on one photo."""
    return {"name": answer.name, "word": answer.verdict.word, "lines": list(answer.verdict.lines),
            "counts": answer.verdict.counts, "again": answer.again}


def _position(shoot: Shoot, s: Standing) -> dict[str, Any]:
    tags = shoot.rig.tags
    return {"name": s.ask.position, "do": s.ask.do, "todo": s.todo, "good": s.good, "want": s.ask.photos,
            "views": [{"words": v.words, "done": there} for v, there in zip(s.ask.views, s.views, strict=True)],
            "few": [{"code": tags[t].code, "name": t.replace("_", " ").replace(".", " "), "seen": n}
                    for t, n in s.few.items()],
            "sketch": sketch(shoot.rig, s, shoot.session.views(s.ask.position))}


def _last(shoot: Shoot) -> dict[str, Any] | None:
    if not shoot.session.photos:
        return None
    photo = shoot.session.photos[-1]
    said = shoot.session.verdict(photo)
    return {"name": photo.name, "at": photo.position, "word": said.word, "lines": list(said.lines)}


def _known(k: Known | None, working: bool, all_taken: bool) -> dict[str, Any]:
    """``say`` is what it comes to, in a few words."""
    figures = [] if k is None else [{"label": f.label, "value": f.text, "outcome": f.outcome, "settled": f.settled,
                                     "wanted": f.wanted} for f in k.figures]
    out: dict[str, Any] = {"working": working, "photos": 0 if k is None else k.photos, "figures": figures,
                           "noticed": [] if k is None else list(k.noticed), "enough": bool(k and k.enough)}
    say, why = summed_up(k, all_taken)
    return out | {"say": say, "why": why}
