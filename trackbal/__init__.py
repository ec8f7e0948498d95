"""trackbal: rotor track and balance from readings to the fewest adjustments."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from trackbal.advice import advise as advise
    from trackbal.fitting import fit as fit
    from trackbal.influence import Influence as Influence
    from trackbal.rotor import Rotor as Rotor
    from trackbal.sheets import read_run as read_run

__version__ = "0.1.0"

#: Public name -> module. Loaded when first used, so that `trackbal --version` stays instant.
_HOMES = {
    "Rotor": "trackbal.rotor",
    "Influence": "trackbal.influence",
    "read_run": "trackbal.sheets",
    "fit": "trackbal.fitting",
    "advise": "trackbal.advice",
}
__all__ = ["Influence", "Rotor", "__version__", "advise", "fit", "read_run"]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        import importlib

        value = getattr(importlib.import_module(_HOMES[name]), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'trackbal' has no attribute {name!r}")
