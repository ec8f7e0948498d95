"""trackbal: rotor track and balance from readings to the fewest adjustments."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from trackbal.examination.examination import examine as examine
    from trackbal.fitting.fit import Fit as Fit
    from trackbal.fitting.fit import fit as fit
    from trackbal.influence.coefficients import Influence as Influence
    from trackbal.influence.compare import compare as compare
    from trackbal.plan.advice import advise as advise
    from trackbal.records.audit import audit as audit
    from trackbal.runs.rotor import Rotor as Rotor
    from trackbal.runs.run import History as History
    from trackbal.runs.run import Run as Run
    from trackbal.runs.sheets import read_history as read_history
    from trackbal.runs.sheets import read_run as read_run
    from trackbal.runs.sheets import read_settings as read_settings

__version__ = "0.1.0"

#: Public name -> module. Loaded when first used, so that `trackbal --version` stays instant.
_HOMES = {
    "Rotor": "trackbal.runs.rotor",
    "Run": "trackbal.runs.run",
    "History": "trackbal.runs.sheets",
    "read_run": "trackbal.runs.sheets",
    "read_history": "trackbal.runs.sheets",
    "read_settings": "trackbal.runs.sheets",
    "Influence": "trackbal.influence.coefficients",
    "compare": "trackbal.influence.compare",
    "Fit": "trackbal.fitting.fit",
    "fit": "trackbal.fitting.fit",
    "audit": "trackbal.records.audit",
    "examine": "trackbal.examination.examination",
    "advise": "trackbal.plan.advice",
}
__all__ = [
    "Fit",
    "History",
    "Influence",
    "Rotor",
    "Run",
    "__version__",
    "advise",
    "audit",
    "compare",
    "examine",
    "fit",
    "read_history",
    "read_run",
    "read_settings",
]


def __dir__() -> list[str]:
    """Return the public names, those not loaded yet among them."""
    return sorted(__all__)


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        import importlib

        value = getattr(importlib.import_module(_HOMES[name]), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'trackbal' has no attribute {name!r}")
