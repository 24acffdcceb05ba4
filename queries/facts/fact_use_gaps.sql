-- name: fact_use_gaps
-- answers: Between which two marks does each tenth of use begin, and how far from the first?
-- grain: one row per tenth that has a unit
-- inputs: fact_use_steps, fact_use_stretches
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: place counts the units from the first of the two marks on.
-- trap: Behind the last mark there is no next: blank.
-- source: methods page, first section (ten bins or more)
-- adds: company
with marks as (
    select
        stretch.loads_per_week,
        stretch.from_id,
        lead(stretch.from_id) over (
            partition by stretch.loads_per_week order by stretch.from_id
        ) as to_id,
        stretch.units,
        cast(sum(stretch.units) over (
            partition by stretch.loads_per_week order by stretch.from_id
        ) as bigint) - stretch.units as units_before
    from fact_use_stretches as stretch
)

select
    step.bin,
    step.loads_per_week,
    step.place - marks.units_before as place,
    marks.from_id,
    marks.to_id
from fact_use_steps as step
inner join marks
    on marks.loads_per_week = step.loads_per_week
    and marks.units_before <= step.place
    and marks.units_before + marks.units > step.place
