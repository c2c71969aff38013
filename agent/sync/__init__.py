"""Pulling the worklist and plans, pushing what came back on cards."""
