"""Crews, the planner's chapter: set-ups, travel, the week, its audit."""
