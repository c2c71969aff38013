"""A whole Sightledger under random faults for a while, then a reconciliation of every byte and every row."""
