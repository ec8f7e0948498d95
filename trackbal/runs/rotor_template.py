"""A rotor file to start from: every key with its meaning, and no figure that could pass for a limit."""

from __future__ import annotations

_HEAD = """# A rotor for trackbal. Every figure below is a place holder, not a value of any aircraft:
# replace all of them from the aircraft's own maintenance manual, then have a second person compare.
# trackbal check --rotor FILE says what is wrong with this file.

name = "{name}"
rpm = 300.0                  # rotor speed at which readings are taken
blades = [{blades}]{pad}# in the order in which they pass a fixed point; blade 1 is the first
# azimuth_deg = [{azimuth}]  # only for blades not evenly spaced
phase_sense = "lag"          # degrees from the tach pulse to the positive peak; "lead": minus those
# phase_shown = "clock"      # phases on screens and pages as hours of a clock face
rotation = "ccw"             # seen from above; pictures only
height_unit = "mm"           # mm | in
# place = "tail"             # a tail rotor has other mechanical causes to look for

[limits]                     # from the manual: 999 is no limit
vibration = 999.0            # amplitude, in each sensor's unit
vibration_stop = 9999.0      # stop running at and above it
height_spread = 999.0        # highest minus lowest tip, in height_unit
height_spread_stop = 9999.0

# One entry a pick-up.
[[sensors]]
name = "cockpit_vertical"
axis = "vertical"            # vertical | lateral | longitudinal
unit = "ips"                 # ips | mm/s | g (peak) | mil (peak to peak); "mm/s rms" and so on
# harmonic = 1               # 1: once a revolution
# limit = 999.0              # a limit of its own; where a regime has one too, the smaller holds
# stop = 9999.0

[[sensors]]
name = "cockpit_lateral"
axis = "lateral"
unit = "ips"

# One entry a steady condition, in the order in which they are flown: the ground first.
[[regimes]]
name = "flat_pitch"
label = "Flat pitch, on the ground"
airborne = false

[[regimes]]
name = "hover"
label = "Hover"
airborne = true
# vibration = 999.0          # limits of its own: vibration, vibration_stop, height_spread, height_spread_stop
# heights = false            # where no tip heights are read
# rpm = 250.0                # where the usual speed is another than the rotor's

# One entry a thing that can be changed on every blade, in whole steps.
[[adjusters]]
name = "tip_weight"
kind = "weight"              # weight | pitch_link | tab
unit = "g"
step = 10.0
minimum = 0.0                # of what may be installed
maximum = 100.0
# largest_change = 50.0      # in one go
positive = "add"             # the words for a plan
negative = "remove"
# fixed_blades = ["1"]       # blades it may not be changed on

[[adjusters]]
name = "pitch_link"
kind = "pitch_link"
unit = "flat"
step = 1.0
minimum = -6.0
maximum = 6.0
positive = "lengthen"
negative = "shorten"
"""


def rotor_template(blades: int, name: str = "New rotor") -> str:
    """Return the text of a commented rotor.toml for a number of blades, evenly spaced.

    Examples
    --------
    >>> 'blades = ["1", "2"]' in rotor_template(2)
    True
    """
    names = ", ".join(f'"{b}"' for b in range(1, blades + 1))
    azimuth = ", ".join(f"{360.0 * b / blades:g}" for b in range(blades))
    return _HEAD.format(name=name, blades=names, azimuth=azimuth, pad=" " * max(1, 18 - len(names)))
