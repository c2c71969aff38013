"""The job sheet: as text, as a page, as PDF, and a page of slates for a screen."""
