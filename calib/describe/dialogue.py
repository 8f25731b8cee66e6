"""The questions in the terminal, one at a time: back, change, stop and go on later."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from calib.describe.kept import answers_path, keep_answers, read_answers
from calib.describe.questions import BY_KEY, LAYOUT, SECTIONS, UNITS, Question, asked, problem, value
from calib.describe.rigtext import length_by_places, rig_of, rig_text
from calib.describe.sketches import SKETCHES
from capture.errors import UserError

WIDE = 78
HELP = ("Enter alone takes what is in brackets. back: the question before; list: all answers; change 7: question 7 "
        "again; stop: go on another day.")
COMMANDS = ("back", "list", "stop", "help")


class Asker(Protocol):
    """Gets one line from the builder. ``wrong`` says why a line is not taken, "" where it is: then it is returned."""

    def __call__(self, prompt: str, wrong: Callable[[str], str], words: tuple[str, ...]) -> str: ...


class Stopped(Exception):
    """The builder goes on another day."""


@dataclass
class Dialogue:
    """One conversation about one rig file; every answer is kept at once."""

    rig: Path
    ask: Asker
    say: Callable[[str], None] = print
    layout: str = ""
    answers: dict[str, str] = field(default_factory=dict)
    shown: tuple[str, str] = ("", "")  # section and sketch that stand on the screen

    @property
    def kept(self) -> Path:
        """Where the answers are."""
        return answers_path(self.rig)

    def run(self) -> str:
        """Ask until all is answered and agreed to; the text of the rig file. Raises Stopped."""
        known, self.answers = read_answers(self.kept)
        if known and self.layout and known != self.layout:
            raise UserError(f"{self.kept}: the answers there are for the layout {known}, not {self.layout}; leave "
                            "--layout out to go on with them, or give another rig file name.", "answers", self.layout)
        self.layout = known or self.layout
        self.say(textwrap.fill(HELP, WIDE))
        if not self.layout:
            self.choose_layout()
        self.forget_wrong()
        done = [q for q in asked(self.layout, self.answers) if q.key in self.answers]
        if done:
            self.say(f"\nGoing on with {self.kept.name}: {len(done)} answers are there.")
        while True:
            self.questions_from(self.first_open())
            if self.first_open() < len(asked(self.layout, self.answers)):
                continue  # a changed answer opened another question
            again = self.agreed()
            if again is None:
                return rig_text(self.layout, self.answers)
            self.change(again)

    def choose_layout(self) -> None:
        self.say("\n" + LAYOUT.ask)
        for name, what in (part.split(": ", 1) for part in LAYOUT.how.split("; ")):
            self.say(f"  {name:8s} {what}")

        def wrong(text: str) -> str:
            return "" if text == "stop" else "choose one" if not text else problem(LAYOUT, text)

        text = self.line("> ", wrong, LAYOUT.choices)
        if text == "stop":
            raise Stopped
        self.layout = str(value(LAYOUT, text))
        self.keep()

    def forget_wrong(self) -> None:
        """Answers that somebody wrote into the file by hand, and that are none, are asked for again."""
        for key, text in list(self.answers.items()):
            if key not in BY_KEY or problem(BY_KEY[key], text, self.answers):
                del self.answers[key]
            else:
                self.answers[key] = _in_full(BY_KEY[key], text)

    def first_open(self) -> int:
        """Place of the first question without an answer; behind the last where there is none."""
        questions = asked(self.layout, self.answers)
        return next((i for i, q in enumerate(questions) if q.key not in self.answers), len(questions))

    def questions_from(self, at: int) -> None:
        """Ask from the question at a place on to the last; what is answered only where the builder went back."""
        went_back = False
        while at < len(asked(self.layout, self.answers)):
            q = asked(self.layout, self.answers)[at]
            said = self.one(q)
            if said == "back":
                at, went_back = max(at - 1, 0), True
            elif said:
                self.change(self.numbered(said))
                at = self.place_of(q)
            else:
                at = self.place_of(q) + 1
                left = asked(self.layout, self.answers)[at:]
                went_back = went_back and bool(left) and left[0].key in self.answers
                if not went_back:
                    at += next((i for i, x in enumerate(left) if x.key not in self.answers), len(left))

    def place_of(self, q: Question) -> int:
        """Where a question stands now; the first open one, where it is not asked any more."""
        keys = [x.key for x in asked(self.layout, self.answers)]
        return keys.index(q.key) if q.key in keys else self.first_open()

    def change(self, q: Question | None) -> None:
        """Ask one question again, or another one that the builder rather wants to change."""
        while q is not None:
            said = self.one(q)
            q = self.numbered(said) if said.startswith("change") else None

    def one(self, q: Question) -> str:
        """Ask one question; an answer is kept. "back", "change 7", or "" after an answer."""
        self.show(q)
        numbers = self.numbers()
        self.say(f"\n[{numbers[q.key]}/{len(numbers)}]")
        self.say(textwrap.fill(q.ask, WIDE, initial_indent="  ", subsequent_indent="     "))
        self.say(textwrap.fill(q.how, WIDE, initial_indent="     ", subsequent_indent="     "))
        now = self.answers.get(q.key) or q.default
        unit = UNITS[q.kind] or "/".join(q.choices)
        leave = "; none: leave it out" if q.optional and now else ""
        prompt = f"{unit} [{now}{leave}]> ".lstrip() if now else f"{unit}> ".lstrip()
        text = self.line(prompt, lambda line: self.wrong(q, line), (*q.choices, *COMMANDS))
        while text in ("list", "help", "?"):
            self.say(self.listed() if text == "list" else textwrap.fill(HELP, WIDE))
            text = self.line(prompt, lambda line: self.wrong(q, line), (*q.choices, *COMMANDS))
        if text == "stop":
            raise Stopped
        if text == "back" or text.startswith("change "):
            return text
        self.answers[q.key] = "" if q.optional and text == "none" else _in_full(q, text or now)
        self.keep()
        self.remark(q)
        return ""

    def wrong(self, q: Question, text: str) -> str:
        """Why a line is neither an answer nor a command."""
        if text in (*COMMANDS, "?"):
            return ""
        if text.startswith("change "):
            return self.wrong_number(text.removeprefix("change"))
        if not text and self.answers.get(q.key) or q.optional and text == "none":
            return ""
        return problem(q, text, self.answers)

    def wrong_number(self, text: str) -> str:
        if not text.strip().isdigit() or not 1 <= int(text) <= len(self.numbers()):
            return f"the number of a question, 1 to {len(self.numbers())}, such as: change 7"
        return "" if self.numbered(text) is not None else f"question {int(text)} is not asked with these answers"

    def numbers(self) -> dict[str, int]:
        """Numbers of the questions, the same as on the worksheet, whether they are asked or not."""
        return {q.key: i for i, q in enumerate(asked(self.layout), 1)}

    def numbered(self, text: str) -> Question | None:
        """The question meant by "change 7" or "7"; None where that one is not asked."""
        number = int(text.removeprefix("change"))
        return next((q for q in asked(self.layout, self.answers) if self.numbers()[q.key] == number), None)

    def show(self, q: Question) -> None:
        """Heading and sketch, where they are not those just shown."""
        section, sketch = self.shown
        if q.section != section:
            self.say(f"\n{q.section}\n{'-' * len(q.section)}")
            self.say(textwrap.fill(SECTIONS[q.section], WIDE))
        if q.sketch and (q.sketch != sketch or q.section != section):
            self.say(SKETCHES[q.sketch].rstrip("\n"))
        self.shown = (q.section, q.sketch)

    def listed(self) -> str:
        """All answers with their numbers."""
        out = []
        for q in asked(self.layout, self.answers):
            i, said = self.numbers()[q.key], self.answers.get(q.key)
            text = f"{said} {UNITS[q.kind] if _plain(said) else ''}".rstrip() if said else "-" if said is None else ""
            out += textwrap.wrap(f"{i:3d}  {text:12s} {q.ask}", WIDE, subsequent_indent=" " * 18)
        return "\n".join(out)

    def remark(self, q: Question) -> None:
        """A rod as measured that differs from its places: one of the two is wrong."""
        key, _, what = q.key.partition(".")
        if what != "length" or not self.answers[q.key]:
            return
        measured, allowed = float(value(q, self.answers[q.key])), float(value(BY_KEY["tolerance"],
                                                                             self.answers.get("tolerance", "")))
        try:
            drawn = length_by_places(self.layout, self.answers, key)
        except UserError:
            return  # said at the end, with all else that does not fit
        if drawn is not None and abs(measured - drawn) > 2 * allowed:
            self.say(textwrap.fill(f"The places of its ends are {drawn:.1f} mm apart, and you measured {measured:.1f} "
                                   "mm: measure both again; back, or change and a number, corrects an answer.", WIDE))

    def agreed(self) -> Question | None:
        """All answers once more; None where they are to be written, else the question to ask again."""
        self.say("\nAll answered:\n" + self.listed())
        mistakes = self.mistakes()
        if mistakes:
            self.say("\nThese answers do not go together:\n" + mistakes)
        words = "A number changes that answer; stop keeps all for another day"
        prompt = (f"{words}> " if mistakes else f"{words}; Enter alone writes the file> ")

        def wrong(text: str) -> str:
            if text in ("stop", "list") or not text and not mistakes:
                return ""
            return self.wrong_number(text.removeprefix("change"))

        text = self.line(prompt, wrong, ("stop",))
        if text == "stop":
            raise Stopped
        if text == "list":
            return self.agreed()
        return self.numbered(text) if text else None

    def mistakes(self) -> str:
        """What does not go together, in the words of the rig file's reader."""
        try:
            rig_of(self.layout, self.answers)
        except UserError as e:
            return str(e)
        return ""

    def line(self, prompt: str, wrong: Callable[[str], str], words: tuple[str, ...]) -> str:
        return _command(self.ask(prompt, lambda text: wrong(_command(text)), words))

    def keep(self) -> None:
        keep_answers(self.kept, self.layout, self.answers)


