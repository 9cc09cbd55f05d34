"""Takeoff, the estimator's chapter: what visits, routes and weeks take."""
