"""Whether a fit's model holds: aircraft predicted from the others, aircraft unlike their type, what to try next."""
