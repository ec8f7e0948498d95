"""A virtual rotor: readings from simulated blade and airframe motion, for lessons and tests.

It shares no response code with the rest of trackbal, so that a wrong sign in either shows.
"""

from __future__ import annotations

from trackbal.virtual.aircraft import Aircraft, VirtualType, type_names

__all__ = ["Aircraft", "VirtualType", "type_names"]
