"""Real PostgreSQL and a real S3 endpoint as child processes, for the demo, the tests and the benches."""
