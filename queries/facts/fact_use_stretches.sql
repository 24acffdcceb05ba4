-- name: fact_use_stretches
-- answers: How many units of the same loads a week have an id from each mark to the next?
-- grain: one row per mark with a unit; those before the first mark have a blank text
-- inputs: stg_units, fact_use_steps, fact_use_marks
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: A mark lies in its own stretch.
-- trap: None but these numbers of loads are asked about.
-- source: methods page, first section (ten bins or more)
-- adds: sums units
with marks as (
    select mark.loads_per_week, mark.unit_id as from_id from fact_use_marks as mark
    union all
    select distinct step.loads_per_week, '' as from_id from fact_use_steps as step
)

select marks.loads_per_week, marks.from_id, count(*) as units
from stg_units as unit
asof inner join marks
    on marks.loads_per_week = unit.loads_per_week
    and unit.unit_id >= marks.from_id
group by marks.loads_per_week, marks.from_id
