"""What was done, entered adjustment by adjustment: what is asked next, and what an answer means.

The advised adjustments come first, each as an unsigned number in the advised sense; then whatever
else was done. A number with a sign, or the opposite word, is said back in words and counts only
after a yes. No terminal in here: commands/log_done.py prints the questions and passes answers on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from trackbal.base.errors import InputError
from trackbal.logbook.deeds import number
from trackbal.logbook.entries import check_range
from trackbal.logbook.records import Items, JobRecord, RunRecord
from trackbal.runs.rotor import Adjuster
from trackbal.runs.words import adjustment_words, done_words, many, past_words

HELP = (
    'Enter: done as advised. 0: not done. A number: so much was done, in the advised sense. "lengthened 2": the other '
    "way. back: one step back. none: take this answer back. stop: break off; the same command takes it up again."
)
_YES, _NO = ("yes", "y"), ("no", "n", "")

Place = tuple[str, str]  # blade, adjuster


@dataclass(frozen=True)
class Reply:
    """What an answer came to: items to be kept ("" takes one back), something to show, and whether to go on."""

    items: Items = field(default_factory=dict)
    message: str = ""
    stop: bool = False
    finished: bool = False


class DoneAsking:
    """The questions after a run, and where among them the person is."""

    def __init__(self, record: JobRecord, run: RunRecord) -> None:
        """Go on after the answers that the record has kept; what is recorded as done already is not asked for."""
        self.record, self.rotor = record, record.rotor
        advice = record.latest_advice(run)
        self.recorded = record.done.get(run.entry, {})
        self.advised: Items = {
            place: text
            for place, text in record.in_order(advice.items if advice else {}).items()
            if place not in self.recorded
        }
        self.answers: Items = dict(record.answers.get(run.entry, {}))
        self._settings = {place: Decimal(text) for place, text in record.settings_text().items()}
        self._places = list(self.advised)
        open_places = [i for i, place in enumerate(self._places) if place not in self.answers]
        self.at = open_places[0] if open_places else len(self._places)
        self._waiting: tuple[Place, Decimal] | None = None  # said back in words, not yet confirmed

    @property
    def current(self) -> Place | None:
        """The advised adjustment asked for now; None: what else was done."""
        return self._places[self.at] if self.at < len(self._places) else None

    @property
    def others(self) -> Items:
        """Answers beside the advised adjustments."""
        return self.record.in_order({p: text for p, text in self.answers.items() if p not in self.advised})

    @property
    def items(self) -> Items:
        """Return what was done, by the answers given."""
        return {place: text for place, text in self.answers.items() if Decimal(text) != 0}

    def question(self) -> str:
        """Return what is asked, in words to stand above the prompt; nothing while a yes is awaited."""
        place = self.current
        if place is None or self._waiting is not None:
            return ""
        words = self._words(place, Decimal(self.advised[place]))
        return f"{self.at + 1} of {len(self._places)}. Advised: {words}"

    def prompt(self) -> str:
        """Return the question itself."""
        if self._waiting is not None:
            return "  yes or no"
        place = self.current
        if place is None:
            blade, adjuster = self.rotor.blades[-1], self.rotor.adjusters[0]
            example = f"{blade} {adjuster.name} {adjuster.positive} {adjuster.step:g}"
            return f'Anything else done? As "{example}"; back; Enter to record'
        adjuster, advised = self._adjuster(place), Decimal(self.advised[place])
        verb = past_words(adjuster.positive if advised > 0 else adjuster.negative)
        text = self.answers.get(place)
        now = (
            "" if text is None else f"; answered: {done_words(adjuster, float(text)) if Decimal(text) else 'not done'}"
        )
        return f"  How many {many(adjuster.unit)} {verb}? Enter: {abs(advised):f}, 0: not done{now}"

    def answer(self, text: str) -> Reply:
        """Take an answer to the current question, or say why it cannot be taken."""
        text = " ".join(text.split())
        word = text.casefold()
        if word == "stop":
            return Reply(stop=True)
        if word in ("?", "help"):
            return Reply(message=HELP)
        if self._waiting is not None:
            waiting, self._waiting = self._waiting, None
            if word in _YES:
                return self._take(*waiting)
            if word in _NO:
                return Reply(message="Not taken; nothing recorded.")
        if word == "back":
            return self._back()
        place = self.current
        if place is not None and word == "none":
            taken = {place: ""} if self.answers.pop(place, None) is not None else {}
            return Reply(taken)
        if word == "" and place is None:
            return Reply(finished=True)
        if word == "" and place is not None:
            return self._take(place, Decimal(self.advised[place]))
        try:
            return self._typed(place, text)
        except InputError as error:
            return Reply(message=error.what)

    # -------------------------------------------------------------------------- what an answer means

    def _back(self) -> Reply:
        if self.at == 0:
            return Reply(message="This is the first one.")
        self.at -= 1
        return Reply()

    def _typed(self, place: Place | None, text: str) -> Reply:
        """Take a number, with or without words, for an advised adjustment (or one named in front)."""
        if place is None:
            place, text = self._named(text)
        advised = Decimal(self.advised.get(place, "0"))
        amount, sure = self._amount(place, text, advised)
        if amount != 0:
            check_range(self.rotor, *place, self._settings[place] + amount, "answer")
        if amount == 0 or (sure and amount % Decimal(repr(self._adjuster(place).step)) == 0):
            return self._take(place, amount)
        return self._ask_again(place, amount, advised)

    def _ask_again(self, place: Place, amount: Decimal, advised: Decimal) -> Reply:
        self._waiting = (place, amount)
        adjuster = self._adjuster(place)
        why = ""
        if amount * advised < 0:
            why = f" THE OTHER WAY than advised ({self._action(adjuster, advised)})."
        elif amount % Decimal(repr(adjuster.step)) != 0:
            why = f" That is no whole number of steps of {adjuster.step:g} {adjuster.unit}."
        return Reply(message=f"{self._answer_words(place, amount)}.{why} Was it so?")

    def _amount(self, place: Place, text: str, advised: Decimal) -> tuple[Decimal, bool]:
        """Return a signed amount, and whether its sense needs no confirming."""
        adjuster = self._adjuster(place)
        up, down = _senses(adjuster)
        words = text.casefold().split(" ")
        units = {adjuster.unit.casefold(), many(adjuster.unit).casefold()}
        numbers = [w for w in words if w[:1].isdigit() or w[:1] in "+-."]
        sense = " ".join(w for w in words if w not in numbers and w not in units)
        expected = f'how many {many(adjuster.unit)}, such as "{adjuster.positive} {adjuster.step:g}"'
        if len(numbers) != 1 or (sense and sense not in up + down):
            raise InputError("answer", text, f'{expected} or "{adjuster.negative} {adjuster.step:g}"')
        value = number(numbers[0], "answer", adjuster.name)
        signed = numbers[0][0] in "+-"
        if sense:
            if signed:
                raise InputError("answer", text, "a word or a sign, not both")
            value = value if sense in up else -value
            return value, value * advised >= 0
        if signed or value == 0:
            return value, False
        if advised == 0:
            raise InputError("answer", text, f"the sense too: {adjuster.positive} or {adjuster.negative}")
        return (value if advised > 0 else -value), True

    def _named(self, text: str) -> tuple[Place, str]:
        """Return the blade and adjuster that a text begins with, and the rest of it."""
        blade, rest = _begins(text.casefold().removeprefix("blade "), self.rotor.blades)
        adjuster, rest = _begins(rest, [a.name for a in self.rotor.adjusters])
        if not blade or not adjuster or not rest:
            kind = self.rotor.adjusters[0]
            expected = f'a blade, an adjuster and what was done: "{self.rotor.blades[-1]} {kind.name} {kind.positive} '
            names = ", ".join(a.name for a in self.rotor.adjusters)
            raise InputError(
                "answer", text, f'{expected}{kind.step:g}"; blades {", ".join(self.rotor.blades)}; {names}'
            )
        if (blade, adjuster) in self.recorded:
            raise InputError("answer", text, "something not recorded yet; correct it with trackbal log correct done")
        return (blade, adjuster), rest

    def _take(self, place: Place, amount: Decimal) -> Reply:
        text = format(amount.normalize(), "f") if amount else "0"
        try:
            if amount:
                check_range(self.rotor, *place, self._settings[place] + amount, "answer")
        except InputError as error:
            return Reply(message=error.what)
        self.answers[place] = text
        if place == self.current:
            self.at += 1
        return Reply({place: text}, self._answer_words(place, amount))

    # -------------------------------------------------------------------------- in words

    def _adjuster(self, place: Place) -> Adjuster:
        return self.rotor.adjusters[self.rotor.adjuster_index(place[1])]

    def _words(self, place: Place, amount: Decimal) -> str:
        before = self._settings[place]
        words = adjustment_words(
            self.rotor, self.rotor.adjuster_index(place[1]), self.rotor.blades.index(place[0]), float(amount)
        )
        return f"{words} (setting {before:f} to {before + amount:f})"

    def _answer_words(self, place: Place, amount: Decimal) -> str:
        adjuster, before = self._adjuster(place), self._settings[place]
        lead = f"blade {place[0]}, {adjuster.name.replace('_', ' ')}"
        if amount == 0:
            return f"{lead}: not done, setting stays {before:f}"
        return f"{lead}: {done_words(adjuster, float(amount))}, setting {before:f} to {before + amount:f}"

    def _action(self, adjuster: Adjuster, amount: Decimal) -> str:
        return f"{adjuster.positive if amount > 0 else adjuster.negative} {abs(amount):f}"

    def answered_words(self) -> list[str]:
        """Return the answers kept so far, in words."""
        return [self._answer_words(place, Decimal(text)) for place, text in self.record.in_order(self.answers).items()]


def _senses(adjuster: Adjuster) -> tuple[list[str], list[str]]:
    """Return the words that may name the positive and the negative sense."""
    both = [[verb.casefold(), past_words(verb).casefold()] for verb in (adjuster.positive, adjuster.negative)]
    return both[0], both[1]


def _begins(text: str, names: Sequence[str]) -> tuple[str, str]:
    """Return the longest name that a text begins with (blanks may stand for underscores), and the rest."""
    for name in sorted(names, key=len, reverse=True):
        for form in (name.casefold(), name.casefold().replace("_", " ")):
            if text == form or text.startswith(form + " "):
                return name, text[len(form) + 1 :]
    return "", text
