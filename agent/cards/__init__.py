"""Cards: the marker, what is written when one is prepared, what is read when one comes back."""
