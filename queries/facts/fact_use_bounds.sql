-- name: fact_use_bounds
-- answers: With which unit does each tenth of use begin?
-- grain: one row per tenth that has a unit
-- inputs: fact_use_steps, fact_use_ties
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: Units are ordered by loads a week, then by id.
-- trap: The bound belongs to its own tenth.
-- source: methods page, first section (ten bins or more)
-- adds: company
with ordered as (
    select
        tie.loads_per_week,
        tie.unit_id,
        row_number() over (partition by tie.loads_per_week order by tie.unit_id) - 1 as place
    from fact_use_ties as tie
)

select step.bin, ordered.loads_per_week, ordered.unit_id
from fact_use_steps as step
inner join ordered on ordered.loads_per_week = step.loads_per_week and ordered.place = step.place
