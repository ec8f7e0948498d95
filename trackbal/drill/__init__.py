"""A drill: a virtual rotor with hidden faults, a trainee who adjusts it, and what is said of it afterwards."""
