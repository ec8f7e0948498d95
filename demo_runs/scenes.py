"""The scenes of the demos: whose aircraft, what was done to it, what its crew saw. All invented."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from trackbal.runs.rotor import Rotor


@dataclass(frozen=True)
class Scene:
    """One demo.

    Parameters
    ----------
    folder, kind : str
        Name of the folder; name of the virtual type.
    fleet : str
        How the jobs of the history are named.
    seed, severity, jobs : int, float, int
        Seed of everything; size of the blade faults; past jobs in the history.
    title, came_in, story, try_this : str
        How the aircraft came in, for the folder's README, gives nothing away; what happened stands on a page of
        its own, for the trainer.
    fault : {"source", "damper"}, optional
        A mechanical fault, put right before run `repaired_before`.
    left_out : dict
        Run number -> adjuster the crew did not touch although it was advised.
    repeats : int
        Readings of every regime.
    clock : bool
        Phases written as hours of a clock face.
    units : dict
        Sensor -> unit of its column, where it is not the sensor's own.
    notes : dict
        (run number, regime) -> note of its first row.
    info : dict
        Heading -> what stands in it, run by run.
    adjusters : str
        The adjusters of its rotor file, where they are not those of the virtual type.
    """

    folder: str
    kind: str
    fleet: str
    seed: int
    title: str = ""
    came_in: str = ""
    story: str = ""
    try_this: str = ""
    severity: float = 0.8
    jobs: int = 12
    fault: Literal["source", "damper"] | None = None
    repaired_before: int | None = None
    left_out: dict[int, str] = field(default_factory=dict)
    repeats: int = 1
    clock: bool = False
    units: dict[str, str] = field(default_factory=dict)
    notes: dict[tuple[int, str], str] = field(default_factory=dict)
    info: dict[str, tuple[str, ...]] = field(default_factory=dict)
    adjusters: str = ""

    def rotor_text(self, text: str) -> str:
        """Return the rotor file of the scene: that of its type, with its own adjusters if it has some."""
        return text[: text.index("[[adjusters]]")] + self.adjusters if self.adjusters else text

    def readme(self, rotor: Rotor, jobs: int, runs: int) -> str:
        """Return the README.md of the folder; `jobs` and `runs` count the history."""
        return README.format(
            title=self.title,
            came_in=self.came_in,
            rotor=rotor.name,
            blades=len(rotor.blades),
            adjusters=", ".join(adjuster.name for adjuster in rotor.adjusters),
            jobs=jobs,
            runs=runs,
        )

    @property
    def trainer_page(self) -> str:
        """What happened, apart from what a class may read."""
        return TRAINER.format(title=self.title, story=self.story, try_this=self.try_this)


README = """\
# {title}

{came_in}

Everything here is invented: the Dunmere fire-and-rescue flying service, its aircraft, its people and
every number. The limits in `rotor.toml` are invented too and are not any aircraft's.

## What is in this folder

| file | what it holds |
|---|---|
| `rotor.toml` | {rotor}: {blades} blades; adjusters {adjusters} |
| `history.csv`, `history_adjustments.csv` | {runs} runs of {jobs} past jobs on other aircraft of the type |
| `settings.csv` | what was installed before run 1 |
| `run1.csv`, `run2.csv` ... | the readings of each run |
| `adjustments1.csv` ... | what was really done after that run |

## Walk through it

In this folder:

    trackbal replay .

`--pause` waits for Enter between the steps.

## Do it yourself

    trackbal check --rotor rotor.toml --run run1.csv
    trackbal fit --rotor rotor.toml --runs history.csv --adjustments history_adjustments.csv \\
        --out influence.json
    trackbal advise --rotor rotor.toml --run run1.csv --influence influence.json \\
        --settings settings.csv

For a later run, first add what was done to `settings.csv` (work on a copy).

Each run goes on to its next condition only while every reading is within the crew's own figure for going on
(`go_on` in `rotor.toml`, invented as the limits are), so first runs are short.

What happened stands in [trainer.md](trainer.md), for whoever leads a lesson: read it afterwards.

## How it was made

`make_demos.py` in the folder above flies one aircraft of a virtual type whose blades differ and whose
answer to adjustments differs from the type's, reads it as an instrument would (noise, rounding), asks
trackbal what to do, does it with the errors hands make, and flies again. The virtual rotor is
textbook flapping, hub loads and airframe motion; it shares no response code with the solver.
"""

TRAINER = """\
# {title}: for the trainer

This page says what happened. A class should not see it before the lesson is over.

{story}

{try_this}
"""


WASHERS = """\
[[adjusters]]
name = "tip_weight"
kind = "weight"
unit = "g"
step = 0.5
minimum = 0.0
maximum = 30.0
largest_change = 25.0
positive = "add"
negative = "remove"
most_pieces = 6

