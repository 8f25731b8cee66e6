"""A rig described by answering questions: in the terminal, through its prompt library, and on paper."""

from __future__ import annotations

import math
import os
import re
import select
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput
from pypdf import PdfReader

from calib.cli import main
from calib.describe.dialogue import Dialogue, Stopped, terminal
from calib.describe.kept import answers_path, keep_answers, read_answers
from calib.describe.questions import BY_KEY, QUESTIONS, SECTIONS, UNITS, asked, problem, value
from calib.describe.rigtext import length_by_places, rig_of, rig_text
from calib.describe.sketches import SKETCHES
from calib.describe.worksheet import write_worksheet
from calib.linkage.designcheck import design_rows
from calib.rig.reader import load_rig
from calib.rig.starter import LAYOUTS
from capture.errors import UserError

# An invented vehicle, as a builder would read it off tape and inclinometer; only what differs between layouts differs.
COMMON = {
    "name": "Dabchick", "tolerance": "3", "wheelbase": "1.21 m", "track": "744", "radius": "235",
    "kingpin.behind": "0", "kingpin.out": "320", "kingpin.up": "235", "caster": "11", "inclination": "12 over 75",
    "rod.kind": "clamp", "rod.range": "25", "rod.length": "", "offset": "5/8 in", "toe": "", "ratio": "0.76",
    "ratio.off": "0.06",
}
LEVER = {"lever.behind": "390", "lever.out": "150", "lever.up": "170", "lever.push": "28", "lever.pull": "30",
         "right.stops": "no", "holes.way": "above", "holes.lean": "0", "holes.count": "4", "holes.first": "62",
         "holes.spacing": "10", "holes.use": "b", "holes.out": "165"}
CRANK = {"crank.behind": "-10", "crank.up": "190", "in.angle": "", "in.count": "3", "in.first": "64",
         "in.spacing": "10", "in.use": "B", "in.up": "195", "out.behind": "66", "out.out": "29", "out.up": "165"}
TIE = {"tie_rod.kind": "screw", "tie_rod.thread": "M8", "tie_rod.ends": "both", "tie_rod.range": "18",
       "tie_rod.length": ""}
ARM = {"arm.behind": "84", "arm.out": "326", "arm.up": "182"}
ANSWERS: dict[str, dict[str, str]] = {
    "crank": {**COMMON, **LEVER, **CRANK, **TIE, **ARM},
    "leaning": {**COMMON, **LEVER, **CRANK, **TIE, **ARM, "lean.up": "130", "lean.fall": "6", "lean.stop": "12",
                "lean.lock": "yes"},
    "direct": {**COMMON, **LEVER, **TIE, "lever.behind": "350", "lever.out": "240", "lever.up": "180",
               "holes.way": "below", "holes.lean": "4", "holes.count": "1", "holes.first": "53", "holes.out": "240",
               "right.stops": "yes", "right.push": "33", "right.pull": "36", "drag.behind": "-10", "drag.out": "262",
               "drag.up": "190", "tie.behind": "95", "tie.out": "297", "tie.up": "215"},
    "bar": {**COMMON, **ARM, "bar.behind": "20", "bar.up": "195", "bar.left": "30", "bar.right": "27",
            "bar.angle": "160", "arm_holes.count": "3", "arm_holes.first": "57", "arm_holes.spacing": "9",
            "arm_holes.use": "B", "arm_holes.up": "185", "ratio": "", "rod.kind": "fixed"},
}


def whole(layout: str) -> dict[str, str]:
    """All answers a layout asks for, defaults written out, as the dialogue keeps them."""
    said = {q.key: ANSWERS[layout][q.key] or q.default for q in asked(layout, ANSWERS[layout])}
    return said | ({"holes.use": "B"} if "holes.use" in said else {})


def talk(tmp_path: Path, lines: list[str], layout: str = "", rig: str = "rig.toml") -> tuple[str, list[str], list[str]]:
    """What a conversation gives where a builder types ``lines``; what was said; why lines were not taken."""
    said, refused, left = list[str](), list[str](), list(lines)

    def ask(prompt: str, wrong: Callable[[str], str], words: tuple[str, ...]) -> str:
        said.append(prompt)
        while True:
            if not left:
                raise Stopped
            text = left.pop(0)
            why = wrong(text)
            if not why:
                return text
            refused.append(why)

    text = Dialogue(tmp_path / rig, ask, said.append, layout).run()
    assert not left
    return text, said, refused


