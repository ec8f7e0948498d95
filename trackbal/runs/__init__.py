"""From sheets to runs: what a rotor is, what was read, what was changed, and the words for it."""
