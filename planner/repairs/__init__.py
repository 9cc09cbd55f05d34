"""Repairs: sleeves placed, methods compared, choices accepted, works in order."""
