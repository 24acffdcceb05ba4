-- name: fact_use_bounds
-- answers: With which unit does each tenth of use begin?
-- grain: one row per tenth that has a unit
-- inputs: fact_use_gaps, fact_use_ties
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: Units are ordered by loads a week, then by id.
-- trap: The bound belongs to its own tenth.
-- source: methods page, first section (ten bins or more)
-- adds: company
select gap.bin, tie.loads_per_week, tie.unit_id
from fact_use_gaps as gap
inner join fact_use_ties as tie
    on tie.loads_per_week = gap.loads_per_week
    and tie.unit_id >= gap.from_id
    and (gap.to_id is null or tie.unit_id < gap.to_id)
qualify row_number() over (partition by gap.bin order by tie.unit_id) - 1 = gap.place