def _command(text: str) -> str:
    """A line without blanks at its ends; a command however it is capitalised."""
    text = text.strip()
    low = text.lower()
    return low if low in COMMANDS or low.startswith("change ") else text


def _in_full(q: Question, text: str) -> str:
    """An answer as it is kept: a choice that was cut short is written out."""
    return str(value(q, text)) if q.kind in ("choice", "count") or q.key.endswith(".use") else text


def _plain(text: str | None) -> bool:
    return bool(text) and (text or "").replace(".", "", 1).replace("-", "", 1).isdigit()


def terminal() -> Asker:
    """Lines from the terminal, with editing, history and completion."""
    from prompt_toolkit import PromptSession
    from prompt_toolkit.completion import WordCompleter
    from prompt_toolkit.document import Document
    from prompt_toolkit.validation import ValidationError, Validator

    session: PromptSession[str] = PromptSession()

    class Rule(Validator):
        def __init__(self, wrong: Callable[[str], str]) -> None:
            self.wrong = wrong

        def validate(self, document: Document) -> None:
            why = self.wrong(document.text)
            if why:
                raise ValidationError(len(document.text), why)

    def ask(prompt: str, wrong: Callable[[str], str], words: tuple[str, ...]) -> str:
        try:
            return session.prompt(prompt, validator=Rule(wrong), validate_while_typing=False,
                                  completer=WordCompleter(list(words)), complete_while_typing=False)
        except EOFError:  # Ctrl-D
            raise Stopped from None

    return ask