[[adjusters.pieces]]
name = "thin washer"
amount = 1.0
most = 2

[[adjusters.pieces]]
name = "washer"
amount = 2.5
most = 3

[[adjusters.pieces]]
name = "plate"
amount = 6.5
most = 4

[[adjusters]]
name = "chord_weight"
kind = "weight"
unit = "g"
step = 1.0
minimum = 0.0
maximum = 50.0
largest_change = 40.0
positive = "add"
negative = "remove"
most_pieces = 5

[[adjusters.pieces]]
name = "washer"
amount = 4.0
most = 3

[[adjusters.pieces]]
name = "plate"
amount = 11.0
most = 4
"""


SCENES = (
    Scene(
        folder="seven_blades",
        kind="main7",
        fleet="SH-",
        seed=3,
        jobs=14,
        info={"wind_kt": ("310/08", "300/10", "320/06"), "fuel_kg": ("3100", "3000", "2900")},
        notes={
            (1, "flat_pitch"): "first ground run after hangar check",
            (2, "speed_60"): "slow beat felt in the seat",
            (3, "speed_140"): "steady",
        },
        title="A seven-blade heavy lifter after its winter check",
        came_in="""\
A Stormhold of the Dunmere service carries water to hill fires. In the winter check its blades went
through the workshop: three came back with new tip covers, two pitch links got new rod ends. Seven blades and
four kinds of adjuster give 28 places to change something.""",
        story="""\
The first ground run was already above the crew's figure for going on, so nothing else was read, and the first
plan rests on flat pitch alone; trackbal says what it will change in the conditions not read. Its changes were
larger than blades of the type usually differ by, so the card asked to look at the blades' own records and to do
part. The crew looked: the workshop's sheets showed a tip cover weighed on the wrong scale and a rod end five
flats short. With the reason in hand the crew lead signed for the whole of it. Run 2 went as far as 100 kt, and
run 3 through all five conditions: one tip spread was a hair over its limit still, and one link by one flat put
it right. Nobody can see by eye which few of 28 places cure fifteen vibration readings and five tip paths at
once; this is what the search is for.""",
        try_this="""\
Things to try: `--most 3` and `--most 10` on run 2. How much does each further adjustment buy, and how
many is your crew willing to make in one evening?""",
    ),
    Scene(
        folder="five_blades",
        kind="main5",
        fleet="BK-",
        seed=15,
        severity=0.9,
        jobs=12,
        left_out={2: "tab"},
        notes={
            (1, "flat_pitch"): "ground only, not flown before it is smoother",
            (2, "cruise_120"): "first forward flight",
            (3, "cruise_120"): "tabs not touched, gauge away",
            (4, "cruise_120"): "tabs bent with gauge",
        },
        title="Five blades after a bird strike",
        came_in="""\
A Beckwater of the Dunmere service had blade 4 exchanged after a bird strike, and the pitch link
of blade 5 renewed.""",
        story="""\
The crew would not fly it as rough as it was on the ground: run 1 holds flat pitch only. So trackbal does not
advise on tabs after run 1 (they act in forward flight and need a reading there), and it says what its plan will
change in the conditions it has not seen. It asks to look at the blades' own records first, as its changes are large,
and to do part: the fitting sheets showed that the figures of an older blade had been set, so all of it was done.

After run 2 the plan had tabs in it. The gauge for bending them was away for calibration, so the crew
did the rest of the plan and flew: `adjustments2.csv` holds what was done, not what was advised. The tips
still flew apart at speed. After run 3, with the gauge back, the tabs were bent.""",
        try_this="""\
Things to try: compare the plan after run 2 with `adjustments2.csv`. Was the flight of run 3 worth it, or
should the crew have waited for the gauge?""",
    ),
    Scene(
        folder="two_blade_tail",
        kind="tail2",
        fleet="TL-",
        seed=2,
        jobs=10,
        clock=True,
        repeats=2,
        notes={(1, "ground_run"): "pedals buzz", (2, "hover"): "pedals quiet"},
        title="A two-blade tail rotor from store",
        came_in="""\
A Tarnlight of the Dunmere service got a tail rotor from store. The pilot felt a buzz in the pedals.
This rotor can only be balanced with weights: one station near the tip, one on an arm ahead of the blade near its
root. The crew read each condition twice: a regime that stands twice in the sheet is a repeated reading, and
trackbal uses the mean and the scatter. Their instrument shows phase as hours of a clock face (`4:30`
is 135 degrees).""",
        story="""\
