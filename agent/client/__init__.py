"""HTTP to the service and to the object store."""
