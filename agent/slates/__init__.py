"""Slates: codes that an inspector pictures before a location, so that a flat card says where it was taken."""
