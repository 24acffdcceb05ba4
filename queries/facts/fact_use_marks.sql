-- name: fact_use_marks
-- answers: Which ids part the units that dry as many loads a week as a tenth begins with?
-- grain: one row per number of loads and mark: about one in sixty-four of those units' ids
-- inputs: stg_units, fact_use_counts, fact_use_steps
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: Ids are marks by their hash, so that every set of units names its own. Of fewer than 128
--    units all are.
-- trap: Marks are no bounds; they only say where to look for one.
-- source: methods page, first section (ten bins or more)
-- adds: distinct
select unit.loads_per_week, unit.unit_id
from stg_units as unit
inner join fact_use_counts as use on use.loads_per_week = unit.loads_per_week
where unit.loads_per_week in (select step.loads_per_week from fact_use_steps as step)
    and md5_number_lower(unit.unit_id) % greatest(1, use.units // 64) = 0
