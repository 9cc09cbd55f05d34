"""Which benchmarks there are, and how much each takes by default."""

SIZES = {
    "inputs": 1_000_000,
    "locate": 100_000,
    "rules": 1_000_000,
    "place": 1_000,
    "budget": 10_000,
    "public": 60,
    "week": 200,
    "travel": 3_000,
    "onepipe": 100_000,
    "weeks": 200,
    "replan": 200,
    "sheets": 50,
    "map": 20_000,
    "review": 5_000,
    "store": 100_000,
    "city": 10_000,
    "cluster": 12_000,
}
"""Benchmarks by name, with the size each takes by default."""

CITIES = (10_000, 100_000, 250_000, 1_000_000)
"""Pipes of the cities of the table, with ten coded rows each."""
PER_PIPE = {"city": 1, "locate": 10, "rules": 3}
"""Benchmarks that the table runs at each of `CITIES`, and how much of their size a pipe is."""
UNITS = {
    "city": "pipes",
    "locate": "coded rows",
    "rules": "spans",
    "cluster": "pipes",
    "store": "pipes",
    "place": "pipes",
    "onepipe": "pipes",
    "map": "pipes",
    "sheets": "crew-days",
    "review": "spans",
}
"""Benchmarks of the table, in its order, and what their size counts."""
