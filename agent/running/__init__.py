"""`run`: cards are taken and the link is used for as long as the process lives."""
