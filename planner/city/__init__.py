"""A whole city in parts: each part alone, on as many processes or hosts as there are.

Reading order: `run` (the whole way), `parts` (which pipes go together), `split` (what each
part needs to know), `work` (one part, start to end), `numbers` (ids that are those of a whole
run), `gather` (one result of all parts); `pool` and `cluster` hand out the work, `filing`
reads and writes, `copy` keeps what reading the project's files gave.
"""
