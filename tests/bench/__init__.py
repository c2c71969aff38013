"""Benches: ours against a plain tool doing the same work, in one run on one machine."""
