"""Advice on an invented case, asked for as a program would."""

from __future__ import annotations

from plain_reference import no_change

from trackbal.influence.coefficients import Influence
from trackbal.plan.advice import advise
from trackbal.reports.advice_report import advice_json
from trackbal.runs.rotor import Rotor
from trackbal.runs.sheets import read_run, read_settings

MOST = 4


def advised(case, folder, **options):
    """Return trackbal's advice on the case's files as the JSON a program reads."""
    case.write(folder)
    rotor = Rotor.load(folder / "rotor.toml")
    influence = Influence.parse((folder / "influence.json").read_text(), "influence.json", rotor)
    run, setting = read_run(rotor, folder / "run.csv"), read_settings(rotor, folder / "settings.csv")
    return advice_json(rotor, run, advise(rotor, run, influence, setting, **{"most": MOST} | options))


def change_of(case, plan):
    return no_change(case) | {(j["adjuster"], j["blade"]): j["amount"] for j in plan["adjustments"]}


def steps_of(case, plan):
    step = {a["name"]: a["step"] for a in case.adjusters}
    return {key: amount / step[key[0]] for key, amount in change_of(case, plan).items()}
