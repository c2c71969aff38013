"""Wire shapes of the REST API, shared by the service and the agent. Imports nothing heavy."""
