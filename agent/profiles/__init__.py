"""Card profiles: what a scope's card can hold, and how a place on it maps to a place in the plan."""
