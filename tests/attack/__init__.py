"""Attacks on a service of our own, on this machine only; each succeeded before what stops it was built."""