def typed(layout: str) -> list[str]:
    """The answers of a layout, line by line, as typed."""
    return [ANSWERS[layout][q.key] for q in asked(layout, ANSWERS[layout])]


# --- what answers mean ---------------------------------------------------------------------------------------------


def test_answers_give_the_rig_that_they_mean_number_by_number() -> None:
    """Worked out by hand from the answers: behind is -x, out is y, up is z; the right side is the mirror image."""
    rig = rig_of("crank", whole("crank"))
    assert (rig.name, rig.wheelbase, rig.driver) == ("Dabchick", 1210.0, "left_lever")
    near = pytest.approx
    for s, y in (("left", 1.0), ("right", -1.0)):
        lever, pin = rig.bodies[f"{s}_lever"], rig.bodies[f"{s}_upright"]
        assert lever.pivot == near((-390, 150 * y, 170)) and lever.axis == near((0, 1, 0)) and lever.pivot_tol == 3
        assert pin.pivot == near((0, 320 * y, 235)) and (pin.side, lever.side) == (s, s)
        x, yy, z = pin.axis
        assert math.degrees(math.atan2(-x, z)) == near(11, abs=1e-5)
        assert -yy * y / z == near(12 / 75, abs=1e-7)  # leans in by 12 over a height of 75
        assert rig.wheels[s].centre == near((0, 372 * y, 235)) and rig.wheels[s].radius == 235
        assert rig.bodies[f"{s}_wheel"].parent == f"{s}_upright" and rig.wheels[s].spin_body == f"{s}_wheel"
        rod = rig.points[f"{s}_lever.rod"]
        assert {h: v for h, v in rod.holes.items()} == {
            h: near((-390, 165 * y, 170 + 62 + 10 * k)) for k, h in enumerate("ABCD")}
        assert rod.use == "B" and rod.bolt == (0, y, 0) and rod.tol == 3
        crank = rig.points[f"crank.{s}_in"]
        assert crank.holes == {h: near((10, (64 + 10 * k) * y, 195), abs=1e-9) for k, h in enumerate("ABC")}
        assert crank.use == "B" and crank.body == "crank"
        assert rig.points[f"crank.{s}_out"].xyz == near((-66, 29 * y, 165))
        assert rig.points[f"{s}_upright.arm"].xyz == near((-84, 326 * y, 182))
        r, t = rig.rods[f"{s}_rod"], rig.rods[f"{s}_tie"]
        assert (r.a, r.b, r.adjuster) == (f"{s}_lever.rod", f"crank.{s}_in", "clamp")
        assert r.length == near(math.dist((-390, 165, 242), (10, 74, 195)))
        assert (r.length - r.shortest, r.longest - r.length, r.tol) == (near(25), near(25), 6)
        assert t.thread is not None and (t.thread.name, t.per_turn) == ("M8", 2.5)
        assert t.longest - t.length == near(18) and (t.a, t.b) == (f"crank.{s}_out", f"{s}_upright.arm")
    assert np.degrees(rig.bodies["left_lever"].travel) == near((-30, 28))
    assert rig.bodies["right_lever"].travel is None  # meets no stops of its own
    assert rig.bodies["crank"].pivot == near((10, 0, 190)) and rig.bodies["crank"].axis == (0, 0, 1)
    assert rig.targets["toe"].tolerance == near(math.radians(0.5)) and rig.targets["ratio"].value == 0.76
    assert rig.targets["ratio"].tolerance == 0.06
    assert all(t.offset == near(15.875) for t in rig.tags.values() if t.centres_on)
    assert {t.size for t in rig.tags.values() if t.centres_on} == {44.0} and len(rig.tags) == 15


