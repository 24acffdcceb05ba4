-- name: fact_use_ties
-- answers: Which units dry just as many loads a week as a tenth begins with, and lie close by?
-- grain: one row per unit between the two marks of a tenth
-- inputs: stg_units, fact_use_gaps
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: Only these need to be put in order by their ids; of all others it is known on which side
--    they are.
-- trap: Where loads are recorded in whole numbers most units are ties.
-- source: methods page, first section (ten bins or more)
-- adds: distinct
select distinct unit.loads_per_week, unit.unit_id
from stg_units as unit
inner join fact_use_gaps as gap
    on gap.loads_per_week = unit.loads_per_week
    and unit.unit_id >= gap.from_id
    and (gap.to_id is null or unit.unit_id < gap.to_id)
