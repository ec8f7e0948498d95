"""A run entered reading by reading: what is asked next, and what an answer means.

No terminal in here: commands/log_run.py prints the questions and passes the answers on.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from trackbal.base.errors import InputError
from trackbal.base.phasor import HEIGHT_UNITS, VIBRATION_UNITS
from trackbal.check.at_entry import FINISH, stop_words, tips_doubt, vibration_doubt
from trackbal.logbook.entries import check_cell
from trackbal.logbook.rows import Cell, Row, run_of_rows
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run

_YES = ("yes", "y")
_NOT_TAKEN = "The reading that was asked about is not taken."

HELP = (
    "Enter leaves a reading as it is (not read, if nothing was typed). Amplitude and phase may be typed together: "
    '"0.31 124"; so may the heights of one blade and the next ones: "1 -1.5 0 0.5". '
    'Another unit stands after the number: "7.9 mm/s". '
    "back: one step back. skip: the rest of this regime was not read. none: take this reading back. "
    "finish: the run is closed as it is. stop: break off; the same command takes it up again."
)


@dataclass(frozen=True)
class Question:
    """One reading asked for: the row (line of the run), the regime (index) and the quantity."""

    line: int
    regime: int
    quantity: str


@dataclass(frozen=True)
class Answer:
    """What an answer came to.

    Parameters
    ----------
    cells : Row
        To be recorded in the question's row; with an empty text: taken back.
    message : str
        To be shown; empty if there is nothing to say.
    stop : bool
        Whether the person breaks off.
    finish : bool
        Whether the run is to be closed as it is.
    done : int or None
        Line of the run whose readings have all been asked for just now.
    """

    cells: Row = field(default_factory=dict)
    message: str = ""
    stop: bool = False
    finish: bool = False
    done: int | None = None


class Asking:
    """The questions of a run, in the rotor's order, and where among them the person is.

    The last run's reading stands beside each question. What is expected now does not: a
    reading taken with the expected one in view is no test of it.
    """

    def __init__(
        self,
        rotor: Rotor,
        lines: dict[int, Row],
        previous: Run | None = None,
        previous_rows: Sequence[Row] = (),
    ) -> None:
        """Go on after the last reading in `lines`.

        Parameters
        ----------
        lines : dict
            What was typed before, by line.
        previous : Run, optional
            What a reading is compared with.
        previous_rows : sequence of Row
            The same as typed, shown beside each question.
        """
        self.rotor = rotor
        self.lines = {line: dict(row) for line, row in lines.items()}
        self.previous = previous
        self._typed_before = {
            (row["regime"].text, quantity): cell for row in previous_rows for quantity, cell in row.items()
        }
        self.questions: list[Question] = []
        for r in range(len(rotor.regimes)):
            self._add(r + 1, r)
        names = [r.name for r in rotor.regimes]
        for line in sorted(self.lines):
            if line > len(names):
                self._add(line, names.index(self.lines[line]["regime"].text))
        answered = [i for i, q in enumerate(self.questions) if q.quantity in self.lines.get(q.line, {})]
        self.at = answered[-1] + 1 if answered else 0
        self._waiting: tuple[Question, Row] | None = None  # doubted, not yet said to be so
        self._unread_said: set[int] = set()  # lines whose unread readings were said to be so
        self._pass_phase()

    def _add(self, line: int, r: int) -> None:
        for sensor in self.rotor.sensors:
            self.questions += [Question(line, r, f"{sensor.name}.{part}") for part in ("amp", "deg")]
        if self.rotor.regimes[r].heights:
            self.questions += [Question(line, r, f"height.{blade}") for blade in self.rotor.blades]

    @property
    def current(self) -> Question | None:
        """The reading asked for now; None when all have been."""
        return self.questions[self.at] if self.at < len(self.questions) else None

    def typed(self, question: Question) -> Cell | None:
        """Return what was typed for a question, or None."""
        return self.lines.get(question.line, {}).get(question.quantity)

    def prompt(self, question: Question) -> str:
        """Return the question as a line for the terminal."""
        if self._waiting is not None:
            return '  "yes" if it was read so; or the right reading'
        name, _, part = question.quantity.rpartition(".")
        regime = self.rotor.regimes[question.regime].name
        if name == "height":
            what, unit = f"height of blade {part}", self.rotor.height_unit
        else:
            sensor = self.rotor.sensors[self.rotor.sensor_index(name)]
            what = f"{name} {'amplitude' if part == 'amp' else 'phase'}"
            unit = sensor.unit if part == "amp" else "deg"
        again = " (again)" if question.line > len(self.rotor.regimes) else ""
        cell = self.typed(question)
        now = f" = {cell.text}{f' {cell.unit}' if cell.unit else ''}" if cell else ""
        return f"{regime}{again}: {what} [{unit}]{self._beside(question)}{now}"

    def _beside(self, question: Question) -> str:
        """Return what the last run read, in brackets, as it was typed; nothing if it did not."""
        cell = self._typed_before.get((self.rotor.regimes[question.regime].name, question.quantity))
        if cell is None:
            return ""
        return f" (was {cell.text}{f' {cell.unit}' if cell.unit else ''})"

    def again(self, regime: str) -> bool:
        """Ask for one more reading of a regime, by name; return whether there is such a regime."""
        names = [r.name for r in self.rotor.regimes]
        if regime not in names:
            return False
        self._add(max([len(names), *self.lines]) + 1, names.index(regime))
        return True

    # -------------------------------------------------------------------------- answers

    def answer(self, text: str) -> Answer:
        """Take an answer to the current question and move on, or say why it cannot be taken."""
        question = self.current
        assert question is not None
        taken = self._answer(question, " ".join(text.split()))
        after = self.current
        passed = (after is None or after.line != question.line) and not (taken.stop or taken.finish)
        whole = passed and question.line in self.lines and self._rank(after) > self._rank(question)
        return replace(taken, done=question.line if whole else None)

    def _rank(self, question: Question | None) -> int:
        return len(self.questions) if question is None else self.questions.index(question)

    def _answer(self, question: Question, text: str) -> Answer:
        word = text.casefold()
        waiting, self._waiting = self._waiting, None
        if waiting is not None:
            if word in _YES:
                return self._take(*waiting)
            if word in ("", "no", "n"):
                return Answer(message="Not taken.")
            if word in ("stop", FINISH, "back", "skip", "none"):
                answer = self._answer(question, text)  # nothing waits any more
                return replace(answer, message=" ".join(filter(None, [_NOT_TAKEN, answer.message])))
        if word == "stop":
            return Answer(stop=True)
        if word == FINISH:
            return Answer(finish=True)
        if word in ("?", "help"):
            return Answer(message=HELP)
        if word == "back":
            return self.back()
        if word == "skip":
            while self.current is not None and self.current.line == question.line:
                self.at += 1
            return Answer()
        if word == "none":
            taken = self._partners(question)
            return self._take(question, {name: Cell("") for name in taken})
        if text == "":
            self.at += 1
            self._pass_phase()
            return Answer()
        if _is_phase(question) and " " in text and self.at > 0:  # amplitude and phase again, typed together
            self.at -= 1
            amplitude = self.current
            assert amplitude is not None
            return self._answer(amplitude, text)
        try:
            cells = self._cells(question, text)
            doubt = self._doubt(question, cells)
        except InputError as error:
            return Answer(message=error.what)
        if doubt:
            self._waiting = (question, cells)
            return Answer(message=doubt)
        return self._take(question, cells)

    def back(self) -> Answer:
        """Go one question back."""
        if self.at == 0:
            return Answer(message="This is the first reading.")
        self.at -= 1
        current = self.current
        if current is not None and _is_phase(current) and not self._has_phase(current):
            self.at -= 1
        return Answer()

    def _take(self, question: Question, cells: Row) -> Answer:
        row = self.lines.setdefault(question.line, {})
        recorded: Row = {}
        if "regime" not in row and any(cell.text for cell in cells.values()):
            recorded["regime"] = Cell(self.rotor.regimes[question.regime].name)
        recorded |= {name: cell for name, cell in cells.items() if cell.text or name in row}
        for name, cell in recorded.items():
            if cell.text:
                row[name] = cell
            else:
                row.pop(name, None)
        self.at += 1
        while self.current is not None and self.current.line == question.line and self.current.quantity in cells:
            self.at += 1
        self._pass_phase()
        if question.quantity.startswith("height."):
            self._unread_said.add(question.line)
        return Answer(recorded, self._stop_words(question, cells))

    def _stop_words(self, question: Question, cells: Row) -> str:
        """Return what to do where the readings just taken are at their stop limit."""
        name, _, part = question.quantity.rpartition(".")
        r = question.regime
        if part == "amp" and name != "height" and cells[question.quantity].text:
            s = self.rotor.sensor_index(name)
            return stop_words(self.rotor, r, s, float(self._amplitudes(question, {})[r, s]))
        if name == "height":
            tips = self._tips(question, {})[r]
            return stop_words(self.rotor, r, None, float(np.nanmax(tips) - np.nanmin(tips))) if tips.size else ""
        return ""

    def _amplitudes(self, question: Question, cells: Row) -> Reals:
        """Return the amplitudes typed so far and now, (R, S), in the rotor's units; the row asked for last counts."""
        amplitude = np.full((len(self.rotor.regimes), len(self.rotor.sensors)), np.nan)
        for row in self._rows(question, cells):
            whole = dict(row)
            for sensor in self.rotor.sensors:
                if f"{sensor.name}.amp" in row:
                    whole.setdefault(f"{sensor.name}.deg", Cell("0"))
            one = np.abs(run_of_rows(self.rotor, [whole], "answer").vibration)
            amplitude = np.where(np.isfinite(one), one, amplitude)
        return amplitude

    def _tips(self, question: Question, cells: Row) -> Reals:
        """Return the heights typed so far and now, (R, B), as typed but in the rotor's unit."""
        tips = np.full((len(self.rotor.regimes), len(self.rotor.blades)), np.nan)
        names = [r.name for r in self.rotor.regimes]
        for row in self._rows(question, cells):
            for b, blade in enumerate(self.rotor.blades):
                cell = row.get(f"height.{blade}")
                if cell is not None and cell.text:
                    factor = HEIGHT_UNITS[cell.unit or self.rotor.height_unit] / HEIGHT_UNITS[self.rotor.height_unit]
                    tips[names.index(row["regime"].text), b] = float(cell.text) * factor
        return tips

    def _rows(self, question: Question, cells: Row) -> list[Row]:
        """Return all rows with what is typed now among them, the row asked for last."""
        regime = {"regime": Cell(self.rotor.regimes[question.regime].name)}
        now = regime | self.lines.get(question.line, {}) | cells
        return [*(row for line, row in self.lines.items() if line != question.line), now]

    def _partners(self, question: Question) -> list[str]:
        """Return the quantity, and the phase that makes no sense without its amplitude."""
        name, _, part = question.quantity.rpartition(".")
        return [question.quantity, f"{name}.deg"] if part == "amp" else [question.quantity]

    def _has_phase(self, question: Question) -> bool:
        name = question.quantity.removesuffix(".deg")
        cell = self.lines.get(question.line, {}).get(f"{name}.amp")
        return cell is not None and float(cell.text) != 0.0

    def _pass_phase(self) -> None:
        """Pass over the phase of an amplitude that was not read, or is nothing."""
        question = self.current
        if question is not None and _is_phase(question) and not self._has_phase(question):
            self.at += 1

    def _cells(self, question: Question, text: str) -> Row:
        """Return the cells that an answer gives. Raises InputError if it is none."""
        name, _, part = question.quantity.rpartition(".")
        words = re.sub(r"\s*,\s+", " ", text).split(" ")
        if len(words) > 2 and words[2] == "rms":
            words[1:3] = [f"{words[1]} rms"]
        units = HEIGHT_UNITS if name == "height" else VIBRATION_UNITS if part == "amp" else {}
        unit = words.pop(1) if len(words) > 1 and words[1] in units else None
        cells = {question.quantity: Cell(words[0], unit)}
        if part == "amp" and name != "height" and len(words) == 2:
            cells[f"{name}.deg"] = Cell(words[1])
        elif name == "height" and unit is None and len(words) > 1:
            first = self.rotor.blades.index(part)
            blades = self.rotor.blades[first : first + len(words)]
            cells = {f"height.{blade}": Cell(word) for blade, word in zip(blades, words, strict=False)}
            if len(blades) < len(words):
                cells = {question.quantity: Cell(text)}  # more heights than blades
        elif len(words) > 1:
            cells = {question.quantity: Cell(text)}  # refused below, with the whole answer in the message
        for quantity, cell in cells.items():
            check_cell(self.rotor, quantity, cell, "answer")
        return cells

    def _doubt(self, question: Question, cells: Row) -> str:
        """Return why a reading is hard to believe, or nothing."""
        name, _, part = question.quantity.rpartition(".")
        r = question.regime
        if name == "height":
            new = [self.rotor.blades.index(quantity.removeprefix("height.")) for quantity in cells]
            doubt = tips_doubt(self.rotor, r, self._tips(question, cells), new, self.previous)
            return " ".join(filter(None, [doubt, self._passed_over(question)]))
        if part != "amp":
            return ""
        s = self.rotor.sensor_index(name)
        return vibration_doubt(self.rotor, r, s, self._amplitudes(question, cells), self.previous)

    def _passed_over(self, question: Question) -> str:
        """Return which readings of the regime were passed over though they are read elsewhere; asked once a regime."""
        if question.line in self._unread_said:
            return ""
        row, r = self.lines.get(question.line, {}), question.regime
        elsewhere: NDArray[np.bool_] = np.any(np.isfinite(self._amplitudes(question, {})), axis=0)
        if self.previous is not None:
            elsewhere = elsewhere | self.previous.vibration_read[r]
        names = [s.name for s in self.rotor.sensors]
        missing = [n for n in names if f"{n}.amp" not in row]
        missed = missing if len(missing) == len(names) else [n for n in missing if elsewhere[names.index(n)]]
        if not missed:
            return ""
        return (
            f"Passed over in {self.rotor.regimes[r].name}: {', '.join(missed)}. Were they not read, and this is a "
            'height? If not: "back" to them.'
        )


def _is_phase(question: Question) -> bool:
    return question.quantity.endswith(".deg") and not question.quantity.startswith("height.")