def test_what_the_other_layouts_ask_means() -> None:
    near = pytest.approx
    direct = rig_of("direct", whole("direct"))
    lean = math.radians(4)
    assert direct.points["left_lever.rod"].xyz == near((-350 + 53 * math.sin(lean), 240, 180 - 53 * math.cos(lean)))
    assert direct.points["right_lever.rod"].xyz == near((-350 + 53 * math.sin(lean), -240, 180 - 53 * math.cos(lean)))
    assert np.degrees(direct.bodies["right_lever"].travel) == near((-36, 33))
    assert direct.rods["tie"].length == near(2 * 297)
    assert direct.points["right_upright.drag"].xyz == near((10, -262, 190))
    bar = rig_of("bar", whole("bar"))
    assert bar.driver == "bar" and np.degrees(bar.bodies["bar"].travel) == near((-27, 30))
    a = math.radians(160)
    assert bar.points["bar.left"].xyz == near((-20 + 66 * math.cos(a), 66 * math.sin(a), 185))
    assert bar.points["bar.right"].xyz == near((-20 + 66 * math.cos(a), -66 * math.sin(a), 185))
    assert bar.rods["left_rod"].adjuster == "fixed" and "ratio" not in bar.targets
    leaning = rig_of("leaning", whole("leaning"))
    axle = leaning.bodies["axle"]
    assert axle.pivot == (0, 0, 130) and math.degrees(math.atan2(-axle.axis[2], axle.axis[0])) == near(6, abs=1e-4)
    assert axle.locked and np.degrees(axle.travel) == near((-12, 12)) and leaning.lean_positions
    assert {b.parent for n, b in leaning.bodies.items() if n in ("crank", "left_upright", "right_upright")} == {"axle"}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_answer_changes_the_rig(layout: str) -> None:
    """A question whose answer did nothing would be asked in vain."""
    answers = {**whole(layout), "rod.kind": "screw", "rod.thread": "M8", "rod.ends": "both", "rod.range": "14"}
    if layout != "bar":
        answers |= {"right.stops": "yes", "right.push": "33", "right.pull": "36", "holes.count": "4",
                    "holes.first": "60", "holes.spacing": "9", "holes.use": "A"}
    base = rig_of(layout, answers)
    other = {"choice": {"screw": "fixed", "yes": "no", "no": "yes", "above": "below", "below": "above",
                        "both": "one"}, "thread": {"M8": "M6"}}
    for q in asked(layout, answers):
        old = answers[q.key]
        if q.kind in other:
            new = other[q.kind][old]
        elif q.key.endswith(".use"):
            new = "B" if old == "A" else "A"
        elif q.kind == "word":
            new = "Plover"
        elif q.key.endswith(".length"):
            new = str(float(length_by_places(layout, answers, q.key.split(".")[0]) or 0.0) + 1)
        else:
            new = str(int(old) + 1) if q.kind == "count" else str(float(value(q, old or "1")) + 1.5)
        assert rig_of(layout, {**answers, q.key: new}) != base, q.key


# --- the table of questions ----------------------------------------------------------------------------------------


def test_the_table_is_whole() -> None:
    assert len(BY_KEY) == len(QUESTIONS) and {q.section for q in QUESTIONS} == set(SECTIONS)
    assert {q.sketch for q in QUESTIONS} == set(SKETCHES)
    for q in QUESTIONS:
        assert q.ask.isascii() and q.how.isascii() and q.kind in UNITS
        letter = re.match(r"([a-p])  ", q.ask)
        if letter:  # the letter of the dimension stands in its sketch
            assert re.search(rf"(?<![a-z]){letter[1]}(?![a-z])", SKETCHES[q.sketch]), q.key
        if q.default:
            assert problem(q, q.default) == ""
    for layout in LAYOUTS:
        assert set(ANSWERS[layout]) - {"rod.thread", "rod.ends"} >= {q.key for q in asked(layout, ANSWERS[layout])}
    for name, sketch in SKETCHES.items():
        assert sketch.isascii() and max(map(len, sketch.splitlines()), default=0) <= 79, name


