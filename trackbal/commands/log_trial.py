"""Command of the logbook: trial."""

from __future__ import annotations

import click

from trackbal.commands.log import book_argument, by_option, job_option
from trackbal.commands.options import echo_json, json_option, preferring, say


@click.command("trial")
@book_argument
@job_option
@click.option("--singly", is_flag=True, help="One adjuster, even where one run could tell two apart.")
@by_option
@json_option
def trial_command(book_file: str, job_name: str | None, singly: bool, author: str, as_json: bool) -> int:
    """Say which trial to make after the last run, and record it as advised.

    What the job's runs have taught counts. Then: trackbal log done, run again, trackbal log
    advise. Exit code 1 if no trial can be made, as at a stop limit or while the job is on hold.

    \b
    Example:
      trackbal log trial fleet.tblog
    """
    from dataclasses import replace

    from trackbal.logbook.beginning import influence_to_go_by
    from trackbal.logbook.deeds import change_items, record_advice
    from trackbal.logbook.earlier import earlier_jobs
    from trackbal.logbook.entries import job_to_advise
    from trackbal.logbook.report import hold_json, no_trial_text, stop_text
    from trackbal.logbook.standing import stand
    from trackbal.logbook.store import Book
    from trackbal.plan.advice import settings_words
    from trackbal.reports.trial_report import chosen_trial, trial_json, trial_text
    from trackbal.trials.job_trial import find_trials_in_job

    with Book.open(book_file, write=True) as book:
        record = job_to_advise(book, job_name)
        rotor, setting = preferring(record.rotor, record.preferences, no_preferences=False), record.setting()
        entry, influence = influence_to_go_by(book, rotor, author)
        earlier = earlier_jobs(book, record, influence)
        standing = stand(record, influence, earlier)
        if standing.on_hold:  # no trial either, until somebody has said why the run does not fit
            if as_json:
                echo_json({"verdict": "hold"} | hold_json(record, standing))
            else:
                say(no_trial_text(record, standing), nl=False)
            return 1
        stopped, judged = bool(standing.stops), [run.surprise for run in standing.runs]
        found = find_trials_in_job(
            rotor, record.readings, record.change, influence, setting, judged, earlier, stopped=stopped
        )
        assumed = settings_words(rotor, record.settings_listed(), setting) if found.best is not None else ()
        found = replace(found, cautions=(*assumed, *found.cautions))
        chosen = chosen_trial(found, singly=singly)
        answer = trial_json(rotor, found, setting, singly=singly)

        def show() -> None:
            if as_json:
                echo_json(answer)
            else:
                if stopped:
                    say(stop_text(standing) + "\n")
                say(trial_text(rotor, found, setting, singly=singly), nl=False)
                if chosen is not None:
                    say(f"Recorded as advised. When done: trackbal log done {book_file}")

        if chosen is not None:
            kept = {"preferences": record.preferences.as_options()}  # what the job keeps to outlasts a trial
            recorded = {"verdict": "learn", "recommended": None, "plans": []} | answer | kept
            record_advice(book, record, entry, recorded, change_items(rotor, chosen.change), author, show)
        else:
            show()
    return 1 if found.warns else 0
