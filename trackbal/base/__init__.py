"""Ground that knows no rotor: errors, phasors and units, files, strict tables, text layout."""
