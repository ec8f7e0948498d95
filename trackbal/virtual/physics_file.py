"""Strict reading of physics.toml, the physics behind a rotor.toml."""

from __future__ import annotations

import math
from collections.abc import Sequence
from os import PathLike

import numpy as np

from trackbal.base.toml_table import Table
from trackbal.runs.rotor import Adjuster, Rotor
from trackbal.virtual.physics import (
    LOADS,
    AdjusterPhysics,
    BladeDesign,
    Conditions,
    FaultSizes,
    Instrument,
    Modes,
    Physics,
    PitchLink,
    TrimTab,
    Variation,
    WeightStation,
)


def read_physics(file: str | PathLike[str], rotor: Rotor) -> Physics:
    """Read physics.toml for a rotor.

    Raises
    ------
    InputError
        Naming the file and the key, what was found and what was expected.
    """
    top = Table.load(file)
    sensors = [s.name for s in rotor.sensors]
    physics = Physics(
        density=top.number("air_density", 1.225, above=0.0),
        blade=_read_blade(top.table("blade")),
        conditions=_read_conditions(top, rotor),
        modes=_read_modes(top, rotor),
        adjusters=tuple(
            _read_adjuster(t, a)
            for t, a in zip(_named(top, "adjusters", [a.name for a in rotor.adjusters]), rotor.adjusters, strict=True)
        ),
        faults=_read_faults(top.table("faults")),
        variation=_read_variation(top.table("variation")),
        instrument=_read_instrument(top, sensors),
    )
    top.done()
    return physics


def _named(top: Table, key: str, names: Sequence[str]) -> list[Table]:
    """Return the entries of an array of tables in the order of `names`: each exactly once."""
    found: dict[str, Table] = {}
    for entry in top.tables(key):
        name = entry.one_of("name", names)
        if name in found:
            raise entry.error("name", name, "a name not used before")
        found[name] = entry
    for name in names:
        if name not in found:
            raise top.error(key, f"no entry for {name}", f"one entry each for {', '.join(names)}")
    return [found[name] for name in names]


def _part(t: Table, key: str, default: float | None = None, least: float = 0.0) -> float:
    """Return a spanwise station, a part of the radius below or at the tip."""
    value: float = t.number(key, least=least) if default is None else t.number(key, default, least=least)
    if value > 1.0:
        raise t.error(key, value, "a part of the radius, at most 1")
    return value


def _read_blade(t: Table) -> BladeDesign:
    offset = _part(t, "hinge_offset")
    if offset > 0.5:
        raise t.error("hinge_offset", offset, "at most 0.5 of the radius")
    blade = BladeDesign(
        radius_m=t.number("radius_m", above=0.0),
        hinge_offset=offset,
        root_cutout=_part(t, "root_cutout", least=offset),
        chord_m=t.number("chord_m", above=0.0),
        lift_slope=t.number("lift_slope", above=0.0),
        profile_drag=t.number("profile_drag", least=0.0),
        twist=math.radians(t.number("twist_deg", 0.0)),
        mass_kg=t.number("mass_kg", above=0.0),
        flap_spring=t.number("flap_spring_Nm_per_rad", 0.0, least=0.0),
        flap_cubic=t.number("flap_cubic_Nm_per_rad3", 0.0, least=0.0),
        pitch_flap=t.number("pitch_flap_coupling", 0.0),
        control_stiffness=t.number("control_stiffness_Nm_per_rad", above=0.0),
    )
    if blade.root_cutout >= 1.0:
        raise t.error("root_cutout", blade.root_cutout, "a number below 1")
    t.done()
    return blade


def _read_conditions(top: Table, rotor: Rotor) -> Conditions:
    omega, ratio, thrust, tilt, cyclic = [], [], [], [], []
    for t in _named(top, "regimes", [r.name for r in rotor.regimes]):
        omega.append(rotor.rpm * t.number("rpm_fraction", 1.0, above=0.0) * math.pi / 30.0)
        ratio.append(t.number("advance_ratio", 0.0, least=0.0))
        if ratio[-1] > 0.4:
            raise t.error("advance_ratio", ratio[-1], "at most 0.4, as reversed flow is left out")
        thrust.append(t.number("thrust_N", least=0.0))
        tilt.append(math.radians(t.number("tilt_deg", 0.0)))
        cyclic.append(t.flag("cyclic", True))
        t.done()
    return Conditions(
        omega=np.array(omega),
        advance_ratio=np.array(ratio),
        thrust=np.array(thrust),
        tilt=np.array(tilt),
        cyclic=np.array(cyclic),
        airborne=np.array([r.airborne for r in rotor.regimes]),
    )