@pytest.mark.parametrize(("key", "text", "says"), [
    ("wheelbase", "", "an answer is needed"), ("wheelbase", "about 1200", "a length in mm"),
    ("wheelbase", "1,2 m", "decimal point"), ("wheelbase", "1.2", "1.2 mm is not between 200 and 6000 mm"),
    ("wheelbase", "nan", "a length"), ("wheelbase", "inf", "a length"), ("caster", "12 mm", "an angle"),
    ("caster", "70", "not between"), ("caster", "12 over 0", "a height above 0"), ("caster", "x over 3", "a length"),
    ("holes.count", "three", "a whole number"), ("holes.count", "0", "not between"), ("holes.use", "E", "A to D"),
    ("holes.use", "AB", "A to D"), ("rod.thread", "M9", "M8x1"), ("rod.kind", "c", ""), ("rod.kind", "s", ""),
    ("rod.kind", "screwd", 'did you mean "screw"?'), ("ratio", "0,76", "decimal point"), ("ratio", "", ""),
    ("rod.length", "", ""), ("track", "29 1/4 in", ""), ("caster", "0.2 rad", ""), ("name", "a\tb", "plain words"),
])
def test_nonsense_is_not_taken(key: str, text: str, says: str) -> None:
    why = problem(BY_KEY[key], text, {"holes.count": "4"})
    assert says in why and bool(why) == bool(says)


# --- the conversation ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_whole_conversation_writes_the_rig_of_its_answers(layout: str, tmp_path: Path) -> None:
    text, said, refused = talk(tmp_path, [layout, *typed(layout), ""])
    assert not refused and text == rig_text(layout, whole(layout))
    (tmp_path / "rig.toml").write_text(text)
    rig = load_rig(tmp_path / "rig.toml")
    rows, _ = design_rows(rig)
    assert dict((r[0], r[1]) for r in rows)["toe"] == "0.00 deg"
    assert read_answers(answers_path(tmp_path / "rig.toml")) == (layout, whole(layout))
    shown = "\n".join(said)
    assert all(SKETCHES[q.sketch].rstrip("\n") in shown for q in asked(layout, ANSWERS[layout]))
    numbers = [int(x) for x in re.findall(r"\[(\d+)/\d+\]", shown)]
    assert numbers == sorted(set(numbers)) and len(numbers) == len(asked(layout, ANSWERS[layout]))


def test_back_change_list_and_nonsense(tmp_path: Path) -> None:
    lines = typed("bar")
    lines[3:3] = ["nonsense", "BACK", "1.3 m", "change 99", "change 1", "Coot", "list", "?"]
    # at the end: the number of another answer, which opens a question, and then it is written
    number = [q.key for q in asked("bar")].index("rod.kind") + 1
    text, said, refused = talk(tmp_path, ["bar", *lines, "x", f"{number}", "screw", "M6", "one", "11", ""])
    data = tomllib.loads(text)
    assert data["vehicle"]["wheelbase"] == 1300 and data["vehicle"]["name"] == "Coot"
    assert data["rods"]["left_rod"]["thread"] == "M6" and data["rods"]["left_rod"]["plus_minus"] == 11
    assert data["wheels"]["left"]["centre"][1] == 372  # the answer after all that went to its own question
    assert len(refused) == 3 and "a length" in refused[0] and "change 7" in refused[1] and "change 7" in refused[2]
    assert any("1.3 m" in x and "Dabchick" not in x and "Coot" in x for x in said)


def test_stop_and_go_on(tmp_path: Path) -> None:
    lines = typed("direct")
    with pytest.raises(Stopped):
        talk(tmp_path, ["direct", *lines[:7], "stop"])
    layout, kept = read_answers(answers_path(tmp_path / "rig.toml"))
    assert layout == "direct" and list(kept) == [q.key for q in asked("direct")][:7]
    with pytest.raises(Stopped):  # Enter at "change" keeps what is there
        talk(tmp_path, ["change 3", "", *lines[7:20], "stop"])
    text, said, refused = talk(tmp_path, [*lines[20:], ""])
    assert text == rig_text("direct", whole("direct")) and not refused
    assert any("20 answers are there" in x for x in said)


