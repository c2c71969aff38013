"""What a person can ask the agent for, a command each."""