def _read_modes(top: Table, rotor: Rotor) -> Modes:
    airborne = np.array([r.airborne for r in rotor.regimes])
    taking_part = {"ground": ~airborne, "air": airborne, "always": np.ones_like(airborne)}
    rows, pickup, shape, active, names = [], [], [], [], []
    for t in top.tables("modes"):
        names.append(t.text("name"))
        if names[-1] in names[:-1]:
            raise t.error("name", names[-1], "a name not used before")
        rows.append(
            (
                t.number("frequency_hz", above=0.0),
                t.number("damping", above=0.0),
                t.number("mass_kg", above=0.0),
                t.number("stiffening", 0.0, least=-0.5),
                t.number("knee_mm", 1.0, above=0.0) * 1e-3,
            )
        )
        picks, shapes = t.table("pickup"), t.table("shape")
        pickup.append([picks.number(load, 0.0) for load in LOADS])
        shape.append([shapes.number(s.name, 0.0) for s in rotor.sensors])
        active.append(taking_part[t.one_of("when", tuple(taking_part), "always")])
        for table in (picks, shapes, t):
            table.done()
    moving = np.array(active).any(axis=0)
    if not moving.all():
        regime = rotor.regimes[int(np.argmin(moving))].name
        raise top.error("modes", f"none for {regime}", "a mode that takes part in every regime")
    frequency, damping, mass, stiffening, knee = np.array(rows).T
    return Modes(frequency, damping, mass, stiffening, knee, np.array(pickup), np.array(shape), np.array(active))


def _read_adjuster(t: Table, adjuster: Adjuster) -> AdjusterPhysics:
    part: WeightStation | PitchLink | TrimTab
    if adjuster.kind == "weight":
        part = WeightStation(
            kg_per_unit=t.number("kg_per_unit", above=0.0),
            radius=_part(t, "radius"),
            chord_offset_m=t.number("chord_offset_mm", 0.0) * 1e-3,
        )
    elif adjuster.kind == "pitch_link":
        part = PitchLink(pitch_per_unit=t.number("mm_per_unit") / t.number("horn_arm_mm", above=0.0))
    else:
        inner = _part(t, "inner")
        part = TrimTab(
            angle_per_unit=math.radians(t.number("deg_per_unit")),
            inner=inner,
            outer=_part(t, "outer", least=inner),
            moment_slope=t.number("moment_slope"),
            lift_slope=t.number("lift_slope", 0.0),
        )
    physics = AdjusterPhysics(
        part=part,
        setting_error=t.number("setting_error", 0.0, least=0.0),
        initial=t.number("initial", 0.0),
        initial_scatter=t.number("initial_scatter", 0.0, least=0.0),
    )
    if not adjuster.minimum <= physics.initial <= adjuster.maximum:
        raise t.error("initial", physics.initial, f"a setting from {adjuster.minimum:g} to {adjuster.maximum:g}")
    t.done()
    return physics


def _read_faults(t: Table) -> FaultSizes:
    faults = FaultSizes(
        mass_kg=t.number("mass_kg", least=0.0),
        span_moment=t.number("span_moment_kgm", least=0.0),
        pitch=math.radians(t.number("pitch_deg", least=0.0)),
        moment_coefficient=t.number("moment_coefficient", least=0.0),
        lift=t.number("lift", least=0.0),
        chord_moment=t.number("chord_moment_kgm", least=0.0),
        built_in_m=t.number("built_in_mm", least=0.0) * 1e-3,
        steady_n=t.number("steady_N", least=0.0),
        source_n=t.number("source_N", least=0.0),
        lag=math.radians(t.number("lag_deg", least=0.0)),
    )
    t.done()
    return faults


def _read_variation(t: Table) -> Variation:
    names = Variation.__dataclass_fields__
    variation = Variation(**{name: t.number(name, least=0.0) for name in names})
    t.done()
    return variation


def _read_instrument(top: Table, sensors: Sequence[str]) -> Instrument:
    t = top.table("instrument")
    entries = _named(top, "sensors", sensors)
    broadband = [e.number("broadband", least=0.0) for e in entries]
    scatter = [e.number("scatter", least=0.0) for e in entries]
    instrument = Instrument(
        tach_azimuth=math.radians(t.number("tach_azimuth_deg", 0.0)),
        track_azimuth=math.radians(t.number("track_azimuth_deg", 180.0)),
        revolutions=t.whole("revolutions", 16, least=2),
        broadband=np.array(broadband),
        scatter=np.array(scatter),
        height_m=t.number("height_noise_mm", least=0.0) * 1e-3,
    )
    for table in (t, *entries):
        table.done()
    return instrument
