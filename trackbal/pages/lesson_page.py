"""A lesson as one page for a projector: a slide a step, moved by the keyboard; printed it is a hand-out."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np

from trackbal.base.text_layout import screens
from trackbal.lessons.lesson import Lesson, Visit
from trackbal.lessons.lesson_opening import Step
from trackbal.lessons.lesson_text import lesson_steps
from trackbal.pages.card_pictures import HEIGHTS_MARGINS_MM, HEIGHTS_MM
from trackbal.pages.html import Html, esc, page, tag
from trackbal.pages.plots import phasors, tip_heights
from trackbal.pages.svg import picture

_LINES = 21  # of text on a slide of 1080 pixels
_PICTURES = 3  # side by side
#: Class of a slide's text -> lines and characters a line of it that a slide holds.
_LARGE = {"largest": (14, 65), "larger": (18, 81)}
_PICTURE_MM = 36.0  # wide; shown 560 pixels wide its smallest letters are 35 pixels high

_STYLE = """
@media screen {
  body { max-width: none; padding: 0; }
  .slide { display: none; padding: 30px 50px; font-size: 30px; min-height: 100vh; }
  .slide.now { display: block; }
  .slide h2 { font-size: 44px; margin: 0 0 18px; }
  .slide pre { font: 30px/1.2 "Liberation Mono", "DejaVu Sans Mono", monospace; margin: 0; white-space: pre; }
  .slide .figures { flex-wrap: nowrap; gap: 30px; }
  .slide pre.larger { font-size: 37px; }
  .slide pre.largest { font-size: 46px; }
  .slide .figures svg { width: 560px; height: auto; }
  .slide .figures.few svg { width: 730px; }
  .slide .figures.tips svg { width: 510px; }
  .slide.answer.hidden .told { visibility: hidden; }
  .slide .keys { position: fixed; right: 30px; bottom: 12px; font-size: 30px; margin: 0; background: #ffffff; }
  .slide:not(.hidden) .ask { display: none; }
}
@media print {
  .slide { break-inside: avoid; margin: 0 0 6mm; }
  .slide h2 { font-size: 12pt; margin: 0 0 1mm; }
  .slide pre { font: 8.2pt/1.2 "Liberation Mono", "DejaVu Sans Mono", monospace; margin: 0; white-space: pre-wrap; }
  .slide .figures svg { width: 46mm; height: auto; }
  .slide.question::after { content: ""; display: block; height: 25mm; border: 1px solid #767676; }
  .keys { display: none; }
  body.blank .answer { display: none; }
  body.blank .question { break-after: page; }
}
"""

SCRIPT = """
'use strict';
const slides = [...document.querySelectorAll('.slide')];
let at = Math.min(Math.max(Number(location.hash.slice(1)) - 1 || 0, 0), slides.length - 1);

function show() {
  slides.forEach((slide, i) => slide.classList.toggle('now', i === at));
  history.replaceState(null, '', '#' + (at + 1));
  scrollTo(0, 0);
}

function reveal() {
  const hidden = slides[at].classList.contains('hidden');
  slides[at].classList.remove('hidden');
  return hidden;
}

function print_page(blank) {
  document.body.classList.toggle('blank', blank);
  print();
}

addEventListener('keydown', event => {
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const key = event.key;
  if (key === 'ArrowRight' || key === 'PageDown') at = Math.min(at + 1, slides.length - 1);
  else if (key === 'ArrowLeft' || key === 'PageUp') at = Math.max(at - 1, 0);
  else if (key === 'Home') at = 0;
  else if (key === 'End') at = slides.length - 1;
  else if (key === ' ' || key === 'Enter') { if (!reveal()) at = Math.min(at + 1, slides.length - 1); }
  else if (key === 'a') print_page(false);
  else if (key === 'w') print_page(true);
  else return;
  event.preventDefault();
  show();
});
show();
"""


def lesson_page(lesson: Lesson) -> str:
    """Return a lesson as one page that fetches nothing.

    Arrow keys go forward and back; a conclusion is hidden until space or Enter is pressed. `a` prints with the
    conclusions, `w` without. Letters are at least 30 pixels high on a screen of 1920 by 1080.
    """
    visits = {visit.number: visit for visit in lesson.visits}
    body: list[Html] = []
    for step in lesson_steps(lesson):
        body += _slides(step)
        if step.title.endswith("what was read"):
            body += _picture_slides(lesson, visits[step.run])
    return page(f"Lesson: {lesson.rotor.name}", body, _STYLE, script=SCRIPT)


def _slides(step: Step) -> Iterator[Html]:
    parts = screens(step.text, _LINES)
    for number, text in enumerate(parts):
        title = step.title + (f" ({number + 1} of {len(parts)})" if len(parts) > 1 else "")
        yield _slide(title, tag("pre", Html(_lines(text)), cls=_size(text)), step.part)


def _size(text: str) -> str:
    """Return the class of the largest letters at which a text fits its slide; "" for the smallest there are."""
    lines = text.split("\n")
    longest = max(map(len, lines))
    return next((name for name, (most, wide) in _LARGE.items() if len(lines) <= most and longest <= wide), "")


def _lines(text: str) -> str:
    """Return lines escaped, with their spaces kept."""
    return "\n".join(" ".join(esc(word) for word in line.split(" ")) for line in text.split("\n"))


def _slide(title: str, content: Html, part: str) -> Html:
    keys = "space: reveal" if part == "answer" else "arrow keys: on, back"
    hint = tag("p", keys, cls="keys ask" if part == "answer" else "keys")
    cls = f"slide {part}" + (" hidden" if part == "answer" else "")
    return tag("section", tag("h2", title), tag("div", content, cls="told"), hint, cls=cls)


def _picture_slides(lesson: Lesson, visit: Visit) -> Iterator[Html]:
    """Yield slides of a run's dials, a sensor at a time, and of its tip heights."""
    rotor, run, n = lesson.rotor, visit.run, visit.number
    for s, sensor in enumerate(rotor.sensors):
        read = np.flatnonzero(run.vibration_read[:, s]).tolist()
        for shown in _some(read):
            dials = [
                picture(
                    partial(phasors, rotor=rotor, run=run, sensor=s, regimes=[r]),
                    key=f"run-{n}-dial-{r + 1}-{s + 1}",
                    title=f"{sensor.name} in {rotor.regimes[r].label}",
                    description="The numbers stand on the slide of what was read.",
                    size_mm=(_PICTURE_MM, _PICTURE_MM + 7.0),
                )
                for r in shown
            ]
            title = f"Run {n}: {sensor.name}, in parts of the limit"
            yield _slide(title, tag("div", *dials, cls="figures few" if len(shown) < _PICTURES else "figures"), "facts")
    for shown in _some(np.flatnonzero(run.height_read).tolist()):
        tips = [
            picture(
                partial(tip_heights, rotor=rotor, run=run, regimes=[r]),
                key=f"run-{n}-tips-{r + 1}",
                title=f"Tip heights in {rotor.regimes[r].label}",
                description="The numbers stand on the slide of what was read.",
                size_mm=(_PICTURE_MM, HEIGHTS_MM),
                margins_mm=HEIGHTS_MARGINS_MM,
            )
            for r in shown
        ]
        yield _slide(f"Run {n}: tip heights, {rotor.height_unit}", tag("div", *tips, cls="figures tips"), "facts")


def _some(regimes: list[int]) -> Iterator[list[int]]:
    """Yield regimes for one slide after another, as evenly as can be."""
    for shown in np.array_split(regimes, -(-len(regimes) // _PICTURES)) if regimes else ():
        yield shown.tolist()
