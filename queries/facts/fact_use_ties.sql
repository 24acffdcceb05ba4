-- name: fact_use_ties
-- answers: Which units dry just as many loads a week as a tenth begins with?
-- grain: one row per unit
-- inputs: stg_units, fact_use_steps
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: Only these need to be put in order by their ids; all others are settled by their loads.
-- trap: Where loads are recorded in whole numbers most units are ties.
-- source: methods page, first section (ten bins or more)
-- adds: distinct
select unit.loads_per_week, unit.unit_id
from stg_units as unit
where unit.loads_per_week in (select step.loads_per_week from fact_use_steps as step)