def test_answers_spoilt_by_hand_are_asked_again(tmp_path: Path) -> None:
    kept = answers_path(tmp_path / "rig.toml")
    keep_answers(kept, "bar", {**whole("bar"), "wheelbase": "long", "unheard of": "3", "rod.kind": "fix"})
    text, said, refused = talk(tmp_path, ["1210", ""])
    assert text == rig_text("bar", whole("bar"))
    kept.write_text("[answers\n")
    with pytest.raises(UserError, match="no answers to go on with"):
        talk(tmp_path, [""])
    kept.write_text('[vehicle]\nname = "x"\n')
    with pytest.raises(UserError, match="something else"):
        talk(tmp_path, [""])
    keep_answers(kept, "bar", {})
    with pytest.raises(UserError, match="for the layout bar, not crank"):
        talk(tmp_path, [""], "crank")
    with pytest.raises(UserError, match="cannot be kept"):
        keep_answers(tmp_path / "nowhere" / "x.answers.toml", "bar", {})


def test_a_rod_that_does_not_fit_its_places_is_said(tmp_path: Path) -> None:
    lines = typed("direct")
    at = [q.key for q in asked("direct", ANSWERS["direct"])].index("tie_rod.length")
    lines[at] = "610"  # 594 by the places
    text, said, _ = talk(tmp_path, ["direct", *lines, ""])
    assert any("594.0 mm apart, and you measured 610.0" in x for x in said)
    assert tomllib.loads(text)["rods"]["tie"]["length"] == 610
    lines[at] = "700"  # cannot be put together: not written before it is corrected
    number = [q.key for q in asked("direct")].index("tie_rod.length") + 1
    text, said, refused = talk(tmp_path, ["direct", *lines, "", str(number), "none", ""], rig="other.toml")
    assert any("do not go together" in x and "rods.tie.length" in x for x in said) and len(refused) == 1
    assert "length" not in tomllib.loads(text)["rods"]["tie"]


# --- through the prompt library ------------------------------------------------------------------------------------


@pytest.fixture
def keys() -> Iterator[Callable[[str], None]]:
    """What is typed on a pretended keyboard."""
    with create_pipe_input() as pipe, create_app_session(input=pipe, output=DummyOutput()):
        yield pipe.send_text


def test_prompt_library_takes_the_answers(tmp_path: Path, keys: Callable[[str], None]) -> None:
    """Typed on a keyboard: a line that is not taken is corrected with the keys that the library has for that."""
    lines = typed("bar")
    clear = "\x15"  # Ctrl-U
    keys(f"bar\r{lines[0]}\rrubbish\r{clear}{lines[1]}\r" + "".join(x + "\r" for x in lines[2:]) + "\r")
    text = Dialogue(tmp_path / "rig.toml", terminal(), lambda _: None).run()
    assert text == rig_text("bar", whole("bar"))


def test_ctrl_d_stops_and_ctrl_c_interrupts(tmp_path: Path, keys: Callable[[str], None]) -> None:
    rig = tmp_path / "rig.toml"
    keys("crank\rWidgeon\r\x04")
    with pytest.raises(Stopped):
        Dialogue(rig, terminal(), lambda _: None).run()
    assert read_answers(answers_path(rig)) == ("crank", {"name": "Widgeon"})
    keys("2\r\x03")
    with pytest.raises(KeyboardInterrupt):
        Dialogue(rig, terminal(), lambda _: None).run()
    assert read_answers(answers_path(rig)) == ("crank", {"name": "Widgeon", "tolerance": "2"})


# --- the command ---------------------------------------------------------------------------------------------------


def test_without_a_terminal_it_says_what_else_there_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                       capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    for words in (["new"], ["new", "--ask"], ["new", "a.toml", "--ask", "--layout", "bar"]):
        assert main(words) == 2
        said = capsys.readouterr().err
        assert "in a terminal, and this is none" in said and "--layout" in said and "--worksheet" in said
    assert list(tmp_path.iterdir()) == []


