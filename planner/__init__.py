"""sleeveplan: from coded camera inspections to a week of spot repairs.

Reading order for a newcomer:

1. `planner.plan` - the whole way in two functions, step by step; `planner.propose` is its first
   half, up to one choice for each pipe.
2. `planner.contracts` - every table that passes between two steps.
3. the steps, one module each, in the order of the way:

   ========== ======================================================================
   inputs     files into contract tables; every fault one line, nothing repaired silently
   screening  `locate` rows on pipes, `spans` by place, `rulebook` and `screen` the verdict
   repairs    `decide_spans`, `place` sleeves, `wall` and `cure` as checks, `options` side by
              side, `choose`, `accept`, `budget`, `flow`, `works` in order, `revise` to sign
   crews      `setups`, `travel`, `week`, and `audit`, which checks from tables alone; `replan`
              within a week
   takeoff    `totals` net, `orders`, `lots` onto visits, the `bill`
   outputs    `map`, `sheets`, `papers` to others, `workbook`, `files`
   store      decisions, the journal, revisions and ids given, kept from run to run
   city       a whole city in parts: `run`, and what each part needs to know
   ground     what two chapters need: codes, lengths, the sewer graph, ids, money
   ========== ======================================================================

The command line is `planner.cli`. Importing the package reads no file and opens nothing.
"""
