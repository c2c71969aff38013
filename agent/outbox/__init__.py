"""What the workstation holds until the service has it: SQLite for the facts, a spool for the bytes."""