def _typed_into(lines: list[str], folder: Path, end: bytes = b"") -> tuple[int, str]:
    """Exit code and screen of `rigtrue new` in a real terminal where ``lines`` are typed, each when it is asked for."""
    pid, screen = pytest.importorskip("pty").fork()
    if pid == 0:  # the child: a terminal of its own
        os.chdir(folder)
        os.environ |= {"TERM": "xterm", "PYTHONPATH": str(Path(__file__).parents[1])}
        os.execv(sys.executable, [sys.executable, "-m", "calib.cli", "new"])
    out, began, left = b"", time.monotonic(), [x.encode() + b"\r" for x in lines] + ([end] if end else [])
    asked_at = 0
    while time.monotonic() - began < 60:
        ready, _, _ = select.select([screen], [], [], 0.2)
        if ready:
            try:
                more = os.read(screen, 65536)
            except OSError:
                break
            if not more:
                break
            out += more
            if b"\x1b[6n" in more:  # the library asks where the cursor is, as terminals answer
                os.write(screen, b"\x1b[1;1R")
        if left and b"\x1b[?2004h" in out[asked_at:]:  # it waits for a line
            asked_at = len(out)
            os.write(screen, left.pop(0))
    else:
        os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status), out.decode(errors="replace")


@pytest.mark.slow
def test_in_a_real_terminal(tmp_path: Path) -> None:
    code, screen = _typed_into(["bar", *typed("bar"), ""], tmp_path)
    assert code == 0 and "the rig file reads well" in screen, screen[-2000:]
    assert load_rig(tmp_path / "rig.toml") == rig_of("bar", whole("bar"))
    assert {p.name for p in tmp_path.iterdir()} == {"rig.toml", "rig.answers.toml", "rig_check.svg"}


def test_ctrl_c_in_a_real_terminal_keeps_the_answers(tmp_path: Path) -> None:
    code, screen = _typed_into(["bar", "Teal"], tmp_path, end=b"\x03")
    assert code == 130 and "goes on with them" in screen and "Traceback" not in screen
    assert read_answers(tmp_path / "rig.answers.toml") == ("bar", {"name": "Teal"})
    assert not (tmp_path / "rig.toml").exists()


def test_the_prompt_library_is_loaded_for_questions_only() -> None:
    code = ("import sys; from calib.cli import main; main(['new', '--help']); import calib.rig.reader; "
            "print([m for m in sys.modules if m.startswith('prompt_toolkit')])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith("[]")


# --- on paper ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("layout", "paper"), [("crank", "A4"), ("leaning", "Letter")])
def test_worksheet_asks_the_same(layout: str, paper: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every question with its number, how to measure it and its unit, inside the page, in order."""
    path = tmp_path / "sheet.pdf"
    assert main(["new", "--worksheet", str(path), "--layout", layout, "--paper", paper]) == 0
    pages = PdfReader(path).pages
    wide, high = {"A4": (210, 297), "Letter": (215.9, 279.4)}[paper]
    for page, printed in zip(pages, pypdfium2.PdfDocument(path), strict=True):
        assert [float(x) / 72 * 25.4 for x in page.mediabox[2:]] == pytest.approx([wide, high], abs=0.5)
        ink = np.asarray(printed.render(scale=25.4 / 72 * 2).to_pil().convert("L")) < 200  # two dots a mm
        inside = ink[2 * 7:-2 * 5, 2 * 15:-2 * 15]
        assert ink.sum() == inside.sum() > 500  # nothing in the margins, where it would be cut off
    text = " ".join(" ".join(p.extract_text().split()) for p in pages)

    def squeezed(words: str) -> str:
        return re.sub(r"\W+", "", words)

    at = 0
    for number, q in enumerate(asked(layout), 1):
        found = squeezed(text).find(squeezed(f"{number} {q.ask}"), at)
        assert found >= 0, (number, q.ask)
        at = found
        assert squeezed(q.how) in squeezed(text)
    assert "A steering failure injures" in text and f"page {len(pages)} of {len(pages)}" in text
    assert main(["new", "--worksheet", str(path), "--layout", layout]) == 2
    assert "not overwritten" in capsys.readouterr().err


def test_worksheet_needs_a_layout_and_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", "--worksheet", str(tmp_path / "a.pdf")]) == 2
    assert all(x in capsys.readouterr().err for x in ("--layout",)) and not list(tmp_path.iterdir())
    assert main(["new", "--worksheet", str(tmp_path / "no" / "a.pdf"), "--layout", "bar"]) == 2
    assert "cannot be written" in capsys.readouterr().err
    with pytest.raises(UserError, match="not overwritten"):
        (tmp_path / "b.pdf").write_text("mine")
        write_worksheet(tmp_path / "b.pdf", "bar")


