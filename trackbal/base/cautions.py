"""The standing cautions that go with every plan, card and report.

They are common practice, no published source, and never replace the maintenance manual.
"""

from __future__ import annotations

from collections.abc import Iterable

_GENERAL = (
    "This is advice from numbers, not a release: the aircraft's maintenance manual and local rules govern, "
    "and only licensed people may carry out, inspect and certify the work.",
    "Limits, ranges and steps are those typed in by the user. Compare them with the current manual before use.",
    "Check that the readings belong to this aircraft, this configuration and steady conditions; "
    "wind, fuel and loading change them.",
    "If a reading reaches a stop limit, or vibration changes suddenly, stop running and find the cause first.",
)

SETTINGS_ASSUMED = (
    "No settings were given: 0 is taken as installed on every blade, and ranges are checked against that. "
    "See what is really installed before adjusting."
)

_BY_KIND = {
    "weight": "Weights are blade hardware: use only approved parts, torque and lock them as the manual says, "
    "stay within the station's capacity, and count tools and parts back.",
    "pitch_link": "Pitch links are flight controls: count turns or flats on both ends, restore locking, "
    "check thread engagement and control travel, and have an independent inspection before running.",
    "tab": "Tabs have bend limits and tire when bent back and forth: use the proper tool and gauge, "
    "measure from the recorded angle, and look for cracks at the bend.",
}

_MECHANICAL = (
    "Lead-lag dampers: worn, leaking, unequal or wrongly set; compare the blades.",
    "Bearings and rod ends of the rotor head, pitch links and swashplate: play, roughness, seizure.",
    "Loose or missing hardware: blade bolts, balance weights, fairings, head covers, pick-up brackets.",
    "Blade damage: erosion, dents, debonding, lost or torn tape, bent tabs, damaged tips.",
    "Water, ice or dirt in or on a blade, and drain holes that are blocked.",
    "Blades folded, drooped or stored unevenly before the run, or not yet settled on their stops.",
    "Recent work on head, blades, controls, gearbox mounts or absorbers: undo doubts about it first.",
    "Gearbox and engine mounts, and vibration absorbers: worn, cracked or detuned.",
    "The measuring chain itself: pick-up mounting, cables, tach pulse, which blade is counted first.",
)


def general_cautions() -> list[str]:
    """Return the cautions that go with everything trackbal says."""
    return list(_GENERAL)


def other_rotor(influence_name: str, rotor_name: str) -> list[str]:
    """Return the caution that an influence file is named for another rotor; none if it is not."""
    if influence_name == rotor_name:
        return []
    return [f"The influence file is for '{influence_name}', the rotor file for '{rotor_name}': are they one type?"]


def adjuster_cautions(kinds: Iterable[str]) -> list[str]:
    """Return the cautions for kinds of adjuster ("weight", "pitch_link", "tab"), each kind once.

    Raises
    ------
    KeyError
        For a kind that is none of these.
    """
    return [_BY_KIND[kind] for kind in dict.fromkeys(kinds)]


def mechanical_causes() -> list[str]:
    """Return what to look for on the aircraft when adjustments do not cure the vibration."""
    return list(_MECHANICAL)
