"""Inputs: read what the user has into contract tables; repair nothing in silence."""
