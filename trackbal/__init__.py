"""trackbal: rotor track and balance from readings to the fewest adjustments."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from trackbal.fitting.fit import fit as fit
    from trackbal.influence.coefficients import Influence as Influence
    from trackbal.plan.advice import advise as advise
    from trackbal.runs.rotor import Rotor as Rotor
    from trackbal.runs.sheets import read_run as read_run

__version__ = "0.1.0"

#: Public name -> module. Loaded when first used, so that `trackbal --version` stays instant.
_HOMES = {
    "Rotor": "trackbal.runs.rotor",
    "Influence": "trackbal.influence.coefficients",
    "read_run": "trackbal.runs.sheets",
    "fit": "trackbal.fitting.fit",
    "advise": "trackbal.plan.advice",
}
__all__ = ["Influence", "Rotor", "__version__", "advise", "fit", "read_run"]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        import importlib

        value = getattr(importlib.import_module(_HOMES[name]), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'trackbal' has no attribute {name!r}")
