"""How good past advice was: what it promised against what came."""