The station at the tip acts along the blade; the arm puts its weights 69 degrees ahead of the blade's line. With two
blades the tip stations alone can move the balance along one line only; the two kinds together reach every
direction. The plan after the ground run was enough for both conditions.""",
        try_this="""\
Things to try: hold the plan against a sketch. Mark the reading on a clock face, mark what 1 g at the
tip does, and find the grams by eye. Then turn every phase of run 1 by six hours, as a pick-up with
swapped wires would, and ask for advice again: the plan is the opposite, and trackbal sounds just as
sure. A wrong phase is not seen in one run, only in the next one, when expectation and reading part.""",
    ),
    Scene(
        folder="washers_tail",
        kind="tail2",
        fleet="TL-",
        seed=17,
        jobs=10,
        clock=True,
        notes={(1, "ground_run"): "pedals buzz"},
        adjusters=WASHERS,
        title="A tail rotor that is balanced with washers",
        came_in="""\
A Tarnlight of the Dunmere service got new grips on its two-blade tail rotor, and the pilot feels a buzz in the
pedals. This rotor is balanced with what the workshop's drawer holds: at the tip a stud that takes up to six washers
and plates, on an arm ahead of the blade near its root a bolt that takes up to five. `rotor.toml` lists the pieces, what
each weighs and how many fit (all of it invented). The instrument shows phase as hours of a clock face.""",
        story="""\
A plan says which pieces to take off and which to put on, not how many grams to find. A plate off and a washer on at
one station is one adjustment: one nut to lock, one safety wire, one inspection. Not every amount can be made;
trackbal searches what can be made, and the plan is proven the best of that. Where the setting does not say which
pieces are fitted, because more than one set comes to it, the advice says what it takes to be there: look.""",
        try_this="""\
Things to try: take the pieces out of a copy of `rotor.toml`, so that every step could be made, and ask again: does
the drawer cost any chance here? Then record work that cannot be (`trackbal settle` with an amount that no set
of the pieces makes): it is refused, and the nearest that can be fitted are named.

In a real job the caution under every plan is the point: count the pieces you took off and those you put on, and the
drawer, before the rotor turns.""",
    ),
    Scene(
        folder="four_blade_tail",
        kind="uneven4",
        fleet="BT-",
        seed=3,
        jobs=12,
        units={"gearbox_longitudinal": "mm/s"},
        notes={(1, "ground_run"): "buzz in cabin floor"},
        info={"oat_c": ("11", "12", "12")},
        title="A four-blade tail rotor with a buzz",
        came_in="""\
The Beckwater's tail rotor carries its four blades as two crossed pairs, 70 and 110 degrees apart
(`azimuth_deg` in `rotor.toml`). The limit of the longitudinal sensor stands in g, but the crew's instrument
integrated to velocity: the column `gearbox_longitudinal.amp [mm/s]` says so, and trackbal converts amplitude and
phase (velocity lags acceleration by a quarter turn).""",
        story="""\
A habit from evenly spaced rotors fails here: there is no blade a quarter turn on, so a weight that belongs between
two blades is not shared between them as on an even rotor. What still holds: opposite blades cancel, so changing a
pair alike leaves the once-per-rev balance as it was. It moves the twice-per-rev, which an evenly spaced four-blade
rotor would cancel too.""",
        try_this="""\
Things to try: delete the `azimuth_deg` line from a copy of `rotor.toml` and ask for advice again. The
plan changes, because trackbal then believes in even spacing.""",
    ),
    Scene(
        folder="three_blades",
        kind="main3",
        fleet="TN-",
        seed=2,
        severity=0.6,
        jobs=12,
        fault="damper",
        repaired_before=2,
        notes={
            (1, "cruise_110"): "lateral shake grows with speed",
            (2, "flat_pitch"): "lead-lag damper of blade 3 replaced before this run, nothing adjusted",
        },
        title="Three blades and a shake that grows with speed",
        came_in="""\
A Tarnlight of the Dunmere service came in with a lateral shake that grew with speed. This rotor's instrument counts
phase the other way round (`phase_sense = "lead"` in `rotor.toml`).""",
        story="""\
trackbal's verdict on run 1 is "investigate": adjusting could not bring the readings inside. The crew did not
adjust. They looked for a mechanical cause and found one: the elastomeric lead-lag damper of blade 3 had gone
soft and let its blade trail behind its place, more so with load and speed. It was replaced; `adjustments1.csv` has no
rows.

Run 2 is the same rotor with a sound damper and the ordinary differences between its blades. Now a
small plan brings it inside. Had the crew put weights on for run 1, they would have balanced over a
failing part.""",
        try_this="""\
Things to try: ask for the plan of run 1 all the same (`--plan-anyway`). Which readings does it leave
outside, and what would the next crew have found after the damper had been replaced over it?""",
    ),
)
