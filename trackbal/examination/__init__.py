"""Whether a fit's model holds: jobs predicted from the others, aircraft unlike their type, what to try next."""
