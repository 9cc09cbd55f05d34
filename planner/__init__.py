"""sleeveplan: from coded camera inspections to a week of spot repairs.

Reading order for a newcomer:

1. `planner.plan` - the whole way in two functions, step by step; `planner.propose` is its first
   half, up to one choice for each pipe, and `planner.place_and_rule` the middle of that.
2. `planner.contracts` - every table that passes between two steps.
3. the steps, one module each, in the order of the way:

   ========== ======================================================================
   inputs     files into contract tables; every fault one line, nothing repaired silently
   screening  `locate` rows on pipes, `spans` by place, `rulebook` and `screen` the verdict
   repairs    `decide_spans`, `place` sleeves, `wall` and `cure` as checks, `options` side by
              side, `choose`, `accept`, `budget`, `flow`, `works` in order, `revise` to sign
   crews      `setups`, `travel`, `week`, and `audit`, which checks from tables alone; `replan`
              within a week, `by_hand` and `pinned` what people changed in it
   takeoff    `totals` net, `orders`, `lots` onto visits, the `bill`, `pay` of what is done
   outputs    `map`, `crew_pages`, `sheets`, `papers` to others, `workbook`, `gis_file`, `files`
   store      decisions, the journal, revisions and ids given, kept from run to run: in one file,
              or for a `team` in PostGIS
   ground     what two chapters need: codes, lengths, the sewer graph, ids, money
   ========== ======================================================================

4. what goes that way for a reason of its own:

   ========== ======================================================================
   folder     a project folder: check, plan, write a run, take in a form, sign
   changed    one changed pipe in a running process, the rest left as it is
   replan     the rest of a week again; `runs` lets it stand, `kept` keeps a week moved by hand
   journal    what happened in the field into the store; `reprice` prices out of a workbook
   city       a whole city in parts: `run`, and what each part needs to know
   review     the page in the browser, a desk for each of the three: `app`, then `engineer`,
              `planner_desk`, `estimator`
   doctor     what is here, absent or broken on this machine
   ========== ======================================================================

The command line is `planner.cli`. Importing the package reads no file and opens nothing.
"""
